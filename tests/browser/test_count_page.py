"""The count in a real browser: an operator moves it, watchers see it, a late one does not, and a replay shows the same."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.browser.desk import PHONE, Bench, Desk
from tests.browser.late_relay import LateRelay
from tests.browser.station import ROOT, Process, eventually

COUNTED = re.compile("T\u2212(\\d+):(\\d\\d)")
UNKNOWN = "T ?"


@pytest.fixture(scope="module")
def pad(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """A twin on the pad and a station with the Sandpiper's sheet."""
    sheet = ROOT / "server" / "pad" / "sheets" / "sandpiper-pad.toml"
    with Bench(tmp_path_factory.mktemp("count"), pad_sheet=sheet) as running:
        yield running


def seconds(desk: Desk) -> int:
    """Return the seconds before zero that a page shows."""
    found = COUNTED.fullmatch(desk.text("count-number"))
    return int(found[1]) * 60 + int(found[2]) if found else -1


def noticed(desk: Desk) -> str:
    """Return what the page says of a refusal, "" while it says nothing."""
    return desk.page.evaluate("document.querySelector('.notice:not([hidden])')?.innerText ?? ''")


def set_to(desk: Desk, wanted: int) -> None:
    """Set the count."""
    desk.see("count-seconds").fill(str(wanted))
    desk.see("count-set").click()
    eventually(lambda: seconds(desk) == wanted, 5)


def pressed(desk: Desk, act: str, state: str) -> None:
    """Press one of the count's buttons and wait for the state."""
    eventually(lambda: desk.see(f"count-{act}").is_enabled(), 5)
    desk.see(f"count-{act}").click()
    eventually(lambda: desk.text("count-state").startswith(state), 5)


def test_an_operator_counts_and_every_watcher_sees_it_hold(browser: object, pad: Bench) -> None:
    ada, watcher = Desk(browser, pad.links[0]), Desk(browser, pad.address, PHONE)
    sent = pad.relay.up
    set_to(ada, 90)
    pressed(ada, "run", "Running")
    eventually(lambda: 0 < seconds(watcher) < 90, 10)
    assert "fires nothing" in watcher.text("count-advice") and "voice rules" in watcher.text("count-advice")
    assert re.fullmatch(r"delay 0\.[0-5] s", watcher.text("count-delay"))
    assert COUNTED.match(watcher.text("status-clock")), "on every place, in the status line"
    assert not watcher.there("count-hold") and not watcher.there("count-set"), "a watcher has no acts"
    pressed(ada, "hold", "HELD")
    eventually(lambda: watcher.text("count-state") == "HELD, by operator 1", 5)
    assert seconds(watcher) == seconds(ada)
    pressed(ada, "recycle", "HELD")
    eventually(lambda: seconds(watcher) == 90, 5)
    assert pad.relay.up == sent, "nothing was sent to the vehicle"
    ada.close()
    watcher.close()


def test_it_holds_at_a_hold_point_and_neither_that_nor_red_lets_it_run(browser: object, pad: Bench) -> None:
    ada = Desk(browser, pad.links[0])
    set_to(ada, 32)
    pressed(ada, "run", "Running")
    eventually(lambda: ada.text("count-state") == "HELD" and seconds(ada) == 30, 15)
    assert "hold point: Spectators behind the line" in ada.text("count-why")
    ada.see("count-run").click()
    eventually(lambda: "Hold point: Spectators behind the line (T-0:30)" in noticed(ada), 5)
    ada.see("pad-tick-spectators").click()
    eventually(lambda: "hold point: Spectators behind the line (" not in ada.text("count-why"), 5)
    ada.page.locator('[data-item="wind-measured"] input:visible').fill("12")
    ada.see("pad-tick-wind-measured").click()
    # On a busy machine the link may be red beside it.
    eventually(lambda: re.search("Cannot run: not met: .*Wind measured at the pad", ada.text("count-why")), 5)
    ada.see("count-run").click()
    eventually(lambda: re.search("Not met on the pad sheet: .*Wind measured", noticed(ada)), 5)
    assert ada.text("count-state") == "HELD" and seconds(ada) == 30
    ada.close()


def test_a_watcher_far_away_sees_its_delay_and_no_late_number(browser: object, pad: Bench) -> None:
    relay = LateRelay(pad.address)
    try:
        watcher = Desk(browser, relay.address, PHONE)
        eventually(lambda: seconds(watcher) == 30, 10)
        relay.late_s = 0.9
        eventually(lambda: watcher.text("count-number") == UNKNOWN, 10)
        eventually(lambda: "too late to show the number here" in watcher.text("count-delay"), 5)
        assert float(re.search(r"delay ([\d.]+) s", watcher.text("count-delay"))[1]) > 0.5
        assert watcher.text("status-clock") == UNKNOWN
        assert watcher.text("count-state") == "HELD", "that it is held is said all the same"
        relay.late_s = 0.0
        eventually(lambda: seconds(watcher) == 30, 10)
        watcher.close()
    finally:
        relay.close()


def test_a_lost_station_leaves_it_unknown_and_a_replay_shows_the_same_count(
    browser: object, pad: Bench, tmp_path: Path
) -> None:
    watcher = Desk(browser, pad.address)
    eventually(lambda: seconds(watcher) == 30, 10)
    lines = pad.station.stop()
    eventually(lambda: watcher.text("count-number") == UNKNOWN, 10)
    assert watcher.text("count-state").startswith("Unknown")
    watcher.page.context.close()
    replay = Process(tmp_path, "replay", lines[-1].split(": ", 1)[-1], "--no-browser", "--http-port", "0")
    again = browser.new_context(viewport={"width": 1366, "height": 768}).new_page()
    again.goto(replay.line(r"Page: (http://\S+)")[1])
    eventually(lambda: again.evaluate("document.body.dataset.place") == "learn", 15)  # a recording opens there
    again.locator('[data-testid="place-ready"]').click()
    again.keyboard.press("End")
    number = again.locator('[data-testid="count-number"]:visible')
    eventually(lambda: number.inner_text() == "T\u22120:30", 15)
    assert again.locator('[data-testid="count-state"]:visible').inner_text() == "HELD"
    replay.stop()
