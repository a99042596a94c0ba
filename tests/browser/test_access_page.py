"""Every place can be used by whoever does not see, point or tell colors as we do: axe-core's rules, in both themes.

Source: axe-core (Deque, MPL-2.0), its rules for WCAG 2.x A and AA and its best practices, run in the page itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.desk import PHONE, PLACES, Bench
from tests.browser.station import ROOT, Process, eventually
from tests.web.npm import installed

RUN = """async () => (await axe.run(document)).violations.flatMap((one) => one.nodes.map((node) =>
  `${one.id}: ${node.target.join(" ")} (${(node.any[0] ?? node.all[0] ?? node.none[0])?.message ?? one.help})`))"""


def violations(page: object) -> list[str]:
    """Return what axe-core has against the page as it stands."""
    if not page.evaluate("typeof axe === 'object'"):
        page.add_script_tag(path=str(installed("axe-core/axe.min.js")))
    return page.evaluate(RUN)


SIZES = pytest.mark.parametrize("size", [(1366, 768), PHONE], ids=["laptop", "phone"])
SCHEMES = pytest.mark.parametrize("scheme", ["light", "dark"])


def in_every_place(page: object) -> list[str]:
    """Return what axe-core has against any place of the page."""
    found = []
    for place in PLACES:
        page.locator(f'[data-testid="place-{place}"]:visible').first.click()
        page.wait_for_timeout(400)
        found += [f"{place}: {one}" for one in violations(page)]
    return found


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A twin on the pad and a station with the Sandpiper's pad sheet."""
    sheet = ROOT / "server" / "pad" / "sheets" / "sandpiper-pad.toml"
    with Bench(tmp_path_factory.mktemp("access"), pad_sheet=sheet) as running:
        yield running


@SCHEMES
@SIZES
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
        found = in_every_place(page)
        assert not found, "\n".join(found)
    finally:
        station.stop()


def live_page(browser: object, bench: Bench, scheme: str, size: tuple[int, int]) -> object:
    """Return a page of the live session on which something was heard."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, reduced_motion="reduce", bypass_csp=True
    )
    page = context.new_page()
    page.goto(bench.links[0])
    eventually(lambda: page.get_by_test_id("status-link").inner_text() == "Up")
    return page


@SCHEMES
@SIZES
def test_no_place_of_a_live_page_breaks_a_rule(browser: object, bench: Bench, scheme: str, size: tuple[int, int]) -> None:
    page = live_page(browser, bench, scheme, size)
    found = in_every_place(page)
    page.get_by_test_id("alarms-open").click()
    found += [f"alarms: {one}" for one in violations(page)]
    page.keyboard.press("Escape")
    page.locator('[data-testid="place-try"]:visible').first.click()
    page.locator('[data-testid="who-commands"]:visible').first.click()
    page.wait_for_timeout(400)
    found += [f"dock: {one}" for one in violations(page)]
    page.keyboard.press("?")
    found += [f"keys: {one}" for one in violations(page)]
    page.close()
    assert not found, "\n".join(found)


@SCHEMES
@SIZES
def test_no_place_of_a_live_page_breaks_a_rule_in_silence(
    browser: object, bench: Bench, scheme: str, size: tuple[int, int]
) -> None:
    """The link is pulled, as when the port's plug comes out."""
    page = live_page(browser, bench, scheme, size)
    bench.relay.unplug()
    try:
        eventually(lambda: page.get_by_test_id("status-link").inner_text() != "Up")
        page.wait_for_timeout(2500)
        found = in_every_place(page)
    finally:
        bench.relay.plug()
        page.close()
    assert not found, "\n".join(found)
