"""The air over a pad, where its density matters: for drag, dynamic pressure and rates of descent.

Density at the pad is pressure / (R T) (ideal gas; tests/SOURCES.md, standard-atmosphere), with the pressure the vehicle's
barometer measured there; above it the standard lapse of 6.5 K/km, so that it falls with (1 - L h / T_pad)^(g / (R L) - 1).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats
from server.flight.air.altitude import HIGHEST_PA, LOWEST_PA
from server.flight.air.atmosphere import (
    EXPONENT,
    LAPSE_K_M,
    SEA_LEVEL_PRESSURE_PA,
    SEA_LEVEL_TEMPERATURE_K,
    density,
    pad_density_kg_m3,
)

SEA_LEVEL_DENSITY_KG_M3 = float(density(SEA_LEVEL_PRESSURE_PA, SEA_LEVEL_TEMPERATURE_K))
THINNEST = 0.2  # of the pad's temperature: some 35 km up, beyond any height told here


@dataclass(frozen=True)
class PadAir:
    """The air at the pad: density (kg/m3) and temperature (K)."""

    density_kg_m3: float = SEA_LEVEL_DENSITY_KG_M3
    temperature_k: float = SEA_LEVEL_TEMPERATURE_K

    @classmethod
    def of(cls, pressure_pa: float | None, elevation_m: float | None, temperature_k: float | None) -> PadAir:
        """Return the air at a pad from what is known of it (Pa, m above the sea, K), standard where nothing is.

        A pressure counts before an elevation; without a temperature that of the standard atmosphere at this pressure.
        """
        if pressure_pa is None or not LOWEST_PA < pressure_pa < HIGHEST_PA:
            standard_k = SEA_LEVEL_TEMPERATURE_K - LAPSE_K_M * (elevation_m or 0.0)
            return cls(pad_density_kg_m3(elevation_m, temperature_k), temperature_k or standard_k)
        standard_k = SEA_LEVEL_TEMPERATURE_K * (pressure_pa / SEA_LEVEL_PRESSURE_PA) ** (1.0 / EXPONENT)
        warmth_k = temperature_k or standard_k
        return cls(float(density(pressure_pa, warmth_k)), warmth_k)

    def density_at(self, height_m: ArrayLike) -> Floats:
        """Return density (kg/m3) at heights over the pad (m), of any shape."""
        return np.asarray(self.density_kg_m3 * self._warmth(height_m) ** (EXPONENT - 1.0), dtype=np.float64)

    def as_in_sea_level_air_m(self, height_m: ArrayLike) -> Floats:
        """Return heights (m) stretched so that a fall at terminal speed is a straight line, its slope that at sea level.

        The integral of sqrt(density / sea level density) over height, since terminal speed goes as 1 / sqrt(density)
        (tests/SOURCES.md, terminal-speed).
        """
        power = 0.5 * (EXPONENT - 1.0) + 1.0
        share = np.sqrt(self.density_kg_m3 / SEA_LEVEL_DENSITY_KG_M3)
        scale = self.temperature_k / (LAPSE_K_M * power)
        return np.asarray(share * scale * (1.0 - self._warmth(height_m) ** power), dtype=np.float64)

    def _warmth(self, height_m: ArrayLike) -> Floats:
        """Return temperature over that at the pad."""
        height = np.asarray(height_m, dtype=np.float64)
        return np.maximum(1.0 - LAPSE_K_M * height / self.temperature_k, THINNEST)
