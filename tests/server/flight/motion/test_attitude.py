"""Tilt, azimuth and roll against tests/SOURCES.md, attitude-rows, and scipy's Rotation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from server.flight.motion.attitude import azimuth_rad, nose_direction, roll_rad, tilt_rad

# tests/SOURCES.md, attitude-rows: (w, x, y, z), nose, tilt, azimuth, roll in degrees; None where undefined.
ROWS = [
    ((1.0, 0.0, 0.0, 0.0), (0.0, 0.0, 1.0), 0.0, None, 0.0),
    ((0.996195, 0.087156, 0.0, 0.0), (0.0, -0.173648, 0.984808), 10.0, 180.0, 0.0),
    ((0.996195, 0.0, 0.087156, 0.0), (0.173648, 0.0, 0.984808), 10.0, 90.0, 0.0),
    ((0.996195, -0.087156, 0.0, 0.0), (0.0, 0.173648, 0.984808), 10.0, 0.0, 0.0),
    ((0.707107, 0.0, 0.0, 0.707107), (0.0, 0.0, 1.0), 0.0, None, 90.0),
    ((0.707107, 0.707107, 0.0, 0.0), (0.0, -1.0, 0.0), 90.0, 180.0, 0.0),
    ((0.0, 1.0, 0.0, 0.0), (0.0, 0.0, -1.0), 180.0, None, None),
    ((0.951251, -0.086824, 0.150384, 0.254887), (0.241845, 0.241845, 0.939693), 20.0, 45.0, 30.0),
    ((0.499524, 0.021810, -0.037775, -0.865201), (-0.075479, 0.043578, 0.996195), 5.0, 300.0, -120.0),
    ((0.5, 0.5, 0.5, 0.5), (1.0, 0.0, 0.0), 90.0, 90.0, 90.0),
]


@pytest.mark.parametrize(("q", "nose", "tilt", "azimuth", "roll"), ROWS)
def test_published_row(q, nose, tilt, azimuth, roll) -> None:
    assert np.allclose(nose_direction(*q), nose, atol=3e-6)
    assert np.degrees(tilt_rad(*q)) == pytest.approx(tilt, abs=1e-3)
    shown = np.degrees(azimuth_rad(*q))
    assert np.isnan(shown) if azimuth is None else abs((shown - azimuth + 180) % 360 - 180) < 2e-3
    twist = np.degrees(roll_rad(*q))
    assert np.isnan(twist) if roll is None else twist == pytest.approx(roll, abs=1e-3)


def test_against_scipy_over_random_attitudes() -> None:
    rotations = Rotation.random(5000, random_state=3)
    x, y, z, w = rotations.as_quat().T
    nose = rotations.apply([0.0, 0.0, 1.0])
    assert np.allclose(np.stack(nose_direction(w, x, y, z), axis=1), nose, atol=1e-12)
    assert np.allclose(tilt_rad(w, x, y, z), np.arctan2(np.hypot(nose[:, 0], nose[:, 1]), nose[:, 2]), atol=1e-7)
    azimuth = azimuth_rad(w, x, y, z)
    assert ((azimuth >= 0) & (azimuth < 2 * np.pi)).all()
    level = nose[:, 0] + 1j * nose[:, 1]
    assert np.allclose(np.sin(azimuth) + 1j * np.cos(azimuth), level / np.abs(level), atol=1e-9)
    # Swing after twist is the whole attitude, and the swing's axis is horizontal: what "roll" means.
    roll = roll_rad(w, x, y, z)
    swing = rotations * Rotation.from_euler("z", roll[:, None]).inv()
    assert np.allclose(swing.as_rotvec()[:, 2], 0.0, atol=1e-9)


def test_q_and_minus_q_are_the_same_attitude() -> None:
    q = np.random.default_rng(1).normal(size=(4, 200))
    q /= np.linalg.norm(q, axis=0)
    for function in (tilt_rad, azimuth_rad, roll_rad):
        assert np.allclose(np.exp(1j * function(*q)), np.exp(1j * function(*-q)), atol=1e-12)


def test_small_tilts_keep_their_digits_and_length_does_not_matter() -> None:
    tiny = 1e-9
    q = np.array([np.cos(tiny / 2), np.sin(tiny / 2), 0.0, 0.0])
    assert tilt_rad(*q) == pytest.approx(tiny, rel=1e-9)
    assert tilt_rad(*(1.01 * q)) == pytest.approx(tiny, rel=1e-9)
    assert np.pi - tilt_rad(np.sin(tiny / 2), np.cos(tiny / 2), 0.0, 0.0) == pytest.approx(tiny, rel=1e-6)


def test_coning_holds_its_tilt_while_the_azimuth_runs() -> None:
    """tests/SOURCES.md, coning: 5 degrees at 2 turns/s; tilt stays, azimuth is 180 - 720 t."""
    turned, half = 4 * np.pi * np.array([0.0, 0.1, 0.25]), np.radians(2.5)
    q = (np.full(3, np.cos(half)), np.sin(half) * np.cos(turned), np.sin(half) * np.sin(turned), np.zeros(3))
    assert np.allclose(np.degrees(tilt_rad(*q)), 5.0, atol=1e-9)
    assert np.allclose((np.degrees(azimuth_rad(*q)) + 180) % 360 - 180, [-180, 108, 0], atol=1e-9)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 3e38, 1e300])
@pytest.mark.parametrize("place", range(4))
def test_a_bad_number_gives_no_warning_and_no_angle_out_of_nothing(bad: float, place: int) -> None:
    q = [np.array([0.5, 0.5]) for _ in range(4)]
    q[place] = np.array([0.5, bad])
    for function in (tilt_rad, azimuth_rad, roll_rad):
        good, wrong = function(*q)
        assert np.isfinite(good)
        if not np.isfinite(bad):
            assert np.isnan(wrong), function.__name__
