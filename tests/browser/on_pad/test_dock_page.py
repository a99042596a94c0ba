"""The command dock in a real browser: beside every place, never over what it moves; what a condition and a choice offer."""

from __future__ import annotations

import pytest

from tests.browser.desk import LAPTOP, PHONE, PLACES, Bench, Desk
from tests.browser.station import eventually

SMALL_LAPTOP = (1280, 720)
HIT = """([x, y]) => document.elementFromPoint(x, y)?.closest('#dock') !== null"""


def choice(desk: Desk, name: str) -> str:
    """Return what a choice on the sheet stands at, "" where nothing is offered."""
    return desk.see(f"arg-{name}").evaluate("node => node.value && node.selectedOptions[0].textContent")


@pytest.mark.parametrize("size", [LAPTOP, SMALL_LAPTOP])
def test_the_dock_stands_beside_every_place_and_covers_nothing(bench: Bench, browser: object, size: tuple) -> None:
    desk = Desk(browser, bench.links[0], size)
    for place in PLACES:
        desk.go(place)
        wide = desk.page.locator("#main").bounding_box()["width"]
        desk.page.keyboard.press("d")
        eventually(lambda: desk.there("commands-search"), 2)
        main, dock = (desk.page.locator(one).bounding_box() for one in ("#main", "#dock"))
        assert main["width"] < wide and main["x"] + main["width"] <= dock["x"] + 0.5, place
        assert dock["y"] + dock["height"] <= size[1] and dock["x"] + dock["width"] <= size[0] + 0.5
        assert desk.see("who-commands").get_attribute("aria-expanded") == "true"
        desk.page.keyboard.press("D")
        eventually(lambda: not desk.there("commands-search"), 2)
        assert desk.page.locator("#main").bounding_box()["width"] == wide

    # Everything about commanding stands in it, once; its letters typed into a field are no command.
    desk.go("ready")
    desk.see("who-commands").click()
    for testid in ("desk-authority", "commands-search", "mark-text", "command-channel_fire"):
        eventually(lambda testid=testid: desk.page.locator(f'[data-testid="{testid}"]').count() == 1, 2)
    desk.see("commands-search").fill("arm board d")
    desk.see("commands-search").press("d")
    assert desk.there("commands-search")
    desk.see("commands-search").fill("release")
    assert desk.page.locator("[data-testid^=command-]:visible").all_inner_texts() == ["Release firing board…"]
    desk.see("commands-search").fill("no such thing")
    assert "No command answers" in desk.page.locator("#dock").inner_text()
    desk.page.locator("body").click(position={"x": 700, "y": 90})
    desk.page.keyboard.press("Escape")
    eventually(lambda: not desk.there("commands-search"), 2)
    desk.close()


def test_who_only_watches_has_no_dock(bench: Bench, browser: object) -> None:
    viewer = Desk(browser, bench.address)
    viewer.page.keyboard.press("d")
    viewer.page.wait_for_timeout(400)
    assert viewer.page.locator("#dock:visible").count() == 0 and not viewer.there("who-commands")
    viewer.close()


def test_a_condition_that_is_not_met_leads_to_the_command_that_makes_it_true_and_back(bench: Bench, browser: object) -> None:
    desk = Desk(browser, bench.links[0])
    desk.open("ground_test")
    eventually(lambda: choice(desk, "on") != "", 12)
    if choice(desk, "on") == "leave":  # the tests of this folder share one vehicle, and one before may have entered it
        desk.do("ground_test", on="leave")
    desk.open("fin_move", fin="2")
    eventually(lambda: desk.text("desk-title") == "Move fin 2 to 0°", 2)
    eventually(lambda: "NOT met" in desk.locks()["ground_test"], 12)
    up = bench.relay.up
    desk.see("lock-act").click()
    eventually(lambda: desk.text("desk-title") == "Ground-test mode: enter", 2)
    desk.page.wait_for_timeout(600)
    assert bench.relay.up == up and desk.there("desk-arm"), "by its own usual path: nothing has left, two acts to go"
    desk.get_ready()
    assert not desk.there("desk-back"), "what is ready is not dropped by the way"
    desk.hold()
    eventually(lambda: "verified by telemetry" in desk.text("desk-said"), 10)
    desk.see("desk-back").click()
    eventually(lambda: desk.text("desk-title") == "Move fin 2 to 0°", 2)
    eventually(lambda: "NOT met" not in desk.locks()["ground_test"] and desk.see("desk-arm").is_enabled(), 12)
    desk.page.keyboard.press("Escape")

    # Firing: what a command can do has its button, what hands must do says so; the choice is carried over.
    desk.open("channel_fire", channel="3")
    eventually(lambda: "Release firing board…" in desk.locks()["board_enabled"], 12)
    assert "Arm lateral motor 3…" in desk.locks()["channel_armed"]
    desk.page.keyboard.press("Escape")

    # A choice offers the opposite of what is, told beside it.
    desk.open("ground_test")
    assert choice(desk, "on") == "leave" and "now: enter" in desk.page.locator("#dock .sheet-fields").inner_text()
    desk.get_ready()
    desk.hold()
    eventually(lambda: "verified by telemetry" in desk.text("desk-said"), 10)
    desk.open("ground_test")
    assert choice(desk, "on") == "enter"
    desk.open("camera_power", camera="2")
    assert choice(desk, "on") == "on"
    eventually(lambda: desk.text("desk-title") == "Camera power: camera 2, on", 2)

    # Nobody hears the vehicle: nothing is offered, and the page says why.
    bench.relay.unplug()
    try:
        eventually(lambda: desk.text("status-phase") == "Unknown", 15)
        desk.open("ground_test")
        assert choice(desk, "on") == ""
        assert "Not known what is so now: choose." in desk.page.locator("#dock .sheet-fields").inner_text()
        eventually(lambda: "Choose: leave or enter." in desk.text("desk-said") and not desk.see("desk-arm").is_enabled(), 2)
    finally:
        bench.relay.plug()
        eventually(lambda: desk.text("status-link") == "Up", 20)
    desk.close()


def test_on_a_phone_the_sheet_leaves_its_opener_free_and_goes_with_cancel(bench: Bench, browser: object) -> None:
    desk = Desk(browser, bench.links[0], PHONE)
    opener = desk.page.locator('.channel [aria-label^="Arm"]:visible').nth(1)
    opener.click()
    eventually(lambda: desk.there("desk-title"), 2)
    eventually(lambda: len(desk.locks()) > 5, 5)
    desk.page.wait_for_timeout(300)
    box, status = opener.bounding_box(), desk.page.locator("#top").bounding_box()
    assert box["y"] >= status["y"] + status["height"], "nor under the status line"
    assert not desk.page.evaluate(HIT, [box["x"] + box["width"] / 2, box["y"] + box["height"] - 2])
    desk.see("desk-cancel").click()
    eventually(lambda: desk.page.locator("#dock:visible").count() == 0, 2)
    desk.go("watch")
    assert desk.page.locator("#dock:visible").count() == 0
    desk.close()


UNDER = "([x, y]) => document.elementFromPoint(x, y)?.closest('button')?.innerText ?? ''"


def test_the_second_press_of_a_double_press_is_no_other_commands(bench: Bench, browser: object) -> None:
    """The dock takes its room when a command is begun: what then lies under the pointer was never meant."""
    desk = Desk(browser, bench.links[0])
    desk.go("ready")
    names = desk.page.locator(".channel:visible .act:visible", has_text="Arm")
    moved = []
    for i in range(names.count()):
        name, box = names.nth(i).inner_text(), names.nth(i).bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        desk.page.mouse.click(x, y)
        eventually(lambda: desk.there("desk-title"), 5)
        desk.page.wait_for_timeout(120)
        title = desk.text("desk-title")
        if "Arm" in (under := desk.page.evaluate(UNDER, [x, y])):
            moved.append((name, under))
        desk.page.mouse.down(click_count=2)
        desk.page.mouse.up(click_count=2)
        desk.page.wait_for_timeout(120)
        assert desk.text("desk-title") == title, name
        desk.page.keyboard.press("Escape")
        eventually(lambda: not desk.there("desk-title"), 5)
    assert moved, "no arming came to lie under another: the test looks at nothing"
    desk.close()


def test_the_sheet_of_an_arming_says_when_something_was_asked_for_since(bench: Bench, browser: object) -> None:
    desk = Desk(browser, bench.links[0])
    desk.open("camera_power", camera="1", on="off")  # as it is: the others find it so
    desk.see("desk-send").click()
    eventually(lambda: "verified" in desk.text("desk-said"), 10)
    desk.page.keyboard.press("Shift+Escape")
    eventually(lambda: "Since then: Safe all" in desk.text("desk-said"), 10)
    desk.close()
