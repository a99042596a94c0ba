"""Still air against the station's own formula; wind, turbulence and gust against their definitions."""

from __future__ import annotations

import math
import random
import statistics

import pytest

from server.flight.air import atmosphere
from server.twin.air import Air, Wind, gust_m_s
from server.twin.sandpiper import Gust, Site, WindNumbers, changed


@pytest.mark.parametrize("height", [-5.0, 0.0, 12.3, 276.6, 1000.0])
def test_pressure_gives_back_the_height(height: float) -> None:
    site = Site()
    pressure = Air(site).pressure_pa(height)
    found = atmosphere.height_above_pad_m(pressure, site.pad_pressure_pa, site.pad_temperature_k)
    assert found == pytest.approx(height, abs=0.02)


def test_standard_day_gives_the_standard_density() -> None:
    # tests/SOURCES.md, atmosphere-geopotential (computed with ambiance): 1.16727 at 500 m, pad at sea level, standard day.
    air = Air(Site(pad_pressure_pa=101325.0, pad_temperature_k=288.15))
    assert air.density_kg_m3(500.0) == pytest.approx(1.16727, abs=2e-5)
    assert air.pressure_pa(1000.0) == pytest.approx(89874.6, abs=0.5)


def test_mean_wind_follows_the_power_law() -> None:
    numbers = WindNumbers(speed_at_10_m_m_s=4.0, toward_deg=90.0, power=0.14, turbulence_m_s=0.0)
    wind = Wind(numbers, random.Random(1))
    assert wind.at(10.0, None) == pytest.approx((4.0, 0.0, 0.0), abs=1e-12)
    assert wind.at(100.0, None)[0] == pytest.approx(4.0 * 10.0**0.14)


def test_turbulence_has_its_strength_and_its_memory() -> None:
    numbers = WindNumbers(speed_at_10_m_m_s=0.0, turbulence_m_s=0.8, length_scale_m=40.0)
    wind = Wind(numbers, random.Random(2))
    east = []
    for _ in range(60000):
        wind.step(0.02, 40.0)
        east.append(wind.at(10.0, None)[0])
    assert statistics.pstdev(east) == pytest.approx(0.8, rel=0.05)
    # exp(-dt V/L): correlation after 1 s at 40 m/s is 1/e.
    lag = statistics.correlation(east[:-50], east[50:])
    assert lag == pytest.approx(math.exp(-1.0), abs=0.05)


def test_gust_is_one_minus_cosine_on_both_sides() -> None:
    gust = Gust(peak_m_s=12.0, start_after_rail_exit_s=0.1, rise_s=0.2, hold_s=1.0, fall_s=0.4)
    samples = {0.05: 0.0, 0.2: 6.0, 0.3: 12.0, 1.0: 12.0, 1.5: 6.0, 1.7: 0.0, 9.0: 0.0}
    for time, speed in samples.items():
        assert gust_m_s(gust, time) == pytest.approx(speed, abs=1e-9)


def test_no_gust_on_the_rail() -> None:
    numbers = changed(WindNumbers(turbulence_m_s=0.0, speed_at_10_m_m_s=0.0), {"gust.peak_m_s": 10.0})
    assert Wind(numbers, random.Random(1)).at(2.0, None) == pytest.approx((0.0, 0.0, 0.0))


def test_fixed_weather_does_not_depend_on_the_seed() -> None:
    numbers = WindNumbers(fixed_seed=5)
    first, second = (Wind(numbers, random.Random(seed)) for seed in (1, 2))
    for _ in range(10):
        first.step(0.005, 20.0)
        second.step(0.005, 20.0)
    assert first.at(10.0, None) == second.at(10.0, None)
