"""The on-board estimate against motions whose answer is known."""

from __future__ import annotations

import math

import pytest

from server.twin import attitude
from server.twin.navigation import Navigation
from server.twin.sandpiper import NavigationNumbers

G = 9.80665
NO_BLEND = NavigationNumbers(ascent_bandwidth_rad_s=0.0, descent_bandwidth_rad_s=0.0, horizontal_bandwidth_rad_s=0.0)


def settled(accel=(0.0, 0.0, G), gyro=(0.0, 0.0, 0.0), numbers=NO_BLEND) -> Navigation:
    nav = Navigation(numbers, 291.0)
    for _ in range(1500):
        nav.read_pressure(94080.0)
        assert nav.settle(accel, gyro, 94080.0, 0.01)
    return nav


def test_levels_itself_and_learns_the_gyro_bias() -> None:
    tilt = math.radians(3.0)
    q = attitude.from_tilt(tilt, 1.0)
    nav = settled(attitude.to_body(q, (0.0, 0.0, G)), (0.01, -0.02, 0.005))
    assert nav.quaternion == pytest.approx(q, abs=1e-6)
    assert nav.rates == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


def test_constant_acceleration_gives_the_closed_form() -> None:
    # v = a t, s = a t^2/2.
    nav = settled()
    for _ in range(100):
        nav.advance((0.0, 0.0, G + 50.0), (0.0, 0.0, 0.0), 0.01, False, False)
    assert nav.velocity[2] == pytest.approx(50.0)
    assert nav.position[2] == pytest.approx(25.0)


def test_something_moving_is_not_held_still() -> None:
    nav = settled()
    assert nav.settle((0.0, 0.0, 40.0), (0.0, 0.0, 0.0), 94080.0, 0.01) is False


def test_pressure_pulls_a_wrong_height_right() -> None:
    nav = settled(numbers=NavigationNumbers())
    nav.position[2] = 20.0
    for _ in range(1500):
        nav.read_pressure(94080.0)
        nav.advance((0.0, 0.0, G), (0.0, 0.0, 0.0), 0.01, False, True)
    assert nav.position[2] == pytest.approx(0.0, abs=0.05)
    assert nav.velocity[2] == pytest.approx(0.0, abs=0.05)


def test_height_from_pressure_is_the_pad_referenced_one() -> None:
    # tests/SOURCES.md, pad-temperature: pad 98000 Pa at 30 C, 95000 Pa above: 275.07 m.
    nav = Navigation(NO_BLEND, 303.15)
    nav.read_pressure(98000.0)
    nav.read_pressure(95000.0)
    assert nav.altitude_baro_m == pytest.approx(275.07, abs=0.02)


def test_hanging_still_the_attitude_finds_gravity() -> None:
    nav = settled()
    true = attitude.from_tilt(math.radians(25.0), 2.0)
    for _ in range(2000):
        nav.advance(attitude.to_body(true, (0.0, 0.0, G)), (0.0, 0.0, 0.0), 0.01, True, False)
    assert attitude.tilt_rad(nav.quaternion) == pytest.approx(math.radians(25.0), abs=0.01)


def test_fixes_set_the_origin_on_the_pad_and_correct_in_flight() -> None:
    nav = settled(numbers=NavigationNumbers())
    for _ in range(500):
        nav.read_fix(3.0, -2.0, 0.2, False, False)
    for _ in range(300):
        nav.read_fix(13.0, 8.0, 0.2, True, False)
    # The observer's velocity part needs the strapdown to move it: only its pull on position is checked.
    assert nav.position[0] > 5.0 and nav.position[1] > 5.0
