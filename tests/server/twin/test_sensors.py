"""Sensors at rest on a tilted rail: what a perfect one reads, noise, saturation, quick changes."""

from __future__ import annotations

import math
import random
import statistics
from dataclasses import replace

import pytest

from server.twin.air import Air, Wind
from server.twin.motion import Motion
from server.twin.sandpiper import BarometerNumbers, ImuNumbers, Vehicle, changed
from server.twin.sensors import Barometer, Imu, Satellite


def motion(**changes) -> Motion:
    vehicle = changed(Vehicle(), {name.replace("__", "."): value for name, value in changes.items()})
    return Motion(vehicle, Air(vehicle.site), Wind(vehicle.wind, random.Random(1)))


def test_at_rest_it_feels_gravity_upward_in_body_axes() -> None:
    # Nose tilted 10 degrees east (azimuth 90): "up" leans toward body -x by the same angle.
    force = motion(rail__tilt_deg=10.0, rail__azimuth_deg=90.0).specific_force(0.6)
    assert force == pytest.approx((-9.80665 * math.sin(math.radians(10)), 0.0, 9.80665 * math.cos(math.radians(10))))


def test_on_the_rail_it_feels_thrust_over_mass() -> None:
    moving = motion(rail__tilt_deg=0.0)
    moving.ignite()
    for _ in range(20):
        moving.step()
    felt = moving.specific_force(moving.point.center_m)[2]
    # Thrust less drag over mass; the rail itself adds nothing along its axis.
    drag = moving.dynamic_pressure_pa * moving.aero.area_m2 * moving.aero.drag_boost
    assert felt == pytest.approx((moving.point.thrust_n - drag) / moving.point.mass_kg, rel=0.01)


def test_noise_and_bias_have_their_size() -> None:
    numbers = ImuNumbers()
    resting = motion(rail__tilt_deg=0.0)
    imu = Imu(numbers, random.Random(4))
    samples = [imu.sample(resting) for _ in range(3000)]
    z = [accel[2] for accel, _ in samples]
    assert statistics.pstdev(z) == pytest.approx(numbers.accel_noise_m_s2, rel=0.05)
    assert statistics.mean(z) == pytest.approx(9.80665, abs=4 * numbers.accel_bias_m_s2)
    x = [gyro[0] for _, gyro in samples]
    assert statistics.pstdev(x) == pytest.approx(numbers.gyro_noise_rad_s, rel=0.05)


def test_saturates_at_its_range() -> None:
    numbers = ImuNumbers(accel_range_m_s2=5.0, accel_bias_m_s2=0.0, accel_noise_m_s2=0.0)
    accel, _ = Imu(numbers, random.Random(1)).sample(motion(rail__tilt_deg=0.0))
    assert accel == pytest.approx((0.0, 0.0, 5.0))


def test_a_place_off_the_center_feels_the_turning() -> None:
    # Centripetal acceleration -w^2 l along the axis (textbook): spin about x, place 0.2 m ahead of the center.
    turning = motion(rail__tilt_deg=0.0)
    turning._state = (*turning._state[:10], 3.0, 0.0, 0.0)
    ahead = turning.specific_force(turning.point.center_m - 0.2)
    assert ahead[2] == pytest.approx(9.80665 - 9.0 * 0.2)


def test_barometer_reads_the_air_with_noise_and_reads_low_in_fast_flow() -> None:
    numbers = BarometerNumbers(bias_pa=0.0)
    resting = motion()
    samples = [Barometer(numbers, random.Random(seed)).sample(resting, 0.01) for seed in range(2000)]
    assert statistics.mean(samples) == pytest.approx(resting.air.pressure_pa(0.0), abs=0.3)
    assert statistics.pstdev(samples) == pytest.approx(numbers.noise_pa, rel=0.1)
    quiet = replace(numbers, noise_pa=0.0)
    still = Barometer(quiet, random.Random(1)).sample(resting, 0.01)
    resting.airspeed_m_s = 70.0
    fast = Barometer(quiet, random.Random(1)).sample(resting, 0.01)
    assert still - fast == pytest.approx(numbers.dynamic_share * resting.dynamic_pressure_pa)


def test_satellite_error_wanders_within_its_size() -> None:
    fixes = Satellite(1.5, 20.0, random.Random(3))
    east = [fixes.sample(motion_at_rest, 5.0)[0] for motion_at_rest in [motion()] for _ in range(3000)]
    assert statistics.pstdev(east) == pytest.approx(1.5, rel=0.15)
