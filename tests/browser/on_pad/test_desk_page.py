"""The command desk in a real browser: the two acts, every condition of a firing, Escape, sizes and names."""

from __future__ import annotations

import re
from pathlib import Path

from protocol.dictionary_file import load_dictionary
from tests.browser.desk import LAPTOP, PHONE, PLACES, Bench, Desk
from tests.browser.station import eventually

FIRE = "channel_fire"


def stopped_by(desk: Desk, lock: str) -> str:
    """Wait until the open sheet says that a condition is not met; the first act must be impossible. Return its words."""
    eventually(lambda: "NOT met" in desk.locks().get(lock, ""), 12)
    assert not desk.see("desk-arm").is_enabled(), lock
    return desk.locks()[lock]


def test_ground_test_release_arm_fire_safe_and_every_condition_of_firing(bench: Bench, browser: object) -> None:
    desk = Desk(browser, bench.links[0])
    tried = set()

    def stops(lock: str, reason: str) -> None:
        assert reason in stopped_by(desk, lock)
        tried.add(lock)

    # On the pad: firing is for the ground test only, and the board is inhibited.
    desk.open(FIRE, channel="1")
    stops("ground_test", "pad")
    desk.page.keyboard.press("Escape")
    desk.do("ground_test", on="enter")
    desk.open(FIRE, channel="1")
    stops("board_enabled", "board inhibited: yes")
    desk.page.keyboard.press("Escape")

    desk.do("board_release")
    assert desk.text("status-alarms") == "RELEASED"
    desk.open(FIRE, channel="1")
    stops("channel_armed", "armed: no")
    desk.page.keyboard.press("Escape")
    desk.do("channel_arm", by="keyboard", channel="1")
    assert desk.text("status-alarms") == "ARMED", "seen from the Bench, too"
    desk.go("ready")
    assert "ARMED" in desk.text("channel-1-state")
    assert "armed " in desk.page.locator('.channel:has([data-testid="channel-1-state"]):visible .facts').inner_text()

    # A hold let go too early sends nothing, however often.
    desk.open(FIRE, channel="1")
    desk.get_ready()
    up = bench.relay.up
    for _ in range(2):
        desk.see("desk-confirm").hover()
        desk.page.mouse.down()
        desk.page.wait_for_timeout(500)
        desk.page.mouse.up()
    assert bench.relay.up == up
    desk.hold()
    eventually(lambda: "verified by telemetry" in desk.text("desk-said"))
    desk.page.keyboard.press("Escape")
    desk.go("ready")
    eventually(lambda: "Fired" in desk.text("channel-1-state"))

    # Fired is open: no second firing. Then safe.
    desk.open(FIRE, channel="1")
    stops("channel_continuity", "continuity: no")
    desk.page.keyboard.press("Escape")
    desk.do("channel_arm", channel="2")
    desk.go("ready")
    desk.page.locator('[aria-label^="Safe Safe lateral motor, Motor 2"]').click()
    eventually(lambda: "Safe" in desk.text("channel-2-state"))

    # The link is lost: what was ready is dropped with it. Heard again, the link has to prove itself first.
    desk.do("channel_arm", channel="2")
    desk.open(FIRE, channel="2")
    desk.get_ready()
    up = bench.relay.up
    bench.relay.unplug()
    eventually(lambda: "dropped before sending" in desk.text("desk-said"), 6)
    assert "link lost" in desk.text("desk-said") and not desk.there("desk-confirm")
    desk.page.keyboard.press("Escape")
    desk.open(FIRE, channel="2")
    stops("link_fresh", "s")
    bench.relay.plug()
    stops("link_loss", "%")
    assert bench.relay.up == up, "nothing of it was sent"
    desk.page.keyboard.press("Escape")
    desk.see("safe-all").click()
    eventually(lambda: "verified safe" in desk.text("safe-all"))
    assert not desk.text("status-alarms").startswith(("ARMED", "RELEASED"))
    assert tried | {"near_vertical"} == {lock.name for lock in load_dictionary(None).commands[FIRE].interlocks}
    desk.close()


def test_a_vehicle_that_lies_down_is_not_fired(tmp_path: Path, browser: object) -> None:
    with Bench(tmp_path, rate=10, ignite_s=10) as bench:
        desk = Desk(browser, bench.links[0])
        bench.twin_line("^landed$", 40)
        desk.open(FIRE, channel="2")
        assert "Tilt under 30 degrees" in stopped_by(desk, "near_vertical")
        desk.close()


def test_the_second_act_is_always_in_sight_and_safe_all_never_covered(bench: Bench, browser: object) -> None:
    desk = Desk(browser, bench.links[0])
    desk.do("board_release")
    for size in (LAPTOP, PHONE):
        desk.page.set_viewport_size({"width": size[0], "height": size[1]})
        desk.open("channel_arm", channel="3")
        desk.get_ready()
        assert desk.text("desk-title") == "Arm lateral motor 3"
        see_both_acts(desk, size)
        take_back_by_escape(bench, desk)
    desk.see("safe-all").click()
    eventually(lambda: "verified safe" in desk.text("safe-all"))
    desk.close()


def see_both_acts(desk: Desk, size: tuple[int, int]) -> None:
    """The hold and its countdown lie inside the sheet and the window; Safe all lies free on every place."""
    sheet, status = desk.page.locator("#sheet").bounding_box(), desk.page.locator(".cell.-alarms").bounding_box()
    assert status["y"] + status["height"] <= sheet["y"], "what is released or armed stays in sight"
    for testid in ("desk-confirm", "desk-countdown", "desk-cancel"):
        box = desk.see(testid).bounding_box()
        assert sheet["y"] <= box["y"] and box["y"] + box["height"] <= sheet["y"] + sheet["height"] <= size[1], testid
    for place in PLACES:
        desk.go(place)
        safe, sheet = desk.see("safe-all").bounding_box(), desk.page.locator("#sheet").bounding_box()
        apart = safe["y"] + safe["height"] <= sheet["y"] or sheet["y"] + sheet["height"] <= safe["y"]
        assert apart or safe["x"] >= sheet["x"] + sheet["width"], place
        hit = "([x, y]) => document.elementFromPoint(x, y).closest('[data-testid]').dataset.testid"
        middle = [safe["x"] + safe["width"] / 2, safe["y"] + safe["height"] / 2]
        assert desk.page.evaluate(hit, middle) == "safe-all", place


def take_back_by_escape(bench: Bench, desk: Desk) -> None:
    """Escape takes back what is ready, then closes; nothing is sent."""
    if not desk.text("desk-countdown"):  # on a slow machine its time may have run out meanwhile
        desk.get_ready()
    up = bench.relay.up
    desk.page.keyboard.press("Escape")
    eventually(lambda: "Cancelled before anything was sent" in desk.text("desk-said"))
    desk.page.keyboard.press("Escape")
    eventually(lambda: not desk.there("desk-title"), 2)
    eventually(lambda: bench.asked()[-1]["state"] == "cancelled")
    assert bench.relay.up == up


def unnamed(desk: Desk) -> list[str]:
    """Return the controls that a screen reader could not name, as Chromium's accessibility tree has them."""
    session = desk.page.context.new_cdp_session(desk.page)
    roles = {"button", "textbox", "searchbox", "spinbutton", "combobox", "slider", "link", "checkbox"}
    nodes = session.send("Accessibility.getFullAXTree")["nodes"]
    found = [node for node in nodes if not node["ignored"] and node.get("role", {}).get("value") in roles]
    assert len(found) > 5
    names = [(node["role"]["value"], node.get("name", {}).get("value", "")) for node in found]
    return [f"{role} {name!r}" for role, name in names if not re.search("[A-Za-z]{2}", name)]  # "+" says nothing


def too_small(desk: Desk) -> list[str]:
    """Return the controls under 24 px (44 px for acts), except the track's ticks: their list reaches them all."""
    script = """() => [...document.querySelectorAll('button, input, select, a')].filter((el) => el.getClientRects().length)
      .filter((el) => !el.matches('.bar-mark')).map((el) => {
        const { width, height } = el.getBoundingClientRect();
        const least = el.matches('.act, .hold, .safe-all, .place-button, .bar-act') ? 44 : 24;
        return Math.round(width) < least || Math.round(height) < least
          ? `${el.className} ${el.textContent} ${width} x ${height}` : null;
      }).filter(Boolean)"""
    return desk.page.evaluate(script)


def test_every_control_has_a_name_and_is_large_enough(bench: Bench, browser: object) -> None:
    desk = Desk(browser, bench.links[0])
    for size in (LAPTOP, PHONE):
        desk.page.set_viewport_size({"width": size[0], "height": size[1]})
        desk.open("ground_test", on="enter")
        desk.get_ready()
        for place in PLACES:
            desk.go(place)
            desk.page.wait_for_timeout(100)
            assert (unnamed(desk), too_small(desk)) == ([], []), place
        take_back_by_escape(bench, desk)
    desk.go("learn")
    desk.see("session-open-calm").click()
    desk.see("replay-banner").wait_for()
    desk.page.wait_for_timeout(300)
    assert (unnamed(desk), too_small(desk)) == ([], []), "replay"
    desk.close()
