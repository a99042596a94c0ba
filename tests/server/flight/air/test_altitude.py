"""Height over the pad against tests/SOURCES.md, pad-temperature, and the pad reference against the plain mean."""

from __future__ import annotations

import math

import numpy as np
import pytest

from server.flight.air.altitude import SETTLED_SAMPLES, GroundLevel, PadReference, is_air_temperature
from server.flight.air.atmosphere import pressure_at_geopotential_m, temperature_at_geopotential_m

ISA_AT_98000_PA_K = 286.327


def reference(pressure_pa: float = 98000.0, temperature_k: float | None = None) -> PadReference:
    pad = PadReference(temperature_k)
    pad.learn(pressure_pa, None)
    return pad


@pytest.mark.parametrize(
    ("temperature_k", "height_m"),
    [(None, 259.81), (ISA_AT_98000_PA_K, 259.81), (303.15, 275.07), (268.15, 243.31)],
)
def test_published_heights(temperature_k: float | None, height_m: float) -> None:
    """tests/SOURCES.md, pad-temperature (by formula): pad 98000 Pa, apogee 95000 Pa."""
    assert reference(temperature_k=temperature_k).height_m(95000.0) == pytest.approx(height_m, abs=0.02)


@pytest.mark.parametrize("offset_k", [-25.0, 0.0, 3.0, 20.0])
def test_exact_in_an_atmosphere_of_the_standard_lapse(offset_k: float) -> None:
    """Integrate the hydrostatic equation dp/dh = -g p / (R T) through a warmer or colder day by Runge-Kutta."""
    from scipy.integrate import solve_ivp

    pad_k, top_m = 288.15 - 0.0065 * 620 + offset_k, 400.0
    solved = solve_ivp(
        lambda h, p: -9.80665 * p / (287.05307 * (pad_k - 0.0065 * h)), (0.0, top_m), [94000.0], rtol=1e-11, atol=1e-9
    )
    assert reference(94000.0, pad_k).height_m(float(solved.y[0, -1])) == pytest.approx(top_m, abs=0.001)


def test_standard_day_returns_the_standard_heights() -> None:
    pad_m, tops = 620.0, np.array([620.0, 720.0, 890.0, 1620.0, 3000.0])
    pad = reference(float(pressure_at_geopotential_m(pad_m)), float(temperature_at_geopotential_m(pad_m)))
    heights = [pad.height_m(float(p)) for p in pressure_at_geopotential_m(tops)]
    assert np.allclose(heights, tops - pad_m, atol=1e-6)


def test_the_mean_is_plain_at_first_and_follows_slow_weather_later() -> None:
    pad = PadReference()
    values = np.random.default_rng(2).normal(94000, 10, SETTLED_SAMPLES)
    for value in values:
        pad.learn(float(value), 290.0)
    assert pad.pressure_pa == pytest.approx(values.mean(), abs=1e-6)
    for _ in range(5 * SETTLED_SAMPLES):
        pad.learn(93900.0, 292.0)
    assert pad.pressure_pa == pytest.approx(93900.0, abs=1.0)
    assert pad.temperature_k == pytest.approx(292.0, abs=0.02)


def test_given_temperature_is_believed_over_the_sensor_that_warms_itself() -> None:
    pad = PadReference(291.0)
    pad.learn(94000.0, 305.0)
    assert pad.temperature_k == 291.0


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 0.0, -5.0, 19999.0, 200000.0, 1e300])
def test_impossible_pressure_changes_nothing_and_is_no_height(bad: float) -> None:
    pad = reference()
    pad.learn(bad, 290.0)
    assert pad.pressure_pa == 98000.0
    assert math.isnan(pad.height_m(bad))
    assert math.isnan(PadReference().height_m(95000.0))


@pytest.mark.parametrize("bad", [math.nan, math.inf, 0.0, 18.0, 1000.0])
def test_impossible_temperature_is_not_learned(bad: float) -> None:
    pad = PadReference()
    pad.learn(98000.0, bad)
    assert pad.temperature_k is None
    assert pad.height_m(95000.0) == pytest.approx(259.81, abs=0.02)


@pytest.mark.parametrize("value", [291, 291.0, 200.5])
def test_air(value: object) -> None:
    assert is_air_temperature(value)


@pytest.mark.parametrize("value", [None, True, "291", 18, 0, 340.0, math.nan, math.inf, 10**400, [291]])
def test_not_air(value: object) -> None:
    assert not is_air_temperature(value)


def test_altitudes_over_the_sea_become_heights_over_the_pad() -> None:
    ground = GroundLevel()
    assert math.isnan(ground.height_m(512.0))
    for altitude in (510.0, 514.0, float("nan"), float("inf"), 1e9, 512.0):
        ground.learn(altitude)
    assert ground.altitude_m == pytest.approx(512.0)
    assert ground.height_m(812.0) == pytest.approx(300.0)
    assert math.isnan(ground.height_m(float("nan"))) and math.isnan(ground.height_m(1e9))
