"""The control gate's truth table and the controller's response."""

from __future__ import annotations

import math

import pytest

from server.twin import attitude
from server.twin.roll_control import RollControl
from server.twin.sandpiper import ControlNumbers

NUMBERS = ControlNumbers(gate_altitude_m=100.0, gate_speed_m_s=20.0)
UP = (1.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("altitude", "speed", "in_flight", "flags", "enabled"),
    [
        (99.0, 25.0, True, (False, True), False),
        (101.0, 19.0, True, (True, False), False),
        (101.0, 25.0, True, (True, True), True),
        (101.0, 25.0, False, (False, False), False),
    ],
)
def test_gate(altitude: float, speed: float, in_flight: bool, flags: tuple[bool, bool], enabled: bool) -> None:
    control = RollControl(NUMBERS, 0.4)
    control.read_gate(altitude, speed, in_flight)
    control.step(in_flight, UP, 0.0, 500.0)
    assert (control.altitude_met, control.speed_met) == flags
    assert control.enabled is enabled


def test_once_open_only_speed_or_deployment_ends_it() -> None:
    control = RollControl(NUMBERS, 0.4)
    control.read_gate(101.0, 25.0, True)
    control.step(True, UP, 0.0, 500.0)
    control.read_gate(99.0, 25.0, True)
    control.step(True, UP, 0.0, 500.0)
    assert control.enabled
    control.step(False, UP, 1.0, 500.0)
    assert not control.enabled and control.command_rad == 0.0


def test_response_is_the_second_order_one_it_was_designed_for() -> None:
    # tests/SOURCES.md, damped-oscillation: angle'' + 2 zeta w angle' + w^2 angle = 0, from rest at a small angle.
    authority, q_pa, dt = 0.4, 1500.0, 0.001
    w, zeta = NUMBERS.roll_bandwidth_rad_s, NUMBERS.roll_damping
    control = RollControl(NUMBERS, authority)
    control.read_gate(150.0, 60.0, True)
    control.step(True, UP, 0.0, q_pa)
    angle, rate, wd = 0.02, 0.0, w * math.sqrt(1.0 - zeta**2)
    for step in range(1, 600):
        turn = control.step(True, attitude.from_tilt(0.0, 0.0, angle), rate, q_pa)
        rate += dt * authority * q_pa * turn
        angle += dt * rate
        t = step * dt
        decay = math.exp(-zeta * w * t)
        expected = 0.02 * decay * (math.cos(wd * t) + zeta * w / wd * math.sin(wd * t))
        assert angle == pytest.approx(expected, abs=0.0003)


def test_command_is_limited() -> None:
    control = RollControl(NUMBERS, 0.4)
    control.read_gate(150.0, 60.0, True)
    control.step(True, UP, 0.0, 500.0)
    assert control.step(True, UP, -50.0, 500.0) == NUMBERS.roll_limit_rad
    assert control.step(True, UP, 50.0, 500.0) == -NUMBERS.roll_limit_rad
