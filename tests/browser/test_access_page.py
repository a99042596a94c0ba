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

PAD_SHEET = ROOT / "server" / "pad" / "sheets" / "sandpiper-pad.toml"
# A theme changes colors and nothing else (`web/kit/theme.js`), so the dark one is held to the rules about colors.
ABOUT_COLORS = {"runOnly": ["cat.color"]}
RUN = """async (rules) => (await axe.run(document, { ...rules, resultTypes: ["violations"] })).violations.flatMap((one) =>
  one.nodes.map((node) => `${one.id}: ${node.target.join(" ")} ` +
    `(${(node.any[0] ?? node.all[0] ?? node.none[0])?.message ?? one.help})`))"""


def violations(page: object) -> list[str]:
    """Return what axe-core has against the page as it stands, in the light theme and in the dark one."""
    if not page.evaluate("typeof axe === 'object'"):
        page.add_script_tag(path=str(installed("axe-core/axe.min.js")))
    found = [f"light: {one}" for one in page.evaluate(RUN, {})]
    page.emulate_media(color_scheme="dark")
    page.wait_for_function("document.documentElement.dataset.theme === 'dark'")
    found += [f"dark: {one}" for one in page.evaluate(RUN, ABOUT_COLORS)]
    page.emulate_media(color_scheme="light")
    return found


SIZES = pytest.mark.parametrize("size", [(1366, 768), PHONE], ids=["laptop", "phone"])


def in_every_place(page: object) -> list[str]:
    """Return what axe-core has against any place of the page."""
    found = []
    for place in PLACES:
        page.locator(f'[data-testid="place-{place}"]:visible').first.click()
        page.wait_for_timeout(400)
        found += [f"{place}: {one}" for one in violations(page)]
    return found


def light_page(browser: object, address: str, size: tuple[int, int]) -> object:
    """Return a page of a size in the light theme, into which a script may be put."""
    width, height = size
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme="light", reduced_motion="reduce", bypass_csp=True
    )
    page = context.new_page()
    page.goto(address)
    return page


@pytest.fixture(scope="module")
def replay(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a replay of a flight with findings."""
    sample = ROOT / "replay_samples" / "gusty-bad-number.pcapng"
    station = Process(tmp_path_factory.mktemp("replay"), "replay", str(sample), "--no-browser", "--http-port", "0")
    try:
        yield station.line(r"(http://\S+)")[1]
    finally:
        station.stop()


@SIZES
def test_no_place_of_a_replay_breaks_a_rule(browser: object, replay: str, size: tuple[int, int]) -> None:
    page = light_page(browser, replay, size)
    page.locator('[data-testid="replay-banner"]').wait_for()
    page.evaluate(
        "() => { const bar = document.querySelector('[data-testid=replay-scrub]');"
        " bar.value = 21; bar.dispatchEvent(new Event('input')); }"
    )
    found = in_every_place(page)
    assert not found, "\n".join(found)


@SIZES
def test_no_place_of_a_live_page_breaks_a_rule_heard_or_silent(
    browser: object, tmp_path: Path, size: tuple[int, int]
) -> None:
    """Silent as when the port's plug comes out."""
    with Bench(tmp_path, pad_sheet=PAD_SHEET) as bench:
        page = light_page(browser, bench.links[0], size)
        eventually(lambda: page.get_by_test_id("status-link").inner_text() == "Up")
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
        page.keyboard.press("Escape")
        page.keyboard.press("Escape")
        bench.relay.unplug()
        eventually(lambda: page.get_by_test_id("status-link").inner_text() != "Up")
        page.wait_for_timeout(2500)
        found += [f"silent: {one}" for one in in_every_place(page)]
    assert not found, "\n".join(found)
