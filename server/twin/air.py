"""The still air over the pad as tables, and the wind in it."""

from __future__ import annotations

import math
import random

from server.flight.air import atmosphere
from server.twin.attitude import Vector
from server.twin.sandpiper import Gust, Site, WindNumbers

_STEP_M = 5.0
_LOWEST_M, _HIGHEST_M = -100.0, 4000.0


class Air:
    """Pressure and density against height above the pad, as tables for quick straight-line reading.

    The day is not a standard one: the pad has its own pressure and temperature, and the temperature falls by
    6.5 K/km from there (hydrostatic balance as in the US Standard Atmosphere 1976). The station can therefore get
    the height right only by using the pad's temperature.
    """

    def __init__(self, site: Site) -> None:
        count = int((_HIGHEST_M - _LOWEST_M) / _STEP_M) + 1
        self._pressure: list[float] = []
        self._density: list[float] = []
        for index in range(count):
            height = _LOWEST_M + index * _STEP_M
            temperature = site.pad_temperature_k - atmosphere.LAPSE_K_M * height
            pressure = site.pad_pressure_pa * (temperature / site.pad_temperature_k) ** atmosphere.EXPONENT
            self._pressure.append(pressure)
            self._density.append(pressure / (atmosphere.GAS_CONSTANT_J_KG_K * temperature))

    def pressure_pa(self, height_m: float) -> float:
        """Return static pressure at a height above the pad."""
        return self._read(self._pressure, height_m)

    def density_kg_m3(self, height_m: float) -> float:
        """Return density at a height above the pad."""
        return self._read(self._density, height_m)

    @staticmethod
    def _read(table: list[float], height_m: float) -> float:
        place = (min(max(height_m, _LOWEST_M), _HIGHEST_M - _STEP_M) - _LOWEST_M) / _STEP_M
        index = int(place)
        return table[index] + (place - index) * (table[index + 1] - table[index])


class Wind:
    """Mean wind with a power-law profile, first-order turbulence and one gust tied to the rail's end.

    The power law u = u10 (z/10)^p is the engineering form of the surface-layer profile (common practice, no
    source; exponent about 1/7 over open ground). Turbulence is a first-order Gauss-Markov process per axis with
    time constant length scale / air speed, the form of the longitudinal Dryden filter (MIL-F-8785C, from memory).
    The gust rises and falls as 1 - cosine.
    """

    def __init__(self, numbers: WindNumbers, rng: random.Random) -> None:
        self._numbers = numbers
        self._rng = random.Random(numbers.fixed_seed) if numbers.fixed_seed is not None else rng
        sigma = numbers.turbulence_m_s
        self._east, self._north, self._up = (sigma * self._rng.gauss(0.0, 1.0) for _ in range(3))
        toward = math.radians(numbers.toward_deg)
        self._mean = (math.sin(toward), math.cos(toward))
        gust_toward = math.radians(numbers.gust.toward_deg)
        self._gust_direction = (math.sin(gust_toward), math.cos(gust_toward))

    def step(self, seconds: float, airspeed_m_s: float) -> None:
        """Let the turbulence change for some seconds as met at an air speed."""
        sigma = self._numbers.turbulence_m_s
        if sigma == 0.0:
            return
        keep = math.exp(-seconds * max(airspeed_m_s, 3.0) / self._numbers.length_scale_m)
        kick = sigma * math.sqrt(1.0 - keep * keep)
        gauss = self._rng.gauss
        self._east = keep * self._east + kick * gauss(0.0, 1.0)
        self._north = keep * self._north + kick * gauss(0.0, 1.0)
        # Vertical gusts are weaker near the ground.
        self._up = keep * self._up + 0.5 * kick * gauss(0.0, 1.0)

    def at(self, height_m: float, since_rail_exit_s: float | None) -> Vector:
        """Return the wind (east, north, up, m/s: where the air goes) at a height; None means still on the rail."""
        numbers = self._numbers
        mean = numbers.speed_at_10_m_m_s * (max(height_m, 1.0) / 10.0) ** numbers.power
        gust = 0.0 if since_rail_exit_s is None else gust_m_s(numbers.gust, since_rail_exit_s)
        return (
            mean * self._mean[0] + gust * self._gust_direction[0] + self._east,
            mean * self._mean[1] + gust * self._gust_direction[1] + self._north,
            self._up,
        )


def gust_m_s(gust: Gust, since_rail_exit_s: float) -> float:
    """Return the speed of the single gust at a time after rail exit: 1 - cosine up, a plateau, 1 - cosine down."""
    t = since_rail_exit_s - gust.start_after_rail_exit_s
    if gust.peak_m_s == 0.0 or t <= 0.0:
        return 0.0
    if t < gust.rise_s:
        return gust.peak_m_s * 0.5 * (1.0 - math.cos(math.pi * t / gust.rise_s))
    t -= gust.rise_s + gust.hold_s
    if t <= 0.0:
        return gust.peak_m_s
    return gust.peak_m_s * 0.5 * (1.0 + math.cos(math.pi * t / gust.fall_s)) if t < gust.fall_s else 0.0
