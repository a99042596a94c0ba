"""Alarms in a real browser: listed from every place, Safe all free, acknowledged by mouse and key, by operators only."""

from __future__ import annotations

import pytest

from tests.browser.desk import LAPTOP, PHONE, PLACES, Bench, Desk
from tests.browser.station import eventually

HITS_ITSELF = """(button) => {
  const box = button.getBoundingClientRect();
  const places = [[0.5, 0.5], [0.05, 0.1], [0.95, 0.9]];
  const hit = (x, y) => document.elementFromPoint(box.left + x * box.width, box.top + y * box.height);
  return places.every(([x, y]) => button.contains(hit(x, y)));
}"""
LOST = "acknowledge-link lost"


def alarmed(desk: Desk) -> None:
    eventually(lambda: desk.text("status-alarms") == "1", 20)


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
def test_the_list_opens_from_every_place_and_never_covers_safe_all(bench: Bench, browser: object, size: tuple) -> None:
    desk = Desk(browser, bench.links[0], size)
    try:
        for place in PLACES:
            desk.go(place)
            desk.see("alarms-open").click()
            assert desk.there("alarms-close") and desk.see("alarms-open").get_attribute("aria-expanded") == "true"
            assert desk.see("safe-all").evaluate(HITS_ITSELF), place
            desk.page.keyboard.press("Escape")
            assert not desk.there("alarms-close")
    finally:
        desk.close()


def test_seen_by_mouse_and_by_key_and_told_to_everybody(bench: Bench, browser: object) -> None:
    operator = Desk(browser, bench.links[0])
    viewer = Desk(browser, bench.address)
    try:
        bench.relay.unplug()
        for desk in (operator, viewer):
            alarmed(desk)
            desk.see("alarms-open").click()
        assert operator.see("alarms").inner_text().startswith("Warning: link lost")
        assert "Check radio, cable and antenna" in operator.text("alarms") and "for 0:" in operator.text("alarms")
        assert not viewer.there(LOST) and not viewer.there("acknowledge-all") and "Not acknowledged" in viewer.text("alarms")
        viewer.page.keyboard.press("a")
        operator.see(LOST).click()
        eventually(lambda: "Seen by operator 1" in viewer.text("alarms"), 5)
        eventually(lambda: not operator.there(LOST), 5)
        assert operator.page.locator(".cell.-alarms").get_attribute("data-tone") == "none", "quiet, and still listed"
        assert operator.text("status-alarms") == "1"

        # Over, and again: that is a new one, seen by nobody. The first press of the key only shows the list.
        bench.relay.plug()
        eventually(lambda: operator.text("status-alarms") == "None", 20)
        operator.page.keyboard.press("Escape")
        bench.relay.unplug()
        alarmed(operator)
        operator.page.keyboard.press("a")
        eventually(lambda: operator.there(LOST), 2)
        assert operator.page.locator(".cell.-alarms").get_attribute("data-tone") == "warning", "shown, not yet seen"
        operator.page.keyboard.press("a")
        eventually(lambda: "Seen by operator 1" in viewer.text("alarms"), 5)
        told = [entry["body"] for entry in bench.journal() if entry["topic"] == "acknowledged"]
        assert [body["operator"] for body in told[-2:]] == ["operator 1", "operator 1"]
        assert len({body["raised_rx"] for body in told[-2:]}) == 2
    finally:
        bench.relay.plug()
        eventually(lambda: operator.text("status-link") == "Up", 20)
        operator.close()
        viewer.close()
