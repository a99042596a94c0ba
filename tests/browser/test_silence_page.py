"""What a page says once nobody is heard: the station's process killed, the vehicle's link pulled, pulled under canopy."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.desk import Bench, Desk
from tests.browser.station import ROOT, eventually

PAD_SHEET = ROOT / "server" / "pad" / "sheets" / "sandpiper-pad.toml"
AGO = r"\d+(\.\d)? s ago"
STATION_SILENT = r"not known for \d+(\.\d)? s: the station is silent"
IGNITE_S = 60


@pytest.fixture
def pad(tmp_path: Path) -> Iterator[Bench]:
    """A twin on the pad and a station with the Sandpiper's sheet, for one test that ends one of them."""
    with Bench(tmp_path, rate=5, pad_sheet=PAD_SHEET) as running:
        yield running


def show_all(desk: Desk) -> None:
    """Unfold the lines that the station looks at: folded, a line that stands is only counted."""
    desk.see("pad-fold").click()
    eventually(lambda: len(automatic(desk)) >= 11, 5)


def automatic(desk: Desk) -> dict[str, str]:
    """Return the visible words of every item that the station looks at itself, but for those of a sheet on paper."""
    items = desk.page.locator(".pad-item:not(.-manual):visible").all()
    words = {one.get_attribute("data-item"): " ".join(one.inner_text().split()) for one in items}
    words.pop("site-wind", None)
    return words


def all_met(desk: Desk) -> bool:
    """Whether all of them are met, and still are a second and a half later: some waver while a vehicle starts."""

    def are_met() -> bool:
        words = automatic(desk).values()
        return len(words) >= 11 and all(re.search(r"(?<!NOT )\bmet\b", text) and "unknown" not in text for text in words)

    if not are_met():
        return False
    desk.page.wait_for_timeout(1500)
    return are_met()


def unknown_everywhere(desk: Desk, summary: str, known: set[str]) -> None:
    """What rests on hearing is unknown on every place, and says what it was and how long ago."""
    desk.go("ready")

    def rest() -> list[str]:
        return [words for name, words in automatic(desk).items() if name not in known]

    eventually(lambda: all(re.search(rf"unknown, (?:not )?met {AGO}", words) for words in rest()), 20)
    eventually(lambda: desk.text("pad-summary") == summary, 5)
    assert re.search(rf"Unknown.*off, {AGO}", desk.page.locator(".camera:visible").first.inner_text(), re.DOTALL)
    assert "treat as armed" in desk.text("channel-1-state") and "treat as released" in desk.text("board-state")
    assert desk.text("status-battery") == desk.text("status-height") == desk.text("status-phase") == "Unknown"
    notes = desk.page.locator(".status-line .note").all_inner_texts()
    assert re.fullmatch(rf"\d\.\d\d V, {AGO}", notes[4]) and re.fullmatch(rf"pad, {AGO}", notes[1]), notes
    desk.see("ready-more").click()
    eventually(lambda: re.search(rf"unknown; \d\.\d\d V, {AGO}", desk.page.locator(".power:visible").inner_text()), 5)
    desk.go("try")
    eventually(lambda: "ago" in desk.page.locator(".fin:visible").first.inner_text(), 5)
    assert re.search(rf"unknown; .*\d.*, {AGO}", desk.page.locator(".fin:visible").first.inner_text())
    desk.go("watch")
    eventually(lambda: desk.text("readout-height") == desk.text("readout-tilt") == "\N{EN DASH}\N{EN DASH}", 5)
    eventually(lambda: re.search(rf"unknown; .*, {AGO}", desk.page.locator(".scope-words:visible").inner_text()))
    assert re.search(rf"unknown; .*, {AGO}", desk.page.locator(".climb-says:visible").inner_text())


def test_a_station_that_died_leaves_nothing_green(pad: Bench, browser: object) -> None:
    desk = Desk(browser, pad.links[0])
    show_all(desk)
    eventually(lambda: all_met(desk), 20)
    assert desk.text("status-alarms") == "None" and desk.see("safe-all").is_enabled()
    pad.station.process.kill()
    eventually(lambda: desk.there("banner-silent"), 15)
    unknown_everywhere(desk, "1 of 20 stand, 13 unknown – 6 for you", known=set())

    assert desk.text("status-alarms") == "Unknown" and desk.text("status-recording") == "Unknown"
    desk.see("alarms-open").click()
    eventually(lambda: re.search(STATION_SILENT, desk.page.locator("#alarms").inner_text(), re.IGNORECASE))
    assert "No alarm stands" not in desk.page.locator("#alarms").inner_text()

    said = desk.text("banner-silent")
    assert "The station does not answer: nothing can be sent from here." in said
    assert "keep clear" in said and "safing key" in said and "range safety officer" in said
    assert desk.see("safe-all").get_attribute("data-tone") == "gone" and desk.see("safe-all").is_disabled()
    assert "nothing can be sent" in desk.text("safe-all")
    desk.page.keyboard.press("Shift+Escape")
    eventually(lambda: "nothing was sent" in desk.text("notice"), 5)
    desk.close()


def test_a_vehicle_that_is_lost_leaves_nothing_known_and_safe_all_goes_out_blind(pad: Bench, browser: object) -> None:
    desk = Desk(browser, pad.links[0])
    show_all(desk)
    eventually(lambda: all_met(desk), 20)
    pad.relay.unplug()
    eventually(lambda: desk.text("status-alarms") == "1", 20)
    # The station itself counts the warnings, and that the vehicle is lost is one.
    unknown_everywhere(desk, "1 of 20 stand, 1 NOT met, 12 unknown – 6 for you", known={"warnings"})
    desk.go("ready")
    assert "NOT met 1" in automatic(desk)["warnings"]

    assert desk.text("status-recording") == "On", "the station's own"
    assert "blind" in desk.text("safe-all") and "nothing confirms it" in desk.text("safe-all")
    assert "every 0.8 s until it answers" in desk.see("safe-all").get_attribute("title")
    assert desk.see("safe-all").is_enabled()
    desk.see("alarms-open").click()
    eventually(lambda: "Safe all goes out blind" in desk.page.locator("#alarms").inner_text())
    listed = desk.page.locator("#alarms").inner_text()
    assert "Safe all goes out blind, every 0.8 s until it answers" in listed and "range safety officer" in listed
    assert re.search(r"other alarms: not known for \d+(\.\d)? s: the vehicle is silent", listed, re.IGNORECASE)
    lasts = re.search(r"for 0:(\d\d)", listed)
    assert lasts
    eventually(lambda: re.search(r"for 0:(0[5-9]|[1-5]\d)", desk.page.locator("#alarms").inner_text()), 12)
    desk.close()


def test_a_link_lost_under_canopy_points_to_where_it_lies_and_says_what_was_heard(tmp_path: Path, browser: object) -> None:
    with Bench(tmp_path, rate=4, ignite_s=IGNITE_S) as bench:
        desk = Desk(browser, bench.links[0])
        desk.go("find")
        desk.page.wait_for_function(
            """() => {
              const read = (id) => document.querySelector(`[data-testid="status-${id}"]`).innerText;
              return read("phase") === "Descent" && parseFloat(read("height")) < 62;
            }""",
            polling=50,  # without it, on every frame, and frames are asked for to do so
            timeout=60_000,
        )
        bench.relay.unplug()
        eventually(lambda: desk.text("status-height") == "Unknown", 20)
        told = next(e["body"] for e in reversed(bench.journal()) if e["topic"] == "figure" and e["key"] == "recovery")
        assert told["whereabouts_basis"] == "forecast"
        assert desk.text("recovery-distance") == f"{told['whereabouts_distance_m']:.0f} m"
        assert desk.text("recovery-bearing") == f"{round(told['whereabouts_bearing_deg']) % 360:03d}\N{DEGREE SIGN}"
        words = desk.text("recovery-basis")
        assert words.startswith("Predicted landing") and f"within {told['whereabouts_radius_m']:.0f} m" in words
        last = desk.text("recovery-last")
        assert re.search(rf"^Last heard \d+ m, \d\d\d\N{{DEGREE SIGN}} [NESW]+, [3-6]\d m up, {AGO}", last), last
        chutes = desk.page.locator(".chutes .state-word:visible").all_inner_texts()
        assert chutes and all(text == "Fired" for text in chutes), chutes
        assert re.search(rf"heard {AGO}", desk.page.locator(".chutes:visible").inner_text())
        desk.close()
