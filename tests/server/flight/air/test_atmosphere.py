"""Atmosphere against tests/SOURCES.md, standard-atmosphere (US Standard Atmosphere 1976)."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.air import atmosphere as air

# tests/SOURCES.md, atmosphere-table (computed with ambiance): geometric m, geopotential m, K, Pa, kg/m3, m/s.
GEOMETRIC = [
    (0, 0.00, 288.150, 101325.0, 1.22500, 340.29),
    (100, 100.00, 287.500, 100129.5, 1.21328, 339.91),
    (250, 249.99, 286.525, 98357.6, 1.19587, 339.33),
    (500, 499.96, 284.900, 95461.3, 1.16727, 338.37),
    (1000, 999.84, 281.651, 89876.3, 1.11166, 336.43),
    (2000, 1999.37, 275.154, 79501.4, 1.00655, 332.53),
    (3000, 2998.58, 268.659, 70121.1, 0.90925, 328.58),
    (5000, 4996.07, 255.676, 54048.3, 0.73643, 320.55),
    (10000, 9984.29, 223.252, 26499.9, 0.41351, 299.53),
]
# tests/SOURCES.md, atmosphere-geopotential (computed with ambiance): geopotential m, K, Pa, kg/m3, geometric less it m.
GEOPOTENTIAL = [
    (100, 287.500, 100129.4, 1.21328, 0.002),
    (500, 284.900, 95460.8, 1.16727, 0.039),
    (1000, 281.650, 89874.6, 1.11164, 0.157),
    (3000, 268.650, 70108.5, 0.90912, 1.416),
    (10000, 223.150, 26436.2, 0.41271, 15.756),
]
# tests/SOURCES.md, pressure-altitude (computed with ambiance): Pa, geopotential m, geometric m.
PRESSURES = [
    (101325, 0.00, 0.00),
    (101000, 27.09, 27.09),
    (98000, 280.53, 280.54),
    (95000, 540.34, 540.38),
    (90000, 988.50, 988.65),
    (70000, 3012.18, 3013.61),
    (50000, 5574.43, 5579.33),
]


@pytest.mark.parametrize(("z", "h", "kelvin", "pascal", "rho", "sound"), GEOMETRIC)
def test_geometric_rows(z: float, h: float, kelvin: float, pascal: float, rho: float, sound: float) -> None:
    height = air.geopotential_from_geometric_m(z)
    assert height == pytest.approx(h, abs=0.01)
    assert air.temperature_at_geopotential_m(height) == pytest.approx(kelvin, abs=0.001)
    # 0.1 Pa: the choice of gas constant alone moves the last digit (tests/SOURCES.md, standard-atmosphere).
    assert air.pressure_at_geopotential_m(height) == pytest.approx(pascal, abs=0.1)
    assert air.density(air.pressure_at_geopotential_m(height), kelvin) == pytest.approx(rho, abs=1e-5)
    assert air.speed_of_sound_m_s(kelvin) == pytest.approx(sound, abs=0.01)


@pytest.mark.parametrize(("h", "kelvin", "pascal", "rho", "more"), GEOPOTENTIAL)
def test_geopotential_rows(h: float, kelvin: float, pascal: float, rho: float, more: float) -> None:
    assert air.temperature_at_geopotential_m(h) == pytest.approx(kelvin, abs=0.001)
    assert air.pressure_at_geopotential_m(h) == pytest.approx(pascal, abs=0.1)
    assert air.density(air.pressure_at_geopotential_m(h), kelvin) == pytest.approx(rho, abs=1e-5)
    assert air.geopotential_from_geometric_m(h + more) == pytest.approx(h, abs=0.001)


@pytest.mark.parametrize(("pascal", "h", "z"), PRESSURES)
def test_height_from_pressure_rows(pascal: float, h: float, z: float) -> None:
    height = air.height_from_pressure(pascal)
    assert height == pytest.approx(h, abs=0.01)
    assert air.geopotential_from_geometric_m(z) == pytest.approx(height, abs=0.01)


def test_tropopause_pressure() -> None:
    # tests/SOURCES.md, standard-atmosphere: 22632 Pa at 11 km.
    assert air.pressure_at_geopotential_m(11000.0) == pytest.approx(22632.0, abs=1.0)


@pytest.mark.parametrize(
    ("pad_temperature_k", "height"),
    # tests/SOURCES.md, pad-temperature (by formula): pad 98000 Pa, 95000 Pa above; a standard day, 30 C, -5 C.
    [(286.327, 259.81), (303.15, 275.07), (268.15, 243.31)],
)
def test_height_above_pad(pad_temperature_k: float, height: float) -> None:
    assert air.height_above_pad_m(95000.0, 98000.0, pad_temperature_k) == pytest.approx(height, abs=0.01)


def test_arrays_keep_their_shape_and_nan_stays_nan() -> None:
    pressures = np.array([[101325.0, np.nan], [0.0, -5.0]])
    heights = air.height_from_pressure(pressures)
    assert heights.shape == (2, 2)
    assert heights[0, 0] == 0.0
    assert np.isnan(heights.ravel()[1:]).all()


def test_outside_the_layer_is_nan() -> None:
    assert np.isnan(air.pressure_at_geopotential_m([-2500.0, 11500.0])).all()
    assert np.isnan(air.height_from_pressure(10000.0))


def test_there_and_back() -> None:
    heights = np.linspace(-2000.0, 11000.0, 301)
    assert air.height_from_pressure(air.pressure_at_geopotential_m(heights)) == pytest.approx(heights, abs=1e-6)


def test_density_at_a_pad() -> None:
    """USSA 1976 rows: 1.2250 kg/m3 at sea level, 1.1117 at 1000 m; warmer air is thinner in proportion."""
    assert air.pad_density_kg_m3(None, None) == pytest.approx(1.2250, abs=1e-4)
    assert air.pad_density_kg_m3(1000.0, None) == pytest.approx(1.1117, abs=2e-4)
    assert air.pad_density_kg_m3(0.0, 300.0) == pytest.approx(1.2250 * 288.15 / 300.0, rel=1e-4)
