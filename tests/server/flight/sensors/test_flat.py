"""The end of a range that nobody declared, against sensors that repeat, die, or pass a smooth top."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.sensors.flat import flat_end

RNG = np.random.default_rng(3)
T = np.arange(0.0, 6.0, 0.01)
PUSH = np.where(T < 2.0, 240.0 * np.sin(np.pi * T / 2.0), -20.0 * np.exp(-(T - 2.0)))
STEP = 16 * 9.80665 / 32768


def measured(values: np.ndarray, noise: float = 0.4, step: float = STEP) -> np.ndarray:
    return np.round((values + RNG.normal(0.0, noise, len(values))) / step) * step


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_clipped_boost_is_found_with_its_value(sign: float) -> None:
    found = flat_end(sign * np.clip(measured(PUSH), -156.9, 156.9))
    assert found is not None and found.value == sign * 156.9
    assert T[found.first] == pytest.approx(0.45, abs=0.05) and found.samples > 90


def test_what_only_looks_flat_is_none() -> None:
    assert flat_end(measured(PUSH)) is None  # never at an end
    smooth = np.round(240.0 * np.exp(-((T - 1.0) ** 2) / 2.0) / 0.5) * 0.5
    assert (smooth == smooth.max()).sum() >= 5 and flat_end(smooth) is None  # a filter's output in coarse steps
    slow = np.repeat(measured(PUSH)[::6], 6)[: len(T)]
    assert flat_end(slow) is None  # read less often than it is sent
    died = measured(PUSH)
    died[90:] = died[:91].max()
    assert flat_end(died) is None  # holds its last value for good
    assert flat_end(np.full(200, 9.81)) is None and flat_end(np.zeros(10)) is None
    assert flat_end(np.array([np.nan] * 100)) is None
