"""Fin servos: travel, rate limit, linkage error, backlash."""

from __future__ import annotations

import random

import pytest

from server.twin.sandpiper import FinNumbers
from server.twin.servos import FinServos

NUMBERS = FinNumbers()


def settled(servos: FinServos, seconds: float = 1.0) -> tuple[float, ...]:
    for _ in range(round(seconds / 0.01)):
        servos.step(0.01)
    return servos.angles_rad


def test_reaches_the_angle_within_linkage_and_backlash() -> None:
    servos = FinServos(NUMBERS, random.Random(1))
    servos.command(3, 0.2)
    angle = settled(servos)[2]
    driven = 0.2 * NUMBERS.linkage_ratio[2] + NUMBERS.linkage_offset_rad[2]
    assert angle == pytest.approx(driven, abs=NUMBERS.backlash_rad / 2 + 1e-6)
    assert servos.measured_rad()[2] == pytest.approx(angle, abs=0.003)


def test_travel_limits_the_command() -> None:
    servos = FinServos(NUMBERS, random.Random(1))
    servos.command_all(1.0)
    assert servos.commanded == [NUMBERS.travel_rad] * 4


def test_never_turns_faster_than_the_servo() -> None:
    servos = FinServos(NUMBERS, random.Random(1))
    servos.command(1, -0.26)
    settled(servos)
    servos.command(1, 0.26)
    before = servos.angles_rad[0]
    for _ in range(20):
        servos.step(0.01)
        assert servos.angles_rad[0] - before <= NUMBERS.servo_rate_rad_s * 0.01 * 1.02
        before = servos.angles_rad[0]


def test_without_its_cable_nothing_turns_and_nothing_answers() -> None:
    servos = FinServos(NUMBERS, random.Random(1))
    servos.command_all(0.1)
    before = settled(servos)
    assert servos.bus_voltage_v(8.0, 1.0) == pytest.approx(7.88) and servos.frame_age_s() < 0.03
    servos.unplug()
    told = servos.measured_rad()
    servos.command_all(-0.2)
    assert settled(servos) == before and servos.moving == 0
    assert servos.measured_rad() == told, "the last good frame is all that is known"
    assert servos.frame_age_s() == pytest.approx(1.02) and servos.bus_voltage_v(8.0, 0.0) < 0.01


def test_backlash_is_the_difference_between_both_directions() -> None:
    servos = FinServos(NUMBERS, random.Random(1))
    servos.command(1, -0.1)
    settled(servos)
    servos.command(1, 0.05)
    rising = settled(servos)[0]
    servos.command(1, 0.2)
    settled(servos)
    servos.command(1, 0.05)
    falling = settled(servos)[0]
    assert falling - rising == pytest.approx(NUMBERS.backlash_rad, rel=1e-3)
