"""Clocks brought together: known offsets and drifts found again, and the impossible refused with its reason."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from server.flight.sensors.alignment import Alignment, SignalPair, align


def flight(t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return force along the nose and height of an invented flight at times t, lift-off at 20 s."""
    s = t - 20.0
    force = np.interp(s, [0.0, 0.06, 1.35, 1.5, 8.4, 8.5], [9.8, 84.0, 62.0, -3.2, 0.2, 9.8])
    force = force + np.where((s > 8.5) & (s < 9.0), 60.0 * np.exp(-((s - 8.7) ** 2) / 0.005), 0.0)
    height = np.where(s < 0, 0.0, np.where(s < 1.5, 30 * s**2, 67.5 + 90 * (s - 1.5) - 6.4 * (s - 1.5) ** 2))
    height = np.where(s > 8.5, 67.5 + 90 * 7 - 6.4 * 49 - 5.4 * (s - 8.5), height)
    return force, np.maximum(height, 0.0)


def pairs(offset: float, drift: float, seed: int, loss: float = 0.2, length: float = 90.0) -> list[SignalPair]:
    """Return radio samples (25 and 20 Hz, with losses) and an onboard log at 200 Hz on another clock."""
    rng = np.random.default_rng(seed)
    force_t = np.arange(0.0, length, 0.04)
    height_t = np.arange(0.013, length, 0.05)
    force_t, height_t = (t[rng.random(len(t)) > loss] for t in (force_t, height_t))
    other_t = np.arange(-5.0, length - 3.0, 0.005)
    true = offset + (1 + drift) * other_t
    log_force, log_height = flight(true)
    heard_force = flight(force_t)[0] + rng.normal(0, 0.15, len(force_t))
    heard_height = flight(height_t)[1] + rng.normal(0, 0.3, len(height_t))
    return [
        SignalPair("force", force_t, heard_force, other_t, log_force + rng.normal(0, 0.1, len(other_t))),
        SignalPair("height", height_t, heard_height, other_t, log_height + 620.0 + rng.normal(0, 0.2, len(other_t))),
    ]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("drift", [0.0, 40e-6, -150e-6])
def test_offset_and_drift_within_10_ms_over_the_flight(seed: int, drift: float) -> None:
    offset = float(np.random.default_rng(seed).uniform(-400.0, 400.0))
    # The other clock may have started anywhere.
    given = [SignalPair(p.name, p.reference_t + offset, p.reference, p.other_t, p.other) for p in pairs(0.0, drift, seed)]
    found = align(given)
    assert found.refused == "" and found.match > 0.9 and found.lead > 1.3
    at = np.array([10.0, 20.0, 40.0, 70.0])
    errors = found.to_reference(at) - (offset + (1 + drift) * at)
    assert np.abs(errors).max() < 0.010
    assert abs(errors[1]) < 4.0 * found.sigma_s + 0.002


def test_the_first_guess_is_what_scipy_correlates() -> None:
    given = pairs(3.0, 0.0, 1, loss=0.0)[0]
    grid = np.arange(0.0, 80.0, 0.02)
    a = np.interp(grid, given.reference_t, given.reference)
    b = np.interp(grid, given.other_t, given.other)
    lags = signal.correlation_lags(len(a), len(b))
    best = lags[signal.correlate(a - a.mean(), b - b.mean()).argmax()] * 0.02
    assert align([given]).offset_s == pytest.approx(best, abs=0.03)


def test_what_cannot_be_aligned_is_refused_with_the_reason() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 60.0, 0.05)
    noise = [rng.normal(size=len(t)) for _ in range(2)]
    assert "no offset" in align([SignalPair("x", t, noise[0], t, noise[1])]).refused
    wave = np.sin(2 * np.pi * t / 5.0)
    assert "more than one offset" in align([SignalPair("x", t, wave, t, wave)]).refused
    assert "no moving signal" in align([SignalPair("x", t, np.ones(len(t)), t, wave)]).refused
    assert "no moving signal" in align([]).refused
    assert "no moving signal" in align([SignalPair("x", t[:5], wave[:5], t, wave)]).refused
    short = np.arange(0.0, 2.0, 0.05)
    assert align([SignalPair("x", short, np.sin(short**2), short, np.sin(short**2))]).refused


def test_a_clock_in_another_unit_is_refused_with_the_reason() -> None:
    """Microseconds taken for seconds make three years of ninety seconds; a grid over them fills no memory."""
    given = pairs(31.7, 0.0, 1)
    by = [SignalPair(one.name, one.reference_t, one.reference, one.other_t * 1e6, one.other, one.is_level) for one in given]
    assert "unit" in align(by).refused
    turned = [SignalPair(one.name, one.other_t * 1e6, one.other, one.reference_t, one.reference) for one in by]
    assert "unit" in align(turned).refused


def test_a_signal_upside_down_is_no_match() -> None:
    given = pairs(0.0, 0.0, 2)[0]
    assert align([SignalPair("x", given.reference_t, -given.reference, given.other_t, given.other)]).refused


def test_spikes_gaps_and_numbers_that_are_none_do_not_move_it() -> None:
    given = pairs(0.0, 50e-6, 3)
    force = given[0]
    dirty = force.other.copy()
    dirty[::500] = 1e6
    dirty[::777] = np.nan
    dirty[4000:4400] = np.inf
    spoiled = SignalPair("force", force.reference_t, force.reference, force.other_t, np.clip(dirty, -200.0, 200.0))
    kept = (force.reference_t < 22.0) | (force.reference_t > 26.0)
    gap = SignalPair("force", force.reference_t[kept], force.reference[kept], spoiled.other_t, spoiled.other)
    found = align([gap, given[1]])
    assert found.refused == ""
    assert found.to_reference(np.array([20.0, 60.0])) == pytest.approx(np.array([20.0, 60.0]) * (1 + 50e-6), abs=0.01)


def test_signals_that_disagree_widen_the_doubt() -> None:
    one, two = pairs(0.0, 0.0, 5)
    late = SignalPair("late", two.reference_t + 0.08, two.reference, two.other_t, two.other)
    agreeing, torn = align([one, two]), align([one, late])
    assert torn.sigma_s > 2.0 * agreeing.sigma_s and torn.drift_sigma >= agreeing.drift_sigma >= 5e-5


def test_the_doubt_grows_away_from_the_middle() -> None:
    found = Alignment(0.0, sigma_s=0.003, middle_s=50.0, drift_sigma=1e-4)
    assert found.sigma_at(np.array([50.0, 10.0, 90.0])) == pytest.approx([0.003, 0.005, 0.005])


def test_the_shape() -> None:
    assert Alignment(2.0, 1e-3).to_reference(np.array([0.0, 10.0])) == pytest.approx([2.0, 12.01])
