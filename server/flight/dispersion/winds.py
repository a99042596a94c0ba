"""The wind that each of many flights meets: a mean by height that is turned and scaled, eddies, and one gust off the rail.

The mean is a table of heights, the same for all, of the sheet's one wind, a sounding or a flown flight; each flight has its
own factor, turn, steepness and a little of its own besides. Eddies are a first-order random process over the way through
the air, the form of the longitudinal Dryden spectrum (MIL-F-8785C, from memory), half as strong upward.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from protocol.arrays import Floats
from server.flight.air.atmosphere import WIND_POWER

EDDY_LENGTH_M = 40.0  # MIL-F-8785C near the ground has the height itself (from memory); common practice, no source
SLOWEST_M_S = 3.0  # eddies change also where the air is hardly met
UP_SHARE = 0.5
LOWEST_M = 1.0


@dataclass(frozen=True)
class MeanWind:
    """Mean wind by height over ground: heights in m ascending, where the air goes in m/s east and north; all (k,)."""

    height_m: Floats
    east_m_s: Floats
    north_m_s: Floats


def power_law(speed_m_s: float, from_rad: float, at_m: float, power: float = WIND_POWER, top_m: float = 8000.0) -> MeanWind:
    """Return the mean wind that grows with height as the surface layer's does (common practice, no source).

    `speed_m_s` was measured at `at_m`; it blows from `from_rad`, clockwise from north.
    """
    height = np.geomspace(LOWEST_M, top_m, 200)
    speed = speed_m_s * (height / at_m) ** power
    return MeanWind(height, -speed * np.sin(from_rad), -speed * np.cos(from_rad))


@dataclass(frozen=True)
class Winds:
    """The winds of n flights; m/s, rad; (n,) but for the mean. Directions of the gust are where the air goes.

    `beside_east` and `beside_north` are added to the mean at `at_m`, and grow with height as the surface layer's wind.
    """

    mean: MeanWind
    at_m: float
    factor: Floats
    turn: Floats
    steeper: Floats
    beside_east: Floats
    beside_north: Floats
    eddy_m_s: Floats
    eddy_length_m: Floats
    gust_m_s: Floats
    gust_toward: Floats
    gust_start_s: float = -0.05
    gust_rise_s: float = 0.12
    gust_hold_s: float = 0.8
    gust_fall_s: float = 0.6

    def part(self, chosen: slice) -> Winds:
        """Return those of some of the flights."""
        cut: dict[str, Any] = {
            field.name: value[chosen] for field in fields(self) if isinstance(value := getattr(self, field.name), np.ndarray)
        }
        return replace(self, **cut)

    def steady(self, up_m: Floats) -> Floats:
        """Return the mean east and north at a height of each flight, shape (2, n)."""
        height = np.maximum(up_m, LOWEST_M)
        east = np.interp(height, self.mean.height_m, self.mean.east_m_s)
        north = np.interp(height, self.mean.height_m, self.mean.north_m_s)
        over = np.log(height / self.at_m)
        scale = self.factor * np.exp(self.steeper * over)
        sine, cosine, grown = np.sin(self.turn), np.cos(self.turn), np.exp(WIND_POWER * over)
        return np.stack([
            scale * (east * cosine + north * sine) + grown * self.beside_east,
            scale * (north * cosine - east * sine) + grown * self.beside_north,
        ])  # fmt: skip

    def gust(self, since_exit_s: Floats) -> Floats:
        """Return the single gust's speed at times after each flight's rail exit: 1 - cosine up, a plateau, and down."""
        t = since_exit_s - self.gust_start_s
        rising = np.clip(t / self.gust_rise_s, 0.0, 1.0)
        falling = np.clip((t - self.gust_rise_s - self.gust_hold_s) / self.gust_fall_s, 0.0, 1.0)
        share: Floats = 0.25 * (1.0 - np.cos(np.pi * rising)) * (1.0 + np.cos(np.pi * falling))
        return self.gust_m_s * share


class Eddies:
    """The eddies of n flights as they go on, east, north, up in m/s, shape (3, n)."""

    def __init__(self, winds: Winds, random: np.random.Generator) -> None:
        self._winds, self._random = winds, random
        self._some = bool(winds.eddy_m_s.any())
        self._share = np.array([[1.0], [1.0], [UP_SHARE]])
        self.now: Floats = self._kick() * winds.eddy_m_s * self._share

    def _kick(self) -> Floats:
        return self._random.standard_normal((3, len(self._winds.eddy_m_s)))

    def step(self, seconds: float, airspeed_m_s: Floats) -> None:
        """Let them change as met over some seconds at each flight's air speed."""
        if self._some:
            keep = np.exp(-seconds * np.maximum(airspeed_m_s, SLOWEST_M_S) / self._winds.eddy_length_m)
            strength = self._winds.eddy_m_s * np.sqrt(1.0 - keep * keep)
            self.now = keep * self.now + strength * self._share * self._kick()
