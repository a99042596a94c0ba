"""Quaternions against tests/SOURCES.md, attitude-rows, and scipy's Rotation."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from server.twin import attitude

D = math.pi / 180.0
HALF = math.sqrt(0.5)

# tests/SOURCES.md, attitude-rows (computed with scipy): q, nose, tilt, azimuth (None: undefined), roll (None: undefined).
CASES = [
    ((1.0, 0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 0.0, None, 0.0),
    ((0.996195, 0.087156, 0.0, 0.0), (0.0, -0.173648, 0.984808), 10.0, 180.0, 0.0),
    ((0.996195, 0.0, 0.087156, 0.0), (0.173648, 0.0, 0.984808), 10.0, 90.0, 0.0),
    ((0.707107, 0.0, 0.0, 0.707107), (0.0, 0.0, 1.0), 0.0, None, 90.0),
    ((0.0, 1.0, 0.0, 0.0), (0.0, 0.0, -1.0), 180.0, None, None),
    ((0.951251, -0.086824, 0.150384, 0.254887), (0.241845, 0.241845, 0.939693), 20.0, 45.0, 30.0),
    ((0.499524, 0.021810, -0.037775, -0.865201), (-0.075479, 0.043578, 0.996195), 5.0, 300.0, -120.0),
]
# tests/SOURCES.md, attitude-turns, from q0 with constant body rate (computed with scipy): q0, deg/s, s, q1.
TURNS = [
    ((1.0, 0.0, 0.0, 0.0), (0.0, 0.0, 360.0), 0.25, (HALF, 0.0, 0.0, HALF)),
    ((1.0, 0.0, 0.0, 0.0), (10.0, 0.0, 0.0), 2.0, (0.984808, 0.173648, 0.0, 0.0)),
    ((1.0, 0.0, 0.0, 0.0), (20.0, -30.0, 400.0), 1.5, (0.518270, -0.042588, 0.063882, -0.851764)),
    ((0.951251, -0.086824, 0.150384, 0.254887), (3.0, 4.0, 0.0), 10.0, (0.833299, 0.076344, 0.522539, 0.163518)),
    ((HALF, 0.0, 0.0, HALF), (0.0, 90.0, 0.0), 1.0, (0.5, -0.5, 0.5, 0.5)),
]


@pytest.mark.parametrize(("q", "nose", "tilt", "azimuth", "roll"), CASES)
def test_rows(q, nose, tilt, azimuth, roll) -> None:
    assert attitude.to_world(q, (0.0, 0.0, 1.0)) == pytest.approx(nose, abs=3e-6)
    assert attitude.tilt_rad(q) / D == pytest.approx(tilt, abs=0.001)
    if roll is not None:
        assert attitude.roll_rad(q) / D == pytest.approx(roll, abs=0.001)
        made = attitude.from_tilt(tilt * D, (azimuth or 0.0) * D, roll * D)
        sign = 1.0 if sum(a * b for a, b in zip(made, q, strict=True)) > 0.0 else -1.0
        assert [sign * part for part in made] == pytest.approx(q, abs=1e-6)


@pytest.mark.parametrize(("q0", "rate", "seconds", "q1"), TURNS)
def test_constant_rate(q0, rate, seconds, q1) -> None:
    turned = attitude.turned(q0, tuple(w * D for w in rate), seconds)
    sign = math.copysign(1.0, sum(a * b for a, b in zip(turned, q1, strict=True)))
    assert [sign * part for part in turned] == pytest.approx(q1, abs=2e-6)


ANGLE = st.floats(-3.0, 3.0)


@given(ANGLE, ANGLE, ANGLE, ANGLE, ANGLE, ANGLE)
def test_rotation_agrees_with_scipy(a: float, b: float, c: float, x: float, y: float, z: float) -> None:
    there = Rotation.from_rotvec([a, b, c])
    q = tuple(there.as_quat(scalar_first=True))
    assert attitude.to_world(q, (x, y, z)) == pytest.approx(there.apply([x, y, z]), abs=1e-9)
    assert attitude.to_body(q, (x, y, z)) == pytest.approx(there.inv().apply([x, y, z]), abs=1e-9)
    after = (there * Rotation.from_rotvec([0.1 * x, 0.1 * y, 0.1 * z])).as_quat(scalar_first=True)
    ours = attitude.turned(q, (x, y, z), 0.1)
    assert abs(sum(p * r for p, r in zip(ours, after, strict=True))) == pytest.approx(1.0, abs=1e-9)


@given(ANGLE, ANGLE, st.floats(0.01, 3.0))
def test_leveling_sees_up_where_it_was_felt(x: float, y: float, z: float) -> None:
    q = attitude.from_up_in_body((x, y, z))
    length = math.sqrt(x * x + y * y + z * z)
    assert attitude.to_body(q, (0.0, 0.0, 1.0)) == pytest.approx((x / length, y / length, z / length), abs=1e-9)
    assert attitude.roll_rad(q) == pytest.approx(0.0, abs=1e-9)


def test_leveling_upside_down() -> None:
    assert attitude.tilt_rad(attitude.from_up_in_body((0.0, 0.0, -9.8))) == pytest.approx(math.pi)
