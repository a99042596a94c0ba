"""Every place can be used by whoever does not see, point or tell colors as we do: axe-core's rules, in both themes.

Source: axe-core (Deque, MPL-2.0), its rules for WCAG 2.x A and AA and its best practices, run in the page itself.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser.desk import PHONE, PLACES
from tests.browser.station import ROOT, Process
from tests.web.npm import installed

RUN = """async () => (await axe.run(document)).violations.flatMap((one) => one.nodes.map((node) =>
  `${one.id}: ${node.target.join(" ")} (${(node.any[0] ?? node.all[0] ?? node.none[0])?.message ?? one.help})`))"""


def violations(page: object) -> list[str]:
    """Return what axe-core has against the page as it stands."""
    if not page.evaluate("typeof axe === 'object'"):
        page.add_script_tag(path=str(installed("axe-core/axe.min.js")))
    return page.evaluate(RUN)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [(1366, 768), PHONE], ids=["laptop", "phone"])
def test_no_place_of_a_replay_breaks_a_rule(browser: object, tmp_path: Path, scheme: str, size: tuple[int, int]) -> None:
    sample = ROOT / "replay_samples" / "gusty-bad-number.pcapng"
    station = Process(tmp_path, "replay", str(sample), "--no-browser", "--http-port", "0")
    try:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, reduced_motion="reduce", bypass_csp=True
        )
        page = context.new_page()
        page.goto(station.line(r"(http://\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        page.evaluate(
            "() => { const bar = document.querySelector('[data-testid=replay-scrub]');"
            " bar.value = 21; bar.dispatchEvent(new Event('input')); }"
        )
        found = []
        for place in PLACES:
            page.locator(f'[data-testid="place-{place}"]:visible').first.click()
            page.wait_for_timeout(400)
            found += [f"{place}: {one}" for one in violations(page)]
        assert not found, "\n".join(found)
    finally:
        station.stop()
