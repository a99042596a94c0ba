"""The Allan deviation against NIST SP 1065's test set and against allantools; what is read off simulated noise."""

from __future__ import annotations

import allantools
import numpy as np
import pytest

from protocol.arrays import Floats
from server.flight.calibration.allan import (
    FLICKER,
    TERMS,
    WALK,
    WHITE,
    allan,
    coefficients,
    degrees_of_freedom,
    deviations,
    even,
    overlapping_deviation,
)
from server.flight.calibration.estimate import UncalibratedFault


def thousand() -> Floats:
    """The 1000-point test set: tests/SOURCES.md, allan-test-set."""
    n, told = 1234567890, []
    for _ in range(1000):
        told.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(told)


def test_the_published_deviations_come_out() -> None:
    values = thousand()
    assert values[0] == pytest.approx(0.574890, abs=1e-6) and values.sum() == pytest.approx(489.774463, abs=1e-6)
    told = overlapping_deviation(values, np.array([1, 10, 100]))
    assert [f"{one:.6e}" for one in told] == ["2.922319e-01", "9.159953e-02", "3.241343e-02"]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_independent_library_says_the_same(seed: int) -> None:
    values = np.random.default_rng(seed).standard_normal(3000).cumsum() * 0.01
    factors = np.array([1, 2, 4, 8, 16, 32, 64, 128, 256, 512])
    _, theirs, _, _ = allantools.oadev(values, rate=25.0, data_type="freq", taus=factors / 25.0)
    assert overlapping_deviation(values, factors) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(("noise", "alpha"), [(WHITE, 0), (FLICKER, -1), (WALK, -2)])
@pytest.mark.parametrize("m", [1, 4, 32, 200])
def test_degrees_of_freedom_are_those_of_the_library(noise: int, alpha: int, m: int) -> None:
    """But for flicker at factor 1, where the library has less than one degree for a thousand points: a square is missing."""
    if noise == FLICKER and m == 1:
        assert degrees_of_freedom(1001, m, noise) == pytest.approx(2 * 999**2 / (2.3 * 1001 - 4.9))
        return
    assert degrees_of_freedom(1001, m, noise) == pytest.approx(float(allantools.edf_simple(1001, m, alpha)), rel=1e-9)


def test_bounds_hold_the_true_deviation_of_white_noise() -> None:
    held = []
    for seed in range(200):
        told = deviations(np.random.default_rng(seed).standard_normal(2000), 1.0)
        held.append((told.low <= told.tau_s**-0.5) & (told.tau_s**-0.5 <= told.high))
    assert 0.92 <= np.mean(held) <= 0.98


def test_white_noise_and_a_walk_are_read_off() -> None:
    """Closed forms of IEEE Std 952: white noise of s per sample is N = s sqrt(tau0); steps of q, K = q / sqrt(tau0)."""
    rng, tau0, count = np.random.default_rng(4), 0.04, 60_000
    values = 0.002 * rng.standard_normal(count) + np.cumsum(2e-6 * rng.standard_normal(count))
    value, sigma = coefficients(deviations(values, tau0))
    told = dict(zip(TERMS, zip(value, sigma, strict=True), strict=True))
    n, k = told["angle_random_walk"], told["rate_random_walk"]
    assert n[0] == pytest.approx(0.002 * np.sqrt(tau0), rel=0.02) and abs(n[0] - 0.0004) < 3 * n[1]
    assert k[0] == pytest.approx(2e-6 / np.sqrt(tau0), rel=0.5) and abs(k[0] - 1e-5) < 3 * k[1]


def test_what_is_too_short_or_full_of_holes_is_refused() -> None:
    with pytest.raises(UncalibratedFault, match="50 samples are too few"):
        deviations(np.ones(50), 1.0)
    t = np.delete(np.arange(1000) / 25.0, np.arange(100, 200))
    with pytest.raises(UncalibratedFault, match="10 % of the packets are missing"):
        even(t, np.zeros((900, 3)))


def test_a_lost_packet_is_bridged_and_a_wait_is_told_for_each_axis() -> None:
    rng = np.random.default_rng(5)
    t = np.delete(np.arange(20_000) / 25.0, [77, 5000])
    told = allan(t, 0.002 * rng.standard_normal((len(t), 3)))
    assert told.of("angle_random_walk").values == pytest.approx([0.0004] * 3, rel=0.03)
    assert "13 minutes" in told.said[0]
