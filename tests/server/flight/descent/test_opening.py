"""An opening while it still climbs, against coasts that nothing holds back, with noise, loss and pulses of pressure."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.descent.heights import heights_of
from server.flight.descent.opening import held_back
from tests.server.flight.descent.test_stages import pumped

NOISE_M = 0.4


def coast(speed: float, opens_at: float | None = None, seed: int = 0, rate_hz: float = 20.0, loss: float = 0.0):
    """A coast with drag from 20 s on, 4 s of fall behind; a canopy for 6 m/s opens at a climb rate. Returns also apogee."""
    rng, step = np.random.default_rng(seed), 0.002
    h, v, t, opened, rows, apogee = 0.0, speed, 20.0, False, [], None
    while apogee is None or t < apogee + 4.0:
        rows.append((t, h))
        opened = opened or (opens_at is not None and v <= opens_at)
        share = 9.81 / 36.0 if opened else 2e-4
        v -= step * (9.81 + share * v * abs(v))
        h, t = h + step * v, t + step
        if v < 0.0 and apogee is None:
            apogee = t
    table = np.array(rows)
    times = np.arange(20.0, t, 1.0 / rate_hz)
    height = np.interp(times, table[:, 0], table[:, 1]) + NOISE_M * rng.normal(size=len(times))
    kept = rng.random(len(times)) >= loss
    return times[kept], height[kept], apogee


def found(speed: float, opens_at: float | None = None, **how: float):
    t, height, apogee = coast(speed, opens_at, **how)
    return held_back(heights_of(t, height, 0.0, 1e9, NOISE_M), 20.0, apogee)


@pytest.mark.parametrize("opens_at", [30.0, 60.0])
@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 50.0])
def test_a_canopy_that_opens_in_the_climb_is_told_with_the_speed(opens_at: float, rate_hz: float) -> None:
    for seed in range(5):
        one = found(120.0, opens_at, seed=seed, rate_hz=rate_hz)
        assert one is not None and one.climb_m_s == pytest.approx(opens_at, rel=0.15)


@pytest.mark.parametrize("speed", [25.0, 60.0, 150.0, 300.0])
def test_a_coast_that_nothing_holds_back_is_silent(speed: float) -> None:
    for seed in range(20):
        assert found(speed, None, seed=seed, rate_hz=(10.0, 20.0, 50.0)[seed % 3], loss=0.15 * (seed % 2)) is None


def test_an_opening_at_apogee_is_silent() -> None:
    assert found(120.0, 8.0) is None


@pytest.mark.parametrize("puff_m", [-100.0, 60.0])
@pytest.mark.parametrize("before_s", [2.0, 1.0, 0.3])
@pytest.mark.parametrize("lasts_s", [0.1, 0.3])
def test_a_pulse_of_pressure_is_no_opening(puff_m: float, before_s: float, lasts_s: float) -> None:
    t, height, apogee = coast(120.0)
    since = t - (apogee - before_s)
    height = height + np.where(since >= 0.0, puff_m * np.exp(-np.clip(since, 0.0, None) / lasts_s), 0.0)
    assert held_back(heights_of(t, height, 0.0, 1e9, NOISE_M), 20.0, apogee) is None


def test_a_port_s_error_that_goes_with_the_last_of_the_speed_is_no_opening() -> None:
    t, height, apogee = coast(120.0)
    assert held_back(heights_of(t, height + np.where(t < apogee, 12.0, 0.0), 0.0, 1e9, NOISE_M), 20.0, apogee) is None


def test_pressure_that_a_swinging_body_pumps_is_no_opening() -> None:
    for seed in range(10):
        t, height, apogee = coast(120.0, seed=seed)
        heard = heights_of(t, height + pumped(t - 20.0, 6.0, 6.0, 0.0, seed), 0.0, 1e9, NOISE_M)
        assert held_back(heard, 20.0, apogee) is None
