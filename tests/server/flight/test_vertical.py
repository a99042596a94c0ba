"""The vertical filter against the textbook matrices, closed-form motion with noise, spikes, gaps and bad numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import expm
from scipy.stats import chi2

from server.flight.vertical import HIGHEST_M_S2, REJECTED_IN_A_ROW, VerticalFilter, VerticalNoise

NOISE = VerticalNoise()
IMU_S, BARO_S = 0.04, 0.05


def discrete(dt: float, spectral: float) -> tuple[np.ndarray, np.ndarray]:
    """Return F and Q of a double integrator under white acceleration noise, by the matrix exponential.

    Source: C. F. Van Loan, "Computing integrals involving the matrix exponential", IEEE TAC 23 (1978).
    """
    a, g = np.array([[0.0, 1.0], [0.0, 0.0]]), np.array([[0.0, 0.0], [0.0, spectral]])
    whole = expm(np.block([[-a, g], [np.zeros((2, 2)), a.T]]) * dt)
    f = whole[2:, 2:].T
    return f, f @ whole[:2, 2:]


class Textbook:
    """The same model in matrices: x = F x + B u, P = F P F' + Q, gain P H' / (H P H' + R), no gate."""

    def __init__(self, height_m: float) -> None:
        self.x, self.p = np.array([height_m, 0.0]), np.diag([NOISE.height_m**2, 1.0])
        self.t, self.u, self.u_t = 0.0, 0.0, -1e9

    def move(self, t: float) -> None:
        dt = t - self.t
        if dt > 0:
            known = t - self.u_t <= 0.25
            sigma = NOISE.acceleration_m_s2 if known else NOISE.unknown_acceleration_m_s2
            f, q = discrete(dt, sigma**2 * 0.04)
            self.x = f @ self.x + np.array([dt * dt / 2, dt]) * (self.u if known else 0.0)
            self.p = f @ self.p @ f.T + q
            self.t = t

    def acceleration(self, t: float, u: float) -> None:
        self.move(t)
        self.u, self.u_t = u, t

    def height(self, t: float, z: float) -> None:
        self.move(t)
        h = np.array([1.0, 0.0])
        gain = self.p @ h / (h @ self.p @ h + NOISE.height_m**2)
        self.x = self.x + gain * (z - self.x[0])
        self.p = (np.eye(2) - np.outer(gain, h)) @ self.p


def covariance(filt: VerticalFilter) -> np.ndarray:
    return np.array([[filt.p_height, filt.p_cross], [filt.p_cross, filt.p_climb]])


def truth(t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Height, climb, acceleration: rest until 1 s, 40 m/s2 for 1.5 s, then free flight (closed form)."""
    on, off, a, g = 1.0, 2.5, 40.0, 9.80665
    up = np.clip(t - on, 0, off - on)
    free = np.maximum(t - off, 0)
    return a * up**2 / 2 + a * up * free - g * free**2 / 2, a * up - g * free, np.where(free > 0, -g, np.where(up > 0, a, 0))


def fly(filt, seed: int, until_s: float = 7.0, drop: float = 0.0, spike=None) -> list[tuple[float, float, float]]:
    """Feed noisy samples of `truth`; return (t, height, climb) after each barometer sample."""
    rng = np.random.default_rng(seed)
    samples = [(float(t), 0) for t in np.arange(0.0, until_s, IMU_S)]
    samples += [(float(t), 1) for t in np.arange(0.001, until_s, BARO_S)]
    out = []
    for t, kind in sorted(samples):
        height, _, acceleration = (float(v) for v in truth(np.array(t)))
        noise = rng.normal(0.0, 1.0)
        if rng.random() < drop:
            continue
        if kind == 0:
            filt.acceleration(t, acceleration + 0.3 * noise)
        else:
            filt.height(t, height + NOISE.height_m * noise + (spike(t) if spike else 0.0))
            if isinstance(filt, VerticalFilter):
                out.append((t, filt.height_m, filt.climb_m_s))
    return out


def test_equals_the_textbook_matrices_step_by_step() -> None:
    ours, book, rng = VerticalFilter(), Textbook(0.4), np.random.default_rng(3)
    ours.height(0.0, 0.4)
    t, height = 0.0, 0.4
    for _ in range(600):
        # Gaps up to a second: the acceleration is then too old to be believed.
        t += float(rng.choice([0.01, 0.02, 0.05, 0.3, 1.0], p=[0.4, 0.3, 0.2, 0.07, 0.03]))
        if rng.random() < 0.5:
            value = float(rng.normal(0, 20))
            ours.acceleration(t, value)
            book.acceleration(t, value)
        else:
            height = book.x[0] + float(rng.normal(0, 0.5))
            ours.height(t, height)
            book.height(t, height)
        assert (ours.height_m, ours.climb_m_s) == pytest.approx(tuple(book.x), rel=1e-7, abs=1e-7)
        assert np.allclose(covariance(ours), book.p, rtol=1e-7, atol=1e-9)
    assert ours.rejected == 0


def test_closed_form_flight_is_followed_without_bias_and_with_honest_variances() -> None:
    """Mean error over 60 flights near zero; the normalized error squared (Bar-Shalom's NEES) does not exceed its bound."""
    late = []
    for seed in range(60):
        filt = VerticalFilter()
        t, height, climb = np.array(fly(filt, seed)).T
        true_height, true_climb, _ = truth(t)
        error = np.stack([height - true_height, climb - true_climb])
        late.append((error[:, -1], error[:, -1] @ np.linalg.solve(covariance(filt), error[:, -1])))
        flying = t > 1.2
        assert np.abs(error[0, flying]).max() < 2.5 and np.abs(error[1, flying]).max() < 4.0
        assert np.sqrt((error[0, flying] ** 2).mean()) < 0.6, "no better than the barometer alone"
    errors = np.array([e for e, _ in late])
    assert np.abs(errors.mean(axis=0)).max() < 0.25
    # The accelerations here are better than the filter assumes, so it may be too modest but never too sure.
    assert sum(n for _, n in late) < chi2.ppf(0.999, 2 * 60)
    assert sum(n for _, n in late) > 0.02 * 2 * 60


def test_a_link_that_loses_half_of_all_samples_costs_little() -> None:
    t, height, climb = np.array(fly(VerticalFilter(), 5, drop=0.5)).T
    true_height, true_climb, _ = truth(t)
    late = t > 4.0
    assert np.abs(height - true_height)[late].max() < 2.0
    assert np.abs(climb - true_climb)[late].max() < 3.0


def test_ejection_spikes_are_left_out() -> None:
    def spike(t: float) -> float:
        return -150.0 if 4.0 <= t < 4.2 else 0.0

    plain, spiked = VerticalFilter(), VerticalFilter()
    fly(plain, 8, until_s=5.5)
    fly(spiked, 8, until_s=5.5, spike=spike)
    assert plain.rejected == 0 and spiked.rejected == 4
    assert abs(plain.height_m - spiked.height_m) < 0.1 and abs(plain.climb_m_s - spiked.climb_m_s) < 0.2


def test_a_barometer_that_keeps_disagreeing_is_believed_in_the_end() -> None:
    filt = VerticalFilter()
    filt.height(0.0, 0.0)
    for i in range(1, 40):
        filt.acceleration(i * 0.05, 0.0)
        filt.height(i * 0.05, 0.0)
    climb, t = filt.climb_m_s, 2.0
    for i in range(REJECTED_IN_A_ROW):
        assert abs(filt.height_m) < 0.5, i
        filt.acceleration(t, 0.0)
        filt.height(t, 500.0)
        t += 0.05
    assert filt.height_m == 500.0 and filt.climb_m_s == pytest.approx(climb, abs=1e-6)
    assert filt.rejected == REJECTED_IN_A_ROW
    for i in range(60):
        filt.acceleration(t + i * 0.05, 0.0)
        filt.height(t + i * 0.05, 500.0 + 20.0 * i * 0.05)
    assert filt.climb_m_s == pytest.approx(20.0, abs=0.5)


def test_only_disagreement_without_a_break_counts() -> None:
    filt, t = VerticalFilter(), 0.0
    filt.height(0.0, 0.0)
    for _ in range(3):
        for height in [0.0] * 40 + [500.0] * (REJECTED_IN_A_ROW - 1):
            t += 0.05
            filt.acceleration(t, 0.0)
            filt.height(t, height)
            assert abs(filt.height_m) < 1.0
    assert filt.rejected == 3 * (REJECTED_IN_A_ROW - 1)


def test_a_gap_opens_the_gate_so_that_the_vehicle_is_found_again() -> None:
    filt = VerticalFilter()
    fly(filt, 2, until_s=3.0)
    height, climb = (float(v) for v in truth(np.array(6.0))[:2])
    filt.height(6.0, height)
    for i in range(20):
        t = 6.0 + i * 0.05
        filt.height(t, float(truth(np.array(t))[0]))
    assert filt.rejected == 0
    assert filt.height_m == pytest.approx(float(truth(np.array(6.95))[0]), abs=1.0)
    assert filt.climb_m_s == pytest.approx(climb - 9.80665 * 0.95, abs=3.0)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e300, -HIGHEST_M_S2 * 1.001])
def test_a_bad_acceleration_changes_nothing(bad: float) -> None:
    one, two = VerticalFilter(), VerticalFilter()
    for filt in (one, two):
        filt.height(0.0, 1.0)
        filt.acceleration(0.02, 3.0)
    one.acceleration(0.06, bad)
    for filt in (one, two):
        filt.height(0.1, 1.1)
    assert (one.height_m, one.climb_m_s) == (two.height_m, two.climb_m_s)
    assert np.array_equal(covariance(one), covariance(two))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_height_that_is_no_number_neither_starts_nor_moves_it(bad: float) -> None:
    filt = VerticalFilter()
    filt.height(0.0, bad)
    assert filt.time_s is None
    filt.height(1.0, 5.0)
    filt.height(2.0, bad)
    assert (filt.time_s, filt.height_m, filt.rejected) == (1.0, 5.0, 0)


def test_samples_from_the_past_are_ignored() -> None:
    filt = VerticalFilter()
    filt.height(10.0, 5.0)
    filt.height(9.0, 800.0)
    filt.height(9.9, 5.5)
    filt.acceleration(9.5, 500.0)
    assert (filt.time_s, filt.height_m, filt.climb_m_s, filt.acceleration_m_s2) == (10.0, 5.0, 0.0, 0.0)
    assert filt.rejected == 0


def test_an_acceleration_before_the_first_height_waits_for_it() -> None:
    filt = VerticalFilter()
    filt.acceleration(0.9, 10.0)
    assert filt.time_s is None
    filt.height(1.0, 0.0)
    filt.acceleration(1.1, 10.0)
    assert filt.climb_m_s == pytest.approx(1.0) and filt.height_m == pytest.approx(0.05)
