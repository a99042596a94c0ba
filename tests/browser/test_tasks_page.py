"""Tasks of a launch day, counted in acts and pixels scrolled by someone who begins at Watch on a laptop.

The table of all eight, with the figures of the page as it was before, stands in tests/browser/README.md; those of Learn
are counted in test_learn_page.py.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.browser.desk import LAPTOP, Bench
from tests.browser.person import Person
from tests.browser.station import ROOT, Process, eventually

SMALL = (1280, 720)
IN_SIGHT = """(node) => {
  const { left, right, top, bottom } = node.getBoundingClientRect();
  const at = [[left + 9, top + 9], [right - 9, bottom - 9]].map(([x, y]) => document.elementFromPoint(x, y));
  return at.every((one) => one === node);
}"""
RATE, IGNITE_S, LOST_S = 5, 100, 25


@contextmanager
def at_watch(browser: object, link: str, size: tuple[int, int] = LAPTOP) -> Iterator[Person]:
    """Someone at the page as it opens."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, reduced_motion="reduce")
    person = Person(context.new_page())
    person.page.goto(link)
    eventually(lambda: person.see("status-link").inner_text() == "Up", 20)
    eventually(lambda: person.page.evaluate("document.body.dataset.place") == "watch")
    yield person
    context.close()


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[str]:
    """A demonstration that stays on the pad; gives the operator's link."""
    process = Process(tmp_path, "demo", "--no-browser", "--http-port", "0", "--ignite-after", "100000")
    try:
        yield process.line(r"(http://\S+#operator=\S+)")[1]
    finally:
        process.stop()


def charted(person: Person) -> list[list[str]]:
    """The names in each chart."""
    charts = person.page.locator("#place-try .picked .strip:visible")
    return [charts.nth(i).locator(".series-name").all_inner_texts() for i in range(charts.count())]


@pytest.mark.parametrize("size", [LAPTOP, SMALL])
def test_the_pad_sheet_is_gone_through_on_one_screen(browser: object, demo: str, size: tuple[int, int]) -> None:
    with at_watch(browser, demo, size) as person:
        person.press("place-ready")
        eventually(lambda: re.match(r"14 of 20 stand", person.see("pad-summary").inner_text()), 20)
        ticks = [one.get_attribute("data-testid") for one in person.page.locator("[data-testid^=pad-tick-]:visible").all()]
        asked = person.page.locator("[data-testid^=pad-number-]:visible").get_attribute("data-testid")
        assert len(ticks) == 6
        for tick in ticks:
            if tick.removeprefix("pad-tick-") == asked.removeprefix("pad-number-"):
                person.write(asked, "2.5")
                person.page.keyboard.press("Enter")  # of the same act as the number
            else:
                person.press(tick)
        eventually(lambda: re.match(r"(All )?20 (of 20 )?stand", person.told("pad-summary")))
        assert person.count(f"go through the pad sheet, {size[0]}x{size[1]}") == (7, 0)


def test_a_motor_is_armed_and_made_safe_without_a_way_back_and_forth(browser: object, demo: str) -> None:
    with at_watch(browser, demo) as person:
        person.press("place-ready")
        motor = person.page.locator(".channel:visible", has_text="Motor 1")
        motor.get_by_text("Arm", exact=False).last.click()
        person.acts += 1
        release = person.page.locator('[data-testid="lock-act"]:visible', has_text="Release")
        release.wait_for()
        eventually(lambda: release.evaluate(IN_SIGHT))  # what is not met stands first, its act in sight
        release.click()
        person.acts += 1
        for way_on in ("desk-back", None):
            eventually(lambda: person.see("desk-arm").is_enabled(), 20)
            person.press("desk-arm")
            eventually(lambda: "left to confirm" in person.see("desk-countdown").inner_text(), 10)
            person.hold("desk-confirm")
            if way_on:
                eventually(lambda: person.see("desk-back").is_visible(), 10)
                person.press("desk-back")
        eventually(lambda: "ARMED" in motor.inner_text(), 20)
        person.page.keyboard.press("Shift+Escape")
        person.acts += 1
        eventually(lambda: "Safe" in motor.inner_text() and "ARMED" not in motor.inner_text(), 20)
        assert person.count("arm, confirm and make safe") == (9, 0)


@pytest.mark.parametrize("replayed", [False, True])
def test_three_channels_stand_in_one_strip(browser: object, demo: str, tmp_path: Path, replayed: bool) -> None:
    with at_watch(browser, demo) as person:
        if replayed:
            station = Process(
                tmp_path / "r", "replay", str(ROOT / "replay_samples" / "calm.pcapng"), "--no-browser", "--http-port", "0"
            )
            person.page.goto(station.line(r"Page: (http://\S+)")[1])
            person.page.locator('[data-testid="replay-banner"]').wait_for()
        person.press("place-try")
        person.page.locator('[data-testid="chart-group"]:visible').filter(has_text=re.compile("Gyro a$")).click()
        person.acts += 1
        eventually(lambda: charted(person) == [["Rate about body x", "Rate about body y", "Rate about body z"]])
        assert person.count("chart three channels in one strip") == (2, 0)
        # Any single channel too, also where nothing can be commanded: charting is no command.
        person.see("channel-filter").fill("battery voltage")
        row = person.page.locator(".channel-row:visible").filter(has_text="power.battery_voltage")
        row.locator('[data-testid="chart-same"]').click()
        eventually(lambda: len(charted(person)[0]) == 4)
        if replayed:
            station.stop()


@pytest.mark.parametrize("size", [LAPTOP, SMALL])
def test_the_way_to_a_vehicle_lost_under_its_canopy_is_one_act_away(
    browser: object, tmp_path: Path, size: tuple[int, int]
) -> None:
    begun = time.monotonic()
    with Bench(tmp_path, rate=RATE, ignite_s=IGNITE_S) as bench, at_watch(browser, bench.address, size) as person:
        time.sleep(max(0.0, (IGNITE_S + LOST_S) / RATE - (time.monotonic() - begun)))
        eventually(lambda: person.see("status-phase").inner_text() == "Descent", 20)
        bench.relay.unplug()
        eventually(lambda: person.see("status-link").inner_text() != "Up", 20)
        person.press("place-find")
        headline = person.page.locator("#place-find .walk:visible")
        eventually(lambda: re.search(r"\d+ m\s+\d{3}\u00b0", headline.inner_text()), 20)
        assert re.search(r"[Pp]redicted", headline.inner_text()), headline.inner_text()
        for testid in ("place-copy", "place-code-button"):
            person.told(testid)
        assert person.count(f"walk to the vehicle after the link was lost, {size[0]}x{size[1]}") == (1, 0)
