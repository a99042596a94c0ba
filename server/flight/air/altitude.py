"""Height over the pad from pressure, with the pad as its own reference.

The 1976 standard atmosphere (see `atmosphere`) gives the height between two pressures in a standard day; the real air is
warmer or colder, which stretches that height by T_pad / T_standard(pad pressure). Exact when the real lapse is 6.5 K/km;
worked values in tests/SOURCES.md, pad-temperature. Only the sheet of the site tells the air's temperature: a barometer's own
is that of its board, which warms itself and stands in the sun, so that without the sheet the standard air stays.
"""

from __future__ import annotations

from collections import deque
from math import hypot, nan

from server.flight.air.atmosphere import EXPONENT, LAPSE_K_M, SEA_LEVEL_PRESSURE_PA, SEA_LEVEL_TEMPERATURE_K

PER_PRESSURE = 1 / EXPONENT
SETTLED_SAMPLES = 400
# A thrust of 1.05 times the weight has climbed 6 m by then, which is noticed. Common practice, no source.
HELD_BACK_S, DOUBTED_S = 5.0, 1.0
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


class PadLevel:
    """What a sensor reads at the pad: a running mean while the vehicle stands there, of samples older than `HELD_BACK_S`.

    The newest are held back, since the climb may already be in them; `hold` throws them away. The mean is over all samples
    at first and over about `SETTLED_SAMPLES` later, so that slow weather is followed.
    """

    def __init__(self) -> None:
        self._mean: float | None = None
        self._count = 0
        self._held: deque[tuple[float, float]] = deque()

    def learn(self, t_s: float, value: float) -> None:
        """Take one sample at the pad; times (s) in order."""
        held, until_s = self._held, t_s - HELD_BACK_S
        held.append((t_s, value))
        while held and held[0][0] < until_s:
            kept = held.popleft()[1]
            if self._count < SETTLED_SAMPLES:
                self._count += 1
            self._mean = kept if self._mean is None else self._mean + (kept - self._mean) / self._count

    def hold(self, t_s: float) -> None:
        """It may fly: forget what was held back; of a first few seconds, when nothing else is known, only the end."""
        if self._mean is not None:
            self._held.clear()
            return
        while len(self._held) > 1 and self._held[-1][0] > t_s - DOUBTED_S:
            self._held.pop()

    def restart(self) -> None:
        """Learn the pad anew: it is another place, or other weather."""
        self._mean, self._count = None, 0
        self._held.clear()

    @property
    def value(self) -> float | None:
        """What is read at the pad, None before the first sample."""
        if self._mean is not None or not self._held:
            return self._mean
        return sum(value for _, value in self._held) / len(self._held)


class PadReference:
    """The pressure at the pad, held once the vehicle flies, and the air's temperature there as told."""

    def __init__(self, temperature_k: float | None = None) -> None:
        self.level = PadLevel()
        self.temperature_k = temperature_k
        self._base: tuple[float, float] | None = None  # the pad's pressure, and a standard day's temperature there

    @property
    def pressure_pa(self) -> float | None:
        """The pressure at the pad (Pa), None before the first sample."""
        return self.level.value

    def learn(self, t_s: float, pressure_pa: float) -> None:
        """Take one pressure (Pa) at the pad at a time (s); what no weather gives is ignored."""
        if LOWEST_PA < pressure_pa < HIGHEST_PA:  # false for NaN
            self.level.learn(t_s, pressure_pa)

    def height_m(self, pressure_pa: float) -> float:
        """Return the height over the pad (m) at a pressure (Pa); NaN before the pad is known or for an impossible one.

        Source: USSA 1976, barometric formula of the troposphere, stretched as the module's text says.
        """
        pad_pa = self.level.value
        if pad_pa is None or not LOWEST_PA < pressure_pa < HIGHEST_PA:  # true for NaN
            return nan
        base_k = self.temperature_k
        if base_k is None:
            if self._base is None or self._base[0] != pad_pa:
                self._base = pad_pa, _standard_k(pad_pa)
            base_k = self._base[1]
        height: float = base_k / LAPSE_K_M * (1.0 - (pressure_pa / pad_pa) ** PER_PRESSURE)
        return height

    @property
    def other_formula_share(self) -> float:
        """By how much of a height another honest formula may differ: standard air, or the air's temperature."""
        pad_pa = self.pressure_pa
        if self.temperature_k is None or pad_pa is None:
            return UNTOLD_SHARE
        return abs(1.0 - _standard_k(pad_pa) / self.temperature_k) + TOLD_SHARE


def _standard_k(pressure_pa: float) -> float:
    return SEA_LEVEL_TEMPERATURE_K * float((pressure_pa / SEA_LEVEL_PRESSURE_PA) ** PER_PRESSURE)


class GroundLevel:
    """The pad's altitude as the vehicle tells altitudes, over the sea or anything else, held once it flies.

    An altitude that no barometer can tell counts as none.
    """

    def __init__(self) -> None:
        self.level = PadLevel()

    @property
    def altitude_m(self) -> float | None:
        """The altitude at the pad (m), None before the first sample."""
        return self.level.value

    def learn(self, t_s: float, altitude_m: float) -> None:
        """Take one altitude (m) at the pad at a time (s); what no vehicle can mean is ignored."""
        if LOWEST_ALTITUDE_M < altitude_m < HIGHEST_ALTITUDE_M:
            self.level.learn(t_s, altitude_m)

    def height_m(self, altitude_m: float) -> float:
        """Return the height over the pad (m) at an altitude (m); NaN before the pad is known or for an impossible one."""
        pad_m = self.altitude_m
        if pad_m is None or not LOWEST_ALTITUDE_M < altitude_m < HIGHEST_ALTITUDE_M:
            return nan
        return altitude_m - pad_m
