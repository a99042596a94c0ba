"""Height over the pad from pressure, with the pad as its own reference.

The 1976 standard atmosphere (see `atmosphere`) gives the height between two pressures in a standard day; the real air is
warmer or colder, which stretches that height by T_pad / T_standard(pad pressure). Exact when the real lapse is 6.5 K/km;
worked values in tests/SOURCES.md, pad-temperature. Only the sheet of the site tells the air's temperature: a barometer's own
is that of its board, which warms itself and stands in the sun, so that without the sheet the standard air stays.
"""

from __future__ import annotations

from math import hypot, isfinite

from server.flight.air.atmosphere import EXPONENT, LAPSE_K_M, SEA_LEVEL_PRESSURE_PA, SEA_LEVEL_TEMPERATURE_K

SETTLED_SAMPLES = 400
LOWEST_PA, HIGHEST_PA = 20000.0, 115000.0
LOWEST_ALTITUDE_M, HIGHEST_ALTITUDE_M = -1000.0, 12000.0  # what LOWEST_PA and HIGHEST_PA are in a standard day
# One sigma of the air's temperature at the pad where the sheet tells it and where nobody does (days to fly on, -15 to
# 40 degC, spread evenly), and of the real lapse. Common practice, no source.
TOLD_SIGMA_K, UNTOLD_SIGMA_K, LAPSE_SIGMA_K_M = 2.0, 15.0, 0.001
# By so much of a height may firmware's own formula surely differ: the same days' extremes, and what rounding adds.
UNTOLD_SHARE, TOLD_SHARE = 0.12, 0.01


def air_sigma_share(height_m: float, pad_k: float, is_told: bool) -> float:
    """Return one sigma of a height (m) as a share of it, for what is not known of the air between it and the pad.

    A column's thickness goes with its mean temperature (hydrostatic balance), which a lapse off by some share of a kelvin
    per meter moves by half of that times the height.
    """
    return hypot(TOLD_SIGMA_K if is_told else UNTOLD_SIGMA_K, 0.5 * LAPSE_SIGMA_K_M * height_m) / pad_k


class PadReference:
    """The pressure at the pad: a running mean while the vehicle stands there, then held; the air's temperature as told.

    The mean is over all samples at first and over about `SETTLED_SAMPLES` later, so that slow weather is followed.
    """

    def __init__(self, temperature_k: float | None = None) -> None:
        self.pressure_pa: float | None = None
        self.temperature_k = temperature_k
        self._samples = 0

    def learn(self, pressure_pa: float) -> None:
        """Take one pressure (Pa) at the pad; what no weather gives is ignored."""
        if not (isfinite(pressure_pa) and LOWEST_PA < pressure_pa < HIGHEST_PA):
            return
        self._samples = min(self._samples + 1, SETTLED_SAMPLES)
        if self.pressure_pa is None:
            self.pressure_pa = pressure_pa
        self.pressure_pa += (pressure_pa - self.pressure_pa) / self._samples

    def height_m(self, pressure_pa: float) -> float:
        """Return the height over the pad (m) at a pressure (Pa); NaN before the pad is known or for an impossible one.

        Source: USSA 1976, barometric formula of the troposphere, stretched as the module's text says.
        """
        if self.pressure_pa is None or not (isfinite(pressure_pa) and LOWEST_PA < pressure_pa < HIGHEST_PA):
            return float("nan")
        base_k = self.standard_k if self.temperature_k is None else self.temperature_k
        height: float = base_k / LAPSE_K_M * (1.0 - (pressure_pa / self.pressure_pa) ** (1 / EXPONENT))
        return height

    @property
    def standard_k(self) -> float:
        """The standard atmosphere's temperature (K) at the pad's pressure; NaN before the pad is known."""
        if self.pressure_pa is None:
            return float("nan")
        return SEA_LEVEL_TEMPERATURE_K * float((self.pressure_pa / SEA_LEVEL_PRESSURE_PA) ** (1 / EXPONENT))

    @property
    def other_formula_share(self) -> float:
        """By how much of a height another honest formula may differ: standard air, or the air's temperature."""
        if self.temperature_k is None or self.pressure_pa is None:
            return UNTOLD_SHARE
        return abs(1.0 - self.standard_k / self.temperature_k) + TOLD_SHARE


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
