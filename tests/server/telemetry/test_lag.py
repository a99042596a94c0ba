"""The least offset heard as a reference: lag, drift of both clocks, any cut."""

from __future__ import annotations

import numpy as np
import pytest

from protocol.sequence import DRIFT
from server.telemetry.lag import LagReference


def test_nothing_heard_is_no_lag() -> None:
    assert LagReference().lag_s(5.0, 100.0) == 0.0
    assert LagReference().take(np.zeros(0), np.zeros(0)).tolist() == []


def test_what_comes_thirty_seconds_later_than_before_is_thirty_seconds_old() -> None:
    t = np.arange(0.0, 60.0, 0.1)
    rx_s = t + 1000.0 + np.where(t >= 20.0, 30.0, 0.0)
    lag_s = LagReference().take(t, rx_s)
    assert np.abs(lag_s[t < 20.0]).max() < 1e-9
    assert lag_s[t >= 20.0] == pytest.approx(np.full((t >= 20.0).sum(), 30.0), abs=70 * DRIFT)


@pytest.mark.parametrize("drift", [-DRIFT, -DRIFT / 2, 0.0, DRIFT])
def test_clocks_that_drift_apart_for_two_hours_are_no_lag(drift: float) -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 7200.0, 0.5)
    rx_s = t * (1.0 + drift) + rng.uniform(0.0, 0.05, len(t))
    lag_s = LagReference().take(t, rx_s)
    assert lag_s.min() >= 0.0 and lag_s.max() < 0.06


def test_a_lag_from_the_first_byte_is_not_seen_and_known_afterwards() -> None:
    """Once something came earlier, what was heard before is known to have been old."""
    reference = LagReference()
    assert reference.take(np.array([1.0]), np.array([31.0])).tolist() == [0.0]
    assert reference.lag_s(1.0, 31.0) == 0.0
    reference.take(np.array([32.0]), np.array([32.0]))
    assert reference.lag_s(1.0, 31.0) == pytest.approx(30.0, abs=0.01)


def test_any_cut_gives_the_same_numbers() -> None:
    rng = np.random.default_rng(2)
    t = np.sort(rng.uniform(0.0, 100.0, 500))
    rx_s = np.maximum.accumulate(t + 7.0 + rng.exponential(0.3, 500))
    whole, cut = LagReference(), LagReference()
    pieces = [cut.take(t[i : i + 7], rx_s[i : i + 7]) for i in range(0, 500, 7)]
    assert np.concatenate(pieces).tolist() == whole.take(t, rx_s).tolist()
    assert cut.lag_s(50.0, 60.0) == whole.lag_s(50.0, 60.0)
