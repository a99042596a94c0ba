"""Height over the pad against tests/SOURCES.md, pad-temperature, and the pad reference against the plain mean."""

from __future__ import annotations

import math

import numpy as np
import pytest

from server.flight.air.altitude import HELD_BACK_S, SETTLED_SAMPLES, GroundLevel, PadLevel, PadReference, air_sigma_share
from server.flight.air.atmosphere import pressure_at_geopotential_m, temperature_at_geopotential_m

ISA_AT_98000_PA_K = 286.327


def reference(pressure_pa: float = 98000.0, temperature_k: float | None = None) -> PadReference:
    pad = PadReference(temperature_k)
    pad.learn(0.0, pressure_pa)
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
    level = PadLevel()
    values = np.random.default_rng(2).normal(94000, 10, SETTLED_SAMPLES)
    for place, value in enumerate(values.tolist()):
        level.learn(0.05 * place, value)
    held = round(HELD_BACK_S / 0.05)
    assert level.value == pytest.approx(values[: -held - 1].mean(), abs=0.03), held
    assert level.value == pytest.approx(values[:-held].mean(), abs=1e-6)
    for place in range(5 * SETTLED_SAMPLES):
        level.learn(20.0 + 0.05 * place, 93900.0)
    assert level.value == pytest.approx(93900.0, abs=1.0)


def test_what_was_learned_last_is_forgotten_at_a_suspicion_and_of_the_first_seconds_only_the_end() -> None:
    level = PadLevel()
    for place in range(60):
        level.learn(0.1 * place, 500.0 if place < 40 else 400.0)
    level.hold(6.0)
    assert level.value == 500.0
    for place in range(61, 200):
        level.learn(0.1 * place, 500.0)
    assert level.value == pytest.approx(500.0)
    level.restart()
    assert level.value is None
    for t, value in ((30.0, 400.0), (30.5, 402.0), (31.8, 300.0), (32.0, 290.0)):
        level.learn(t, value)
    level.hold(32.0)
    assert level.value == 401.0


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 0.0, -5.0, 19999.0, 200000.0, 1e300])
def test_impossible_pressure_changes_nothing_and_is_no_height(bad: float) -> None:
    pad = reference()
    pad.learn(1.0, bad)
    assert pad.pressure_pa == 98000.0
    assert math.isnan(pad.height_m(bad))
    assert math.isnan(PadReference().height_m(95000.0))


def test_what_another_formula_may_differ_by_and_what_is_not_known_of_the_air() -> None:
    assert reference().other_formula_share == 0.12
    assert reference(temperature_k=303.15).other_formula_share == pytest.approx(
        1.0 - ISA_AT_98000_PA_K / 303.15 + 0.01, abs=1e-5
    )
    assert air_sigma_share(0.0, 300.0, True) == pytest.approx(2.0 / 300.0)
    assert air_sigma_share(3000.0, 300.0, True) == pytest.approx(2.5 / 300.0)
    assert air_sigma_share(100.0, 288.15, False) == pytest.approx(0.052, abs=0.001)


def test_altitudes_over_the_sea_become_heights_over_the_pad() -> None:
    ground = GroundLevel()
    assert math.isnan(ground.height_m(512.0))
    for altitude in (510.0, 514.0, float("nan"), float("inf"), 1e9, 512.0):
        ground.learn(0.0, altitude)
    assert ground.altitude_m == pytest.approx(512.0)
    assert ground.height_m(812.0) == pytest.approx(300.0)
    assert math.isnan(ground.height_m(float("nan"))) and math.isnan(ground.height_m(1e9))
