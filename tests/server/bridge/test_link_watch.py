"""The downlink's state from port events, packets and time."""

from __future__ import annotations

import pytest

from server.bridge.link_watch import SILENT_AFTER_S, LinkState, LinkWatch


def open_watch() -> LinkWatch:
    watch = LinkWatch("radio")
    watch.on_port("open", "radio is open")
    return watch


def test_begins_closed_then_waits_then_is_up() -> None:
    watch = LinkWatch("radio")
    assert watch.now == LinkState("closed", "radio is not open yet") and not watch.up
    waiting = LinkState("waiting", "radio is open; nothing heard from the vehicle yet")
    assert watch.on_port("open", "radio is open") == waiting
    assert not watch.up and watch.age_s(1.0) is None
    assert watch.on_packet(1.0) == LinkState("up", "vehicle heard on radio")
    assert watch.up


def test_same_state_is_told_once() -> None:
    watch = open_watch()
    assert watch.on_port("open", "radio is open") is None
    watch.on_packet(1.0)
    assert watch.on_packet(1.1) is None
    assert watch.tick(1.2) is None


def test_silence_and_return() -> None:
    watch = open_watch()
    watch.on_packet(1.0)
    assert SILENT_AFTER_S == 2.0
    assert watch.tick(3.0) is None
    assert watch.tick(3.01) == LinkState("silent", "radio is open but the vehicle is not heard")
    assert not watch.up
    assert watch.tick(9.0) is None
    assert watch.age_s(9.0) == pytest.approx(8.0)
    assert watch.on_packet(9.0).state == "up"


@pytest.mark.parametrize("state", ["missing", "busy", "denied", "closed"])
def test_lost_port_is_not_up_and_only_opening_brings_it_back(state: str) -> None:
    watch = open_watch()
    watch.on_packet(1.0)
    assert watch.on_port(state, "why") == LinkState(state, "why")
    assert not watch.up
    assert watch.on_packet(1.1) is None, "a packet still on its way does not revive a port that is gone"
    assert watch.now == LinkState(state, "why")
    assert watch.age_s(2.0) == pytest.approx(1.0)
    assert watch.tick(60.0) is None
    assert watch.on_port("open", "radio is open").state == "waiting"
    assert not watch.up, "an open port is not yet a vehicle"
    assert watch.on_packet(61.0).state == "up"


def test_other_reason_for_the_same_state_is_told() -> None:
    watch = LinkWatch("radio")
    watch.on_port("missing", "one")
    assert watch.on_port("missing", "two") == LinkState("missing", "two")
