"""Command authority in a real browser: take over, hand over, a closed tab, and the two-person rule."""

from __future__ import annotations

from pathlib import Path

from tests.browser.desk import Bench, Desk
from tests.browser.station import eventually


def test_take_over_hand_over_and_a_closed_tab(bench: Bench, browser: object) -> None:
    first = Desk(browser, bench.links[0])
    assert first.text("who-commands") == "You command"
    first.dock()
    first.see("desk-name").fill("Ada")
    first.see("desk-rename").click()
    eventually(lambda: "as Ada 1" in first.text("desk-authority"))
    second = Desk(browser, bench.links[0])
    assert second.text("who-commands") == "Ada 1 commands"
    second.dock()
    assert not second.see("command-board_release").is_enabled(), "one person at a time"

    # Taken over while something is ready: said on the first page, dropped, nothing sent.
    first.open("board_release")
    first.get_ready()
    up = bench.relay.up
    second.go("ready")
    second.see("desk-take").click()
    eventually(lambda: "now holds command authority" in first.text("notice"))
    eventually(lambda: "dropped before sending" in first.text("desk-said"))
    assert "command authority changed" in first.text("desk-said")
    eventually(lambda: second.text("who-commands") == "You command")
    assert bench.commands()[-1]["state"] == "abandoned"
    first.page.wait_for_timeout(300)
    assert "operator 1 commands" in first.text("who-commands")

    # Handed back by name.
    second.page.get_by_role("button", name="Hand over to Ada 1").first.click()
    eventually(lambda: first.text("who-commands") == "You command")
    eventually(lambda: not first.there("notice"), 2)
    assert bench.relay.up == up

    # The tab closes while something is ready: dropped, nobody commands, and the other page says so.
    first.page.keyboard.press("Escape")
    first.open("board_release")
    first.get_ready()
    first.close()
    eventually(lambda: second.text("who-commands") == "Nobody commands")
    assert (bench.commands()[-1]["state"], bench.commands()[-1]["command"]) == ("abandoned", "board_release")
    assert bench.relay.up == up, "not one byte left"
    second.close()


def test_two_people_share_the_two_acts(tmp_path: Path, browser: object) -> None:
    with Bench(tmp_path, two_person=True) as bench:
        ada, ben = (Desk(browser, link) for link in bench.links)
        ada.dock()
        assert "Two-person rule" in ada.text("desk-others")

        # Declined by the second person: nothing is sent.
        ada.open("board_release")
        ada.get_ready()
        assert "Another person confirms" in ada.text("desk-countdown") and not ada.there("desk-confirm")
        eventually(lambda: "asks you to confirm" in ben.text("desk-from"))
        assert ben.text("desk-title") == "Release firing board"
        eventually(lambda: len(ben.locks()) >= 4 and "NOT met" not in str(ben.locks()))
        up = bench.relay.up
        ben.see("desk-cancel").click()
        eventually(lambda: "cancelled before sending" in ada.text("desk-said"))
        assert bench.relay.up == up
        for desk in (ada, ben):
            desk.page.keyboard.press("Escape")

        # Confirmed by the second person.
        ada.open("board_release")
        ada.get_ready()
        eventually(lambda: ben.there("desk-confirm"))
        ben.hold()
        for desk in (ada, ben):
            eventually(lambda desk=desk: "verified by telemetry" in desk.text("desk-said"))
            desk.close()
