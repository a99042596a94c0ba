"""From rates to turns: the classical coning motion in closed form, scipy's integrator, and what gaps and noise cost."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from server.flight.inertial.rotations import chained, inverse, matrices, of_vector, product, vector_of
from server.flight.inertial.turning import gaps, integrals, kinks, lost_turn_rad, noise_of, turns_rad

HALF, TURNS = np.radians(5.0), 2.0 * np.pi * 2.0  # tests/SOURCES.md, coning: 5 degrees, 2 turns/s


def _coning(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return attitude and body rates of the cone, tests/SOURCES.md, strapdown-coning."""
    zero = np.zeros_like(t)
    side = np.sin(HALF / 2)
    q = np.column_stack([zero + np.cos(HALF / 2), side * np.cos(TURNS * t), side * np.sin(TURNS * t), zero])
    across, along = TURNS * np.sin(HALF), -TURNS * (1.0 - np.cos(HALF))
    return q, np.column_stack([-across * np.sin(TURNS * t), across * np.cos(TURNS * t), zero + along])


def _error_rad(q: np.ndarray, truth: np.ndarray) -> float:
    return float(np.linalg.norm(vector_of(product(q, inverse(truth)))))


@pytest.mark.parametrize(("rate_hz", "at_most_deg"), [(25.0, 0.12), (50.0, 0.012), (100.0, 0.0015), (400.0, 1e-4)])
def test_a_cone_is_followed_for_ten_seconds(rate_hz: float, at_most_deg: float) -> None:
    """Rates held over their step lose 0.144 degrees at 50 Hz, 0.036 at 100 and 0.0022 at 400 in the same time."""
    t = np.arange(0.0, 10.0 + 0.5 / rate_hz, 1.0 / rate_hz)
    truth, rates = _coning(t)
    assert np.degrees(_error_rad(chained(truth[0], turns_rad(t, rates))[-1], truth[-1])) < at_most_deg


def test_without_the_cross_term_a_cone_drifts_at_the_known_rate_and_with_it_not() -> None:
    """Per step b^2 / 2 (Wh - sin Wh) about the cone's axis (tests/SOURCES.md, strapdown-coning)."""
    step = 0.05
    t = np.arange(0.0, 20.0 + step / 2, step)
    fine = np.arange(0.0, 20.0 + step / 200, step / 100)
    truth, _ = _coning(t)
    increments = integrals(fine, _coning(fine)[1]).reshape(-1, 100, 3).sum(axis=1)
    drift = np.sin(HALF) ** 2 / 2.0 * (TURNS * step - np.sin(TURNS * step)) / step
    lost = _error_rad(chained(truth[0], increments)[-1], truth[-1]) / 20.0
    assert lost == pytest.approx(drift, rel=0.02)
    kept = _error_rad(chained(truth[0], turns_rad(fine, _coning(fine)[1]))[-1], truth[-1]) / 20.0
    assert kept < 1e-5 * lost


def test_a_turning_axis_against_scipys_integrator() -> None:
    def rates(t: np.ndarray) -> np.ndarray:
        return np.array([0.9 * np.sin(5 * t), 0.5 * np.cos(3 * t) + 0.2, 9.0 + 4.0 * np.sin(1.5 * t)])

    def slope(t: float, q: np.ndarray) -> np.ndarray:
        return 0.5 * product(q, np.concatenate([[0.0], rates(t)]))

    first = of_vector(np.array([0.1, -0.2, 0.4]))
    there = solve_ivp(slope, (0.0, 6.0), first, rtol=1e-11, atol=1e-12).y[:, -1]
    there /= np.linalg.norm(there)
    t = np.arange(0.0, 6.0 + 0.005, 0.01)
    assert _error_rad(chained(first, turns_rad(t, rates(t).T))[-1], there) < np.radians(2e-4)
    uneven = np.sort(np.concatenate([[0.0, 6.0], np.random.default_rng(5).choice(t[1:-1], 400, replace=False)]))
    assert _error_rad(chained(first, turns_rad(uneven, rates(uneven).T))[-1], there) < np.radians(0.3)


def test_a_constant_rate_is_exact() -> None:
    t = np.linspace(0.0, 1.5, 40)
    turns = turns_rad(t, np.tile(np.radians([20.0, -30.0, 400.0]), (40, 1)))
    last = chained(np.array([1.0, 0.0, 0.0, 0.0]), turns)[-1]
    expected = np.array([0.518270, -0.042588, 0.063882, -0.851764])  # tests/SOURCES.md, attitude-turns
    assert min(np.abs(last - expected).max(), np.abs(last + expected).max()) < 2e-6


def test_a_gap_is_seen_and_its_doubt_is_that_of_stretches_like_it() -> None:
    t = np.arange(0.0, 20.0, 0.02)
    rates = np.column_stack([np.sin(7.0 * t), np.zeros_like(t), np.full_like(t, 3.0)])
    kept = np.abs(t - 10.0) > 0.3
    lost = gaps(t[kept])
    assert lost.sum() == 1
    doubt = lost_turn_rad(t[kept], rates[kept])
    k = int(np.flatnonzero(lost)[0])
    assert np.count_nonzero(doubt.any(axis=1)) == 1 and doubt[k, 1] == 0.0 and doubt[k, 2] < 1e-9
    # Over all phases of 7 rad/s: the integral less the straight line's between the ends, root of the mean square.
    span = float(np.diff(t[kept])[k])
    wave = np.sin(7.0 * span / 2) * 2.0 / 7.0 - span * np.cos(7.0 * span / 2)
    assert doubt[k, 0] == pytest.approx(abs(wave) / np.sqrt(2.0), rel=0.25)


def test_noise_is_found_beneath_a_motion_and_a_step_between_two_samples_too() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 40.0, 0.02)
    values = np.column_stack([np.sin(2.0 * t) + rng.normal(0.0, 0.05, len(t)), np.where(t > 20.001, 60.0, 0.0)])
    assert np.median(noise_of(values)[:, 0]) == pytest.approx(0.05, rel=0.15)
    steps = kinks(values)[:, 1]
    assert np.flatnonzero(steps).tolist() == [1000] and steps.max() == 60.0


def test_the_nose_stays_on_its_cone() -> None:
    t = np.arange(0.0, 3.0, 0.01)
    truth, rates = _coning(t)
    up = matrices(chained(truth[0], turns_rad(t, rates)))[:, 2, 2]
    assert np.degrees(np.arccos(up)) == pytest.approx(5.0, abs=1e-3)
