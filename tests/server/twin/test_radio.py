"""The radio channel: link budget, order, bandwidth, burst loss, bit errors."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from server.twin.radio import Direction, PropagationPath, Radio, free_space_loss_db
from server.twin.sandpiper import ChannelNumbers, RadioNumbers

CLEAN = ChannelNumbers(enter_burst=0.0, loss_outside=0.0, bit_error_rate=0.0)


def channel(numbers=CLEAN, seed=1):
    return Direction(numbers, -110.0, random.Random(seed))


@pytest.mark.parametrize(("km", "loss"), [(0.1, 71.68), (0.5, 85.66), (1.0, 91.68), (5.0, 105.66), (10.0, 111.68)])
def test_free_space_loss(km: float, loss: float) -> None:
    # tests/SOURCES.md, free-space-loss: 915 MHz (ITU-R P.525).
    assert free_space_loss_db(km * 1000.0, 915e6) == pytest.approx(loss, abs=0.01)


@pytest.mark.parametrize(("meters", "dbm"), [(1000.0, -67.38), (5000.0, -81.36)])
def test_link_budget(meters: float, dbm: float) -> None:
    # tests/SOURCES.md, link-budget: 20 dBm, two 2.15 dBi antennas, free space only.
    numbers = RadioNumbers(other_losses_db=0.0, fading_db=0.0, ground_station_distance_m=0.0)
    path = PropagationPath(numbers, random.Random(1))
    path.step(0.01, (0.0, meters, 0.0))
    assert path.level_dbm == pytest.approx(dbm, abs=0.01)


def test_delay_and_bit_rate() -> None:
    # tests/SOURCES.md, serial-time: 64 bytes take 11.111 ms at 57600 baud.
    one = channel()
    one.send(b"x" * 64, 1.0, False)
    one.transmit(1.0)
    arrival = 1.0 + 0.011111 + CLEAN.delay_s
    assert one.received(arrival - 1e-4) == b""
    assert one.received(arrival + 1e-4) == b"x" * 64


def test_order_is_kept_and_nothing_is_lost_on_a_clean_channel() -> None:
    one, sent, out = channel(), b"", b""
    for index in range(300):
        frame = bytes([index % 256]) * 20
        one.send(frame, index * 0.01, True)
        sent += frame
        out += one.received(index * 0.01)
    one.transmit(10.0)
    assert out + one.received(10.0) == sent


def test_a_full_queue_drops_the_oldest_periodic_frame_and_never_an_answer() -> None:
    one = channel()
    # The first frame goes on the air at once; the answer has to wait behind it.
    one.send(b"first" * 12, 0.0, True)
    one.send(b"answer" * 10, 0.0, False)
    for index in range(200):
        one.send(bytes([index]) * 60, 0.0, True)
    one.transmit(5.0)
    out = one.received(5.0)
    assert out.startswith(b"first" * 12 + b"answer" * 10)
    assert out.endswith(bytes([199]) * 60)
    assert bytes([100]) * 60 not in out
    assert one.frames_dropped > 100
    # Half a second of bytes, and the frame already on the air.
    assert len(out) <= 0.5 * 5760 + 60


def test_burst_loss_has_its_share_and_its_length() -> None:
    # Stationary share of the burst state: enter/(enter + leave); mean burst 1/leave frames (Gilbert 1960).
    numbers = replace(CLEAN, enter_burst=0.02, leave_burst=0.1, loss_in_burst=1.0)
    one = channel(numbers, seed=3)
    lost = []
    for index in range(40000):
        before = one.frames_lost
        one.send(b"x" * 20, float(index), True)
        one.transmit(float(index))
        lost.append(one.frames_lost > before)
        one.received(index + 0.5)
    bursts = sum(1 for a, b in zip([False, *lost], lost, strict=False) if b and not a)
    assert sum(lost) / len(lost) == pytest.approx(0.02 / 0.12, rel=0.1)
    assert sum(lost) / bursts == pytest.approx(10.0, rel=0.1)


def test_bit_errors_come_at_their_rate() -> None:
    one = channel(replace(CLEAN, bit_error_rate=1e-4), seed=4)
    frame, damaged = bytes(50), 0
    for index in range(5000):
        one.send(frame, float(index), True)
        one.transmit(float(index))
        damaged += one.received(index + 0.5) != frame
    # 1 - (1 - 1e-4)^400 = 3.92 % of the frames.
    assert damaged / 5000 == pytest.approx(0.0392, rel=0.2)


def test_below_sensitivity_nothing_arrives() -> None:
    one = channel()
    one.level_dbm = -111.0
    one.send(b"x", 0.0, False)
    one.transmit(1.0)
    assert one.received(2.0) == b"" and one.frames_lost == 1


def test_uplink_holds_back_the_downlink() -> None:
    streams = (random.Random(seed) for seed in range(3))
    radio = Radio(RadioNumbers(up=CLEAN, down=CLEAN), *streams)
    radio.from_ground(b"u" * 64, 0.0)
    radio.down.send(b"d" * 64, 0.0, True)
    radio.step(0.05, 0.01, (0.0, 0.0, 0.0))
    assert radio.down.received(0.0222 + CLEAN.delay_s - 1e-3) == b""
    assert radio.down.received(0.0223 + CLEAN.delay_s) == b"d" * 64
    assert radio.up.received(1.0) == b"u" * 64
