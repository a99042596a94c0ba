"""Igniter channels: arming, expiry, firing, inhibit."""

from __future__ import annotations

from server.twin.firing import FiringBoard, Igniter
from server.twin.sandpiper import FiringNumbers


def test_unarmed_channel_never_fires() -> None:
    channel = Igniter(True)
    channel.fire(1.0)
    assert channel.step(2.0) is False
    assert channel.continuity and not channel.fired


def test_firing_burns_the_bridge_and_disarms() -> None:
    channel = Igniter(True)
    channel.arm(60.0)
    channel.fire(1.0)
    assert channel.step(0.99) is False
    assert channel.step(1.0) is True
    assert (channel.fired, channel.continuity, channel.armed) == (True, False, False)


def test_an_open_circuit_does_not_fire() -> None:
    channel = Igniter(False)
    channel.arm(None)
    channel.fire(1.0)
    assert channel.step(1.0) is False and not channel.fired


def test_safe_between_order_and_current_stops_the_firing() -> None:
    channel = Igniter(True)
    channel.arm(60.0)
    channel.fire(1.0)
    channel.safe()
    assert channel.step(1.0) is False and not channel.fired


def test_expiry_and_lasting_arm() -> None:
    brief, lasting = Igniter(True), Igniter(True)
    brief.arm(60.0)
    lasting.arm(None)
    for channel in (brief, lasting):
        channel.step(59.9)
    assert brief.armed and lasting.armed
    for channel in (brief, lasting):
        channel.step(60.0)
    assert not brief.armed and lasting.armed


def test_inhibit_safes_the_lateral_channels_only() -> None:
    board = FiringBoard(FiringNumbers())
    assert board.inhibited
    board.inhibited = False
    board.lateral[0].arm(60.0)
    board.recovery[0].arm(60.0)
    board.inhibit()
    assert board.inhibited and not board.lateral[0].armed and board.recovery[0].armed
    board.restart()
    assert not board.recovery[0].armed


def test_board_names_what_burned() -> None:
    board = FiringBoard(FiringNumbers())
    for channel in (board.lateral[2], board.recovery[1]):
        channel.arm(60.0)
        channel.fire(1.0)
    assert list(board.step(1.0)) == [("lateral", 3), ("recovery", 2)]
