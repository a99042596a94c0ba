"""Ends of range, gaps and stuck values are told, and nothing is integrated through them."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.inertial.inputs import CLIPPED, GAP, STUCK, Unit, rate_at_an_end, unit_of

T = np.arange(0.0, 20.0, 0.02)


def _samples(seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    force = np.array([0.0, 0.0, 9.8]) + rng.normal(0.0, 0.1, (len(T), 3))
    rates = rng.normal(0.0, 0.002, (len(T), 3))
    rates[:, 2] += np.where(T > 10.0, 5.0 * np.sin(T), 0.0)
    return force, rates


def _unit(t: np.ndarray, force: np.ndarray, rates: np.ndarray) -> Unit:
    unit = unit_of(t, force, rates, 10.0, 18.0, 12.0)
    assert unit is not None
    return unit


def test_a_calm_unit_has_no_troubles() -> None:
    unit = _unit(T, *_samples())
    assert unit.troubles == () and unit.rates_until_s == np.inf and unit.force_until_s == np.inf


@pytest.mark.parametrize("end_deg_s", [2000.0, 500.0, 137.0])
def test_a_rate_at_its_end_ends_the_attitude(end_deg_s: float) -> None:
    force, rates = _samples()
    rates[:, 2] = np.where(T > 10.0, 60.0 * np.sin(0.5 * (T - 10.0)), rates[:, 2])
    clipped = np.clip(rates, -np.radians(end_deg_s), np.radians(end_deg_s))
    first = T[np.abs(clipped[:, 2]) >= np.radians(end_deg_s)][0]
    unit = _unit(T, force, clipped)
    assert unit.troubles[0].kind == CLIPPED and unit.troubles[0].words() == "the gyro z was at the end of its range"
    assert unit.rates_until_s == pytest.approx(first, abs=0.05) and unit.force_until_s == unit.rates_until_s


def test_a_force_at_its_end_ends_the_velocity_only() -> None:
    force, rates = _samples()
    force[(T > 11.0) & (T < 11.3), 2] = np.inf
    unit = _unit(T, force, rates)
    assert unit.rates_until_s == np.inf and unit.force_until_s == pytest.approx(11.02, abs=0.03)
    assert np.isfinite(unit.force).all() and unit.troubles[0].sensor == "accelerometer"


def test_what_repeats_bit_for_bit_in_flight_is_stuck_and_on_the_pad_is_not_asked() -> None:
    force, rates = _samples()
    rates[(T > 13.0) & (T < 14.0)] = rates[650]
    rates[(T > 3.0) & (T < 4.0)] = rates[150]
    unit = _unit(T, force, rates)
    assert [one.kind for one in unit.troubles] == [STUCK] and unit.rates_until_s == pytest.approx(13.0, abs=0.03)


def test_a_gap_is_told_and_one_in_the_burn_ends_the_velocity() -> None:
    force, rates = _samples()
    for middle, velocity_ends in ((15.0, False), (11.0, True)):
        kept = np.abs(T - middle) > 0.25
        unit = _unit(T[kept], force[kept], rates[kept])
        assert [one.kind for one in unit.troubles] == [GAP] and "nothing was heard for 0.5 s" in unit.troubles[0].words()
        assert (unit.force_until_s < np.inf) == velocity_ends and unit.rates_until_s == np.inf


def test_rows_out_of_order_twice_or_in_packets_of_their_own_are_put_together() -> None:
    force, rates = _samples()
    whole = _unit(T, force, rates)
    order = np.random.default_rng(2).permutation(np.concatenate([np.arange(len(T)), np.arange(50)]))
    assert np.array_equal(_unit(T[order], force[order], rates[order]).rates, whole.rates)
    apart_t = np.concatenate([T, T + 0.005])
    nothing = np.full_like(force, np.nan)
    split = _unit(apart_t, np.concatenate([nothing, force]), np.concatenate([rates, nothing]))
    assert np.array_equal(split.rates, whole.rates) and np.abs(split.force - whole.force).max() < 0.6


def test_too_little_is_no_unit() -> None:
    force, rates = _samples()
    assert unit_of(T, force, np.full_like(rates, np.nan), 10.0, 18.0) is None
    assert unit_of(T, np.full_like(force, np.nan), rates, 10.0, 18.0) is None
    assert unit_of(np.zeros(0), np.zeros((0, 3)), np.zeros((0, 3)), 10.0, 18.0) is None


def test_ends_of_usual_gyros() -> None:
    assert rate_at_an_end(np.radians(-2000.0)) and rate_at_an_end(34.9) and not rate_at_an_end(20.0)
