"""On the pad: tilt from gravity, bias from stillness, and the doubt of both, against geometry and repeated draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from protocol.units import GRAVITY_M_S2
from server.flight.inertial.leveling import FORCE_BIAS, GYRO_BIAS, GYRO_DRIFT, TILT, Rest, UnitErrors, at_rest, start_of
from server.flight.inertial.rotations import inverse, matrices, product, vector_of

T = np.arange(0.0, 10.0, 0.02)


def _pad(tilt_deg: float, seed: int, bias: np.ndarray, gyro: np.ndarray) -> tuple[Rotation, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = Rotation.from_euler("ZY", [0.7, np.radians(tilt_deg)])
    force = truth.inv().apply([0.0, 0.0, GRAVITY_M_S2]) + bias + rng.normal(0.0, 0.1, (len(T), 3))
    return truth, force, gyro + rng.normal(0.0, 0.002, (len(T), 3))


def test_a_tilt_is_read_from_gravity_and_a_bias_from_stillness() -> None:
    gyro = np.radians([0.4, -0.7, 0.2])
    truth, force, rates = _pad(6.0, 1, np.zeros(3), gyro)
    rest = at_rest(T, force, rates, 10.0)
    assert isinstance(rest, Rest) and not rest.is_shaken and abs(rest.length_off_m_s2) < 0.02
    start = start_of(rest, UnitErrors())
    up = matrices(start.quaternion)[2]
    assert np.degrees(np.arccos(up[2])) == pytest.approx(6.0, abs=0.1)
    assert up == pytest.approx(truth.inv().apply([0.0, 0.0, 1.0]), abs=2e-3)
    assert start.known[GYRO_BIAS] == pytest.approx(gyro, abs=5e-4)


def test_the_doubt_of_tilt_and_bias_holds_over_many_units_and_both_stay_tied() -> None:
    """Tilt of an accelerometer at rest is in doubt by bias over gravity (arc tangent of small angles)."""
    errors, weighed = UnitErrors(force_scale=1e-6, force_cross=1e-6), []
    rng = np.random.default_rng(2)
    for seed in range(200):
        bias = rng.normal(0.0, errors.force_bias_m_s2, 3)
        truth, force, rates = _pad(4.0, seed, bias, np.zeros(3))
        rest = at_rest(T, force, rates, 10.0)
        assert isinstance(rest, Rest)
        start = start_of(rest, errors, 0.0)
        spin = product(np.roll(truth.as_quat(), 1), inverse(start.quaternion))
        start = start_of(rest, errors, 2.0 * float(np.arctan2(spin[3], spin[0])))
        turn = vector_of(product(start.quaternion, inverse(np.roll(truth.as_quat(), 1))))
        off = np.concatenate([turn[:2], bias - start.known[FORCE_BIAS]])
        place = [0, 1, *range(FORCE_BIAS.start, FORCE_BIAS.stop)]
        weighed.append(off @ np.linalg.solve(start.covariance[np.ix_(place, place)] + 1e-9 * np.eye(5), off))
    tilt_sigma = np.sqrt(start.covariance[0, 0])
    assert tilt_sigma == pytest.approx(errors.force_bias_m_s2 / GRAVITY_M_S2, rel=0.05)
    inside = np.mean(np.array(weighed) < 11.07)  # chi-square, five degrees of freedom, 95 %
    assert 0.9 < inside <= 1.0
    assert np.mean(weighed) == pytest.approx(5.0, abs=0.5)


def test_a_drift_is_taken_along_and_a_calm_gyro_has_none() -> None:
    truth, force, rates = _pad(2.0, 3, np.zeros(3), np.zeros(3))
    calm = at_rest(T, force, rates, 10.0)
    assert isinstance(calm, Rest) and calm.wanders == (False, False, False) and not calm.drift.any()
    drifting = rates + np.outer(T, np.radians([0.06, 0.0, 0.0]))
    rest = at_rest(T, force, drifting, 10.0)
    assert isinstance(rest, Rest) and rest.wanders == (True, False, False)
    assert rest.drift[0] == pytest.approx(np.radians(0.06), rel=0.05)
    doubt = np.sqrt(np.diagonal(start_of(rest, UnitErrors()).covariance)[GYRO_DRIFT])
    assert doubt[0] > 0.05 * np.radians(0.06) and doubt[1] == doubt[2] == 0.0


def test_only_the_still_time_after_a_touch_counts_and_a_shaken_pad_is_told() -> None:
    truth, force, rates = _pad(2.0, 4, np.zeros(3), np.zeros(3))
    touched = rates.copy()
    touched[100:150] += 0.5
    rest = at_rest(T, force, touched, 10.0)
    assert isinstance(rest, Rest) and not rest.is_shaken and rest.middle_s > 6.0
    rng = np.random.default_rng(5)
    shaken = at_rest(T, force + rng.normal(0.0, 2.5, force.shape), rates, 10.0)
    assert isinstance(shaken, Rest) and shaken.is_shaken
    assert shaken.force_sigma.max() > 5.0 * rest.force_sigma.max()


def test_what_is_no_pad_is_said() -> None:
    _, force, rates = _pad(2.0, 6, np.zeros(3), np.zeros(3))
    assert "hardly heard" in str(at_rest(T[:5], force[:5], rates[:5], 10.0))
    assert "not gravity" in str(at_rest(T, 0.2 * force, rates, 10.0))
    broken = np.full_like(rates, np.nan)
    assert "hardly heard" in str(at_rest(T, force, broken, 10.0))


def test_a_heading_s_doubt_is_the_one_given() -> None:
    _, force, rates = _pad(2.0, 7, np.zeros(3), np.zeros(3))
    rest = at_rest(T, force, rates, 10.0)
    assert isinstance(rest, Rest)
    assert start_of(rest, UnitErrors(), 0.3, 0.2).covariance[TILT, TILT][2, 2] == pytest.approx(0.04)
