"""Height over the pad from pressure, with the pad as its own reference.

The 1976 standard atmosphere (see `atmosphere`) gives the height between two pressures in a standard day; the real air is
warmer or colder, which stretches that height by T_pad / T_standard(pad pressure). Exact when the real lapse is 6.5 K/km;
worked values in tests/SOURCES.md, pad-temperature.
"""

from __future__ import annotations

from math import isfinite
from typing import TypeGuard

from server.flight.air.atmosphere import EXPONENT, LAPSE_K_M, SEA_LEVEL_PRESSURE_PA, SEA_LEVEL_TEMPERATURE_K

SETTLED_SAMPLES = 400
LOWEST_PA, HIGHEST_PA = 20000.0, 115000.0
LOWEST_ALTITUDE_M, HIGHEST_ALTITUDE_M = -1000.0, 12000.0  # what LOWEST_PA and HIGHEST_PA are in a standard day
COLDEST_K, WARMEST_K = 200.0, 340.0


def is_air_temperature(value: object) -> TypeGuard[float]:
    """Return whether `value` is a number of kelvin that the air at a pad can have; common practice, no source."""
    return isinstance(value, int | float) and not isinstance(value, bool) and COLDEST_K < value < WARMEST_K


class PadReference:
    """The pressure and temperature at the pad: a running mean while the vehicle stands there, then held.

    The mean is over all samples at first and over about `SETTLED_SAMPLES` later, so that slow weather is followed.
    """

    def __init__(self, temperature_k: float | None = None) -> None:
        self.pressure_pa: float | None = None
        self.temperature_k = temperature_k
        self._given_temperature = temperature_k is not None
        self._samples = 0

    def learn(self, pressure_pa: float, temperature_k: float | None) -> None:
        """Take one pressure (Pa) and air temperature (K, None: unknown) at the pad; what no weather gives is ignored."""
        if not (isfinite(pressure_pa) and LOWEST_PA < pressure_pa < HIGHEST_PA):
            return
        self._samples = min(self._samples + 1, SETTLED_SAMPLES)
        if self.pressure_pa is None:
            self.pressure_pa = pressure_pa
        self.pressure_pa += (pressure_pa - self.pressure_pa) / self._samples
        if self._given_temperature or not is_air_temperature(temperature_k):
            return
        known_k = temperature_k if self.temperature_k is None else self.temperature_k
        self.temperature_k = known_k + (temperature_k - known_k) / self._samples

    def height_m(self, pressure_pa: float) -> float:
        """Return the height over the pad (m) at a pressure (Pa); NaN before the pad is known or for an impossible one.

        Source: USSA 1976, barometric formula of the troposphere, stretched as the module's text says.
        """
        if self.pressure_pa is None or not (isfinite(pressure_pa) and LOWEST_PA < pressure_pa < HIGHEST_PA):
            return float("nan")
        standard_k = SEA_LEVEL_TEMPERATURE_K * (self.pressure_pa / SEA_LEVEL_PRESSURE_PA) ** (1 / EXPONENT)
        stretch = 1.0 if self.temperature_k is None else self.temperature_k / standard_k
        height: float = stretch * standard_k / LAPSE_K_M * (1.0 - (pressure_pa / self.pressure_pa) ** (1 / EXPONENT))
        return height


class GroundLevel:
    """The pad's altitude as the vehicle tells altitudes, over the sea or anything else: a running mean, then held.

    The mean is over as many samples as that of `PadReference`; an altitude that no barometer can tell counts as none.
    """

    def __init__(self) -> None:
        self.altitude_m: float | None = None
        self._samples = 0

    def learn(self, altitude_m: float) -> None:
        """Take one altitude (m) at the pad; what no vehicle can mean is ignored."""
        if not LOWEST_ALTITUDE_M < altitude_m < HIGHEST_ALTITUDE_M:
            return
        self._samples = min(self._samples + 1, SETTLED_SAMPLES)
        known_m = altitude_m if self.altitude_m is None else self.altitude_m
        self.altitude_m = known_m + (altitude_m - known_m) / self._samples

    def height_m(self, altitude_m: float) -> float:
        """Return the height over the pad (m) at an altitude (m); NaN before the pad is known or for an impossible one."""
        if self.altitude_m is None or not LOWEST_ALTITUDE_M < altitude_m < HIGHEST_ALTITUDE_M:
            return float("nan")
        return altitude_m - self.altitude_m
