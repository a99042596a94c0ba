"""A vehicle that tells little, on every place, heard, silent and in a replay: nothing is empty, what is missing is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.browser.desk import PHONE, PLACES
from tests.browser.little_vehicles import KINDS, dictionary_text, recorded, transmitting
from tests.browser.station import Process, eventually

# Panels on the screen whose body says nothing: no text, no form, and no drawing that is laid out.
EMPTY = """() => [...document.querySelectorAll("section.panel")].filter((panel) => {
  const body = panel.querySelector(".panel-body");
  if (!panel.offsetParent || !body || body.innerText.trim()) return false;
  return ![...body.querySelectorAll("canvas, svg, input")].some((one) => one.getBoundingClientRect().height > 0);
}).map((panel) => panel.className)"""
# Boxes much higher than the one line that stands in them.
HOLLOW = """() => [...document.querySelectorAll("section.panel .panel-body")].filter((body) => {
  const absent = [...body.querySelectorAll(".absent")].find((one) => one.offsetParent);
  if (!body.offsetParent || body.closest(".flight-events")) return false;
  if (body.innerText.trim() !== absent?.innerText.trim()) return false;
  const range = document.createRange();
  range.selectNodeContents(body);
  return body.getBoundingClientRect().height > range.getBoundingClientRect().height + 200;
}).map((body) => body.parentElement.className)"""
WRONG = ("NaN", "undefined", "Infinity", "null", "[object")


# Numbers of the flight that reach over the edge of their tile.
OVER = """() => [...document.querySelectorAll(
  ".readout .line, .readout .most, .now-line, .now-note, .chute-words, .worst-words")].filter((one) => {
  const tile = one.closest(".readout, .panel").getBoundingClientRect();
  const range = document.createRange();
  range.selectNodeContents(one);
  return one.offsetParent && range.getBoundingClientRect().right > tile.right + 1;
}).map((one) => one.innerText)"""


def go(page: object, place: str) -> None:
    """Go to a place as a person does."""
    page.locator(f'[data-testid="place-{place}"]:visible').first.click()
    eventually(lambda: len(page.locator(f"#place-{place}").inner_text()) > 10)
    page.wait_for_timeout(250)


def seek(page: object, value: str) -> None:
    """Go to a place of the recording: timeline seconds, or "bar.max" for its end."""
    bar = "const bar = document.querySelector('[data-testid=replay-scrub]')"
    page.evaluate(f"() => {{ {bar}; bar.value = {value}; bar.dispatchEvent(new Event('input')); }}")


def look(page: object, width: int) -> None:
    """Look at every place: no number that is none, nothing empty, nothing beyond the edge."""
    for place in PLACES:
        go(page, place)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{place}: it scrolls sideways"
        said = page.inner_text("body")
        assert [word for word in WRONG if word in said] == [], place
        assert page.evaluate(EMPTY) == [], f"{place}: empty"
        assert page.evaluate(OVER) == [], f"{place}: over the edge"
        assert page.evaluate(HOLLOW) == [], f"{place}: an empty box"


def text(page: object, selector: str) -> str:
    """Return the text of what is seen."""
    return " ".join(page.locator(f"{selector}:visible").all_inner_texts())


def unfold(page: object) -> None:
    """Show what Ready keeps behind More; it stays open over places and moments."""
    more = page.locator('[data-testid="ready-more"]:visible')
    if more.get_attribute("aria-expanded") == "false":
        more.click()


def look_at_missing(page: object, kind: str) -> None:
    """Look whether each thing that such a vehicle cannot tell says so instead of standing empty."""
    go(page, "watch")
    assert "Tilt" not in text(page, ".strip-title") and "speed" not in text(page, ".series-name")
    assert "Climb rate" in text(page, ".readouts") and "needs attitude and velocity" in text(page, ".readouts")
    assert "attitude is not in this vehicle's dictionary" in text(page, "#place-watch .absent")
    assert "11 \u00b0C at the pad" in text(page, ".flight-events .event")
    go(page, "try")
    assert "needs attitude" in text(page, ".channel-list")
    go(page, "ready")
    units = {"barometer": "Inertial units are not in", "one-axis": "Accel z", "unit-and-gnss": "|Rate|"}
    unfold(page)
    eventually(lambda: text(page, ".imu") != "", 5)
    assert units[kind] in text(page, ".imu") and "Temperature" not in text(page, ".imu")
    go(page, "find")
    has_place = kind == "unit-and-gnss"
    assert page.locator("#place-find svg.plan-picture:visible").count() == has_place
    assert ("By GNSS" in text(page, "#place-find .panel.plan")) == has_place
    assert ("No position in this vehicle's dictionary" in text(page, ".whereabouts")) != has_place


@pytest.mark.parametrize("kind", KINDS)
def test_a_replay_says_what_such_a_vehicle_does_not_tell(browser: object, tmp_path: Path, kind: str) -> None:
    station = Process(tmp_path, "replay", str(recorded(tmp_path / "sessions", kind)), "--no-browser", "--http-port", "0")
    try:
        address = station.line(r"(http://\S+)")[1]
        for width, height, scheme in ((1280, 720, "light"), (*PHONE, "dark")):
            page = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme).new_page()
            page.goto(address)
            page.locator('[data-testid="replay-banner"]').wait_for()
            seek(page, "bar.max")
            look(page, width)
        page = browser.contexts[0].pages[0]
        look_at_missing(page, kind)
        seek(page, "21.2")
        go(page, "watch")
        assert "not predicted: " in text(page, ".readout.-apogee")
        seek(page, "bar.max")
        go(page, "ready")
        unfold(page)
        eventually(lambda: text(page, ".recorder") != "", 5)
        assert "Nothing is recorded in a replay" in text(page, ".recorder")
        go(page, "find")
        assert "main 5.9 \u00b1" in text(page, ".descent")
        go(page, "learn")
        page.locator('[data-testid="learn-numbers"]').click()
        assert "\u00b1" in text(page, '.grid.-summary tr:has-text("Greatest speed")')
        assert "attitude is not in this vehicle" in text(page, '.grid.-summary tr:has-text("Greatest tilt")')
        page.locator('[data-testid="learn-flight"]').click()
        assert "judged after lift-off" not in text(page, ".panel.story")
        assert "Boot" not in text(page, "[data-testid=replay-moments], .bar-marks")
    finally:
        station.stop()


def test_another_place_begins_at_its_top_on_a_phone(browser: object, tmp_path: Path) -> None:
    file = recorded(tmp_path / "sessions", "barometer", 30.0)
    station = Process(tmp_path, "replay", str(file), "--no-browser", "--http-port", "0")
    try:
        page = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}).new_page()
        page.goto(station.line(r"(http://\S+)")[1])
        page.locator('[data-testid="replay-banner"]').wait_for()
        for place, other in (("watch", "learn"), ("learn", "try")):
            go(page, place)
            page.evaluate("scrollTo(0, 500)")
            go(page, place)
            assert page.evaluate("scrollY") == 500, "where one stays nothing jumps"
            go(page, other)
            assert page.evaluate("scrollY") == 0
    finally:
        station.stop()


@pytest.mark.parametrize("kind", KINDS)
def test_live_and_silent_it_says_the_same(browser: object, tmp_path: Path, kind: str) -> None:
    file = tmp_path / "little.toml"
    file.write_text(dictionary_text(kind), "utf-8")
    with transmitting(kind, rate=4.0, ignite_s=40.0) as vehicle:
        station = Process(
            tmp_path, "live", "--port", vehicle.url, "--dictionary", str(file), "--no-browser", "--http-port", "0"
        )
        try:
            page = browser.new_context(viewport={"width": 1366, "height": 768}, color_scheme="dark").new_page()
            page.goto(station.line(r"(http://\S+#operator=\S+)")[1])
            go(page, "watch")
            eventually(lambda: text(page, '[data-testid="status-link"]') == "Up", 20)
            look(page, 1366)
            go(page, "try")
            page.keyboard.press("d")
            eventually(lambda: "No commands in this vehicle's dictionary." in text(page, ".dock"))
            page.keyboard.press("d")
            assert page.locator('[data-testid="commands-allow"]:visible').count() == 0
            assert len(text(page, '[data-testid="trial-why"]')) < 150
            eventually(lambda: text(page, '[data-testid="status-phase"]') == "Descent", 60)
            look(page, 1366)
            look_at_missing(page, kind)
            vehicle.stop()
            eventually(lambda: text(page, '[data-testid="status-height"]') == "Unknown", 20)
            look(page, 1366)
            look_at_missing(page, kind)
        finally:
            station.stop()
