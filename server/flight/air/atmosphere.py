"""The US Standard Atmosphere 1976 below 11 km, and the height above a pad from two pressures.

Source of every formula and constant: U.S. Standard Atmosphere, 1976 (NOAA, NASA, USAF), troposphere layer:
temperature falls by 6.5 K per geopotential kilometer from 288.15 K, hydrostatic balance, ideal gas. Below 32 km
it equals ICAO Doc 7488. The rows the tests compare with: tests/SOURCES.md, standard-atmosphere.

All functions take floats or numpy arrays and return the same shape as numpy float64. NaN in gives NaN out.
Heights outside -2000 m to 11000 m (geopotential) give NaN: another layer with another formula begins there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2

SEA_LEVEL_TEMPERATURE_K = 288.15
SEA_LEVEL_PRESSURE_PA = 101325.0
LAPSE_K_M = 0.0065
# R* / M0 of the 1976 book; ICAO prints 287.05287, which moves no pressure below by more than 0.03 Pa.
GAS_CONSTANT_J_KG_K = 8314.32 / 28.9644
HEAT_RATIO = 1.4
EARTH_RADIUS_M = 6356766.0
# g0 / (R L): the power in the barometric formula of a layer with a constant lapse.
EXPONENT = GRAVITY_M_S2 / (GAS_CONSTANT_J_KG_K * LAPSE_K_M)
LOWEST_M, HIGHEST_M = -2000.0, 11000.0
# The engineering form of the surface layer's wind, u ~ height^(1/7) over open ground: common practice, no source.
WIND_POWER = 1.0 / 7.0


def geopotential_from_geometric_m(geometric_m: ArrayLike) -> Floats:
    """Return geopotential height in m for a geometric height in m above sea level (USSA 1976, r0 = 6356766 m)."""
    z = np.asarray(geometric_m, dtype=np.float64)
    return EARTH_RADIUS_M * z / (EARTH_RADIUS_M + z)


def temperature_at_geopotential_m(geopotential_m: ArrayLike) -> Floats:
    """Return standard temperature in K at a geopotential height in m; NaN outside the troposphere layer."""
    h = np.asarray(geopotential_m, dtype=np.float64)
    inside = (h >= LOWEST_M) & (h <= HIGHEST_M)
    return np.where(inside, SEA_LEVEL_TEMPERATURE_K - LAPSE_K_M * h, np.nan)


def pressure_at_geopotential_m(geopotential_m: ArrayLike) -> Floats:
    """Return standard pressure in Pa at a geopotential height in m; NaN outside the troposphere layer."""
    ratio = temperature_at_geopotential_m(geopotential_m) / SEA_LEVEL_TEMPERATURE_K
    return SEA_LEVEL_PRESSURE_PA * ratio**EXPONENT


def density(pressure_pa: ArrayLike, temperature_k: ArrayLike) -> Floats:
    """Return dry-air density in kg/m3 from pressure in Pa and temperature in K (ideal gas, USSA 1976 constant)."""
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    return pressure / (GAS_CONSTANT_J_KG_K * np.asarray(temperature_k, dtype=np.float64))


def speed_of_sound_m_s(temperature_k: ArrayLike) -> Floats:
    """Return the speed of sound in m/s in dry air of a temperature in K (USSA 1976, ratio of heats 1.4)."""
    return np.sqrt(HEAT_RATIO * GAS_CONSTANT_J_KG_K * np.asarray(temperature_k, dtype=np.float64))


def height_from_pressure(pressure_pa: ArrayLike) -> Floats:
    """Return standard geopotential height in m for a pressure in Pa.

    The inverse of `pressure_at_geopotential_m`. A pressure that is not positive, or that belongs to a height
    outside the layer, gives NaN: a broken sensor must not look like a height.
    """
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    ratio = np.where(pressure > 0.0, pressure, np.nan) / SEA_LEVEL_PRESSURE_PA
    height = SEA_LEVEL_TEMPERATURE_K / LAPSE_K_M * (1.0 - ratio ** (1.0 / EXPONENT))
    # A hair of slack so that the layer's own edges survive the round trip.
    return np.where((height >= LOWEST_M - 1e-6) & (height <= HIGHEST_M + 1e-6), height, np.nan)


def height_above_pad_m(pressure_pa: ArrayLike, pad_pressure_pa: float, pad_temperature_k: float) -> Floats:
    """Return height above the pad in m from pressure, pad pressure (both Pa) and air temperature at the pad (K).

    Standard height difference times T_pad / T_standard(pad): exact when the real lapse is 6.5 K/km too
    (derived from the hydrostatic equation; tests/SOURCES.md, pad-temperature). The result is a geopotential difference; at
    1 km above a pad at 1 km it is 0.5 m less than a tape measure would give.
    """
    pad_height = height_from_pressure(pad_pressure_pa)
    warmth = pad_temperature_k / temperature_at_geopotential_m(pad_height)
    return (height_from_pressure(pressure_pa) - pad_height) * warmth


def pad_density_kg_m3(elevation_m: float | None, temperature_k: float | None) -> float:
    """Return air density at a pad from its height above the sea and its air's temperature; unknown: sea level, standard.

    Pressure by the 1976 standard atmosphere at that height, the temperature as measured: a pressure that differs from the
    standard's by weather moves the density by about as much, 1 to 3 %.
    """
    geopotential = geopotential_from_geometric_m(elevation_m or 0.0)
    standard = float(temperature_at_geopotential_m(geopotential))
    return float(density(pressure_at_geopotential_m(geopotential), temperature_k or standard))
