"""A recording opened beside a live vehicle: Safe all from everywhere, no other command, and nothing mistaken for live."""

from __future__ import annotations

from tests.browser.desk import PLACES, Bench, Desk
from tests.browser.station import eventually


def safed(bench: Bench) -> int:
    """Count the safe-alls that telemetry has verified."""
    return sum(view["command"] == "safe_all" and view["state"] == "verified" for view in bench.commands())


def safe_from_everywhere(bench: Bench, desk: Desk) -> None:
    """Make safe on every place, by mouse and by keys; each must reach the vehicle, and once."""
    done = safed(bench)
    for place in PLACES:
        desk.go(place)
        for act in (lambda: desk.see("safe-all").click(), lambda: desk.page.keyboard.press("Shift+Escape")):
            up, done = bench.relay.up, done + 1
            act()
            eventually(lambda up=up: bench.relay.up > up, 6)  # looking at the journal costs more: not before it can be
            eventually(lambda done=done: safed(bench) == done, 6)


def open_recording(desk: Desk) -> None:
    """Open the calm sample from the shelf."""
    desk.go("learn")
    desk.see("session-open-calm").click()
    desk.see("replay-banner").wait_for()


def test_safe_all_from_every_place_by_mouse_and_by_keys(bench: Bench, browser: object) -> None:
    desk = Desk(browser, bench.links[0])
    safe_from_everywhere(bench, desk)
    desk.go("try")
    desk.see("channel-filter").fill("nav")  # typing in a field does not take the keys away
    before = safed(bench)
    desk.see("channel-filter").press("Shift+Escape")
    eventually(lambda: safed(bench) == before + 1, 6)
    desk.close()


def test_a_recording_beside_a_live_vehicle(bench: Bench, browser: object) -> None:
    desk = Desk(browser, bench.links[0])
    desk.do("board_release")
    desk.open("channel_arm", channel="3")
    desk.get_ready()
    up = bench.relay.up
    open_recording(desk)

    # What was ready is dropped and authority is given up; the live vehicle stays in sight.
    eventually(lambda: bench.asked()[-1]["state"] in ("abandoned", "cancelled"))
    holders = [entry["body"]["holder"] for entry in bench.journal() if entry["topic"] == "authority"]
    assert holders[-1] is None
    assert bench.relay.up == up
    words = desk.text("replay-banner")
    assert "no command can be given from here; Safe all still reaches the live vehicle" in words
    eventually(lambda: "link up" in desk.text("replay-live") and "board RELEASED" in desk.text("replay-live"))
    assert "reaches the live vehicle" in desk.text("safe-all")

    # The header is the recording's, with its clock, and no command control is left.
    for place in PLACES:
        desk.go(place)
        labels = desk.page.locator(".status-line .label").all_inner_texts()
        assert labels and all(label.endswith("recorded") or label == "Recording" for label in labels)
        assert desk.text("status-recording") == "Ended"
        assert desk.text("replay-clock").startswith(desk.text("status-clock"))  # at rest to the millisecond
        command = (".dock", ".who-commands", ".desk-sheet", ".camera-acts", ".channel-acts", "[data-testid^=command-]")
        assert desk.page.locator(", ".join(f"{one}:visible" for one in command)).count() == 0, place

    safe_from_everywhere(bench, desk)
    eventually(lambda: "RELEASED" not in desk.text("replay-live"))
    assert {view["command"] for view in bench.commands()[-5:]} == {"safe_all"}

    # Back to live: authority is not taken by itself.
    desk.see("back-to-live").click()
    eventually(lambda: desk.text("who-commands") == "Nobody commands")
    assert not desk.page.locator(".status-line .label").first.inner_text().endswith("recorded")
    desk.close()


def test_authority_handed_to_a_page_in_a_replay_is_not_kept(bench: Bench, browser: object) -> None:
    ada, ben = Desk(browser, bench.links[0]), Desk(browser, bench.links[0])
    open_recording(ben)
    ada.dock()
    ada.page.locator('.command-buttons button:visible:has-text("Hand over to")').first.click()
    eventually(lambda: ada.text("who-commands") == "Nobody commands")
    for desk in (ada, ben):
        desk.close()


def test_a_viewer_has_no_safe_all_and_is_told_why(bench: Bench, browser: object) -> None:
    viewer = Desk(browser, bench.address)
    assert not viewer.see("safe-all").is_enabled() and "view only" in viewer.text("safe-all")
    up = bench.relay.up
    viewer.page.keyboard.press("Shift+Escape")
    viewer.page.wait_for_timeout(500)
    assert bench.relay.up == up
    viewer.close()
