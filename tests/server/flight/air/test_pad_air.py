"""The air over a pad against p / (R T), the standard atmosphere and a numerical integral."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.air.atmosphere import density, pressure_at_geopotential_m, temperature_at_geopotential_m
from server.flight.air.pad_air import SEA_LEVEL_DENSITY_KG_M3, PadAir


@pytest.mark.parametrize(("pressure", "kelvin"), [(84556.0, 308.0), (101325.0, 263.0), (95000.0, 291.0)])
def test_density_at_the_pad_is_by_its_pressure_and_temperature(pressure: float, kelvin: float) -> None:
    assert PadAir.of(pressure, None, kelvin).density_kg_m3 == pytest.approx(pressure / (287.053 * kelvin), rel=1e-5)


def test_above_the_pad_it_is_the_standard_atmospheres_where_the_pad_is_standard() -> None:
    pad = PadAir.of(float(pressure_at_geopotential_m(620.0)), None, None)
    for height in (0.0, 500.0, 3000.0, 8000.0):
        expected = density(pressure_at_geopotential_m(620.0 + height), temperature_at_geopotential_m(620.0 + height))
        assert float(pad.density_at(height)) == pytest.approx(float(expected), rel=1e-6)
    assert PadAir.of(None, 620.0, None).density_kg_m3 == pytest.approx(pad.density_kg_m3, rel=1e-4)


def test_the_stretched_height_is_the_integral_of_the_root_of_density() -> None:
    air = PadAir.of(84556.0, None, 308.0)
    height = np.linspace(0.0, 5000.0, 20001)
    root = np.sqrt(air.density_at(height) / SEA_LEVEL_DENSITY_KG_M3)
    integral = np.concatenate(([0.0], np.cumsum(0.5 * (root[1:] + root[:-1]) * np.diff(height))))
    assert np.abs(air.as_in_sea_level_air_m(height) - integral).max() < 1e-3


def test_nothing_known_or_nothing_believable_is_standard_sea_level_air() -> None:
    assert PadAir.of(None, None, None).density_kg_m3 == pytest.approx(1.225, rel=1e-4)
    assert PadAir.of(3.0, None, None).density_kg_m3 == pytest.approx(1.225, rel=1e-4)
