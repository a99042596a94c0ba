"""What many drawn flights say: intervals, and a band of range and bearing in which a flight comes down.

Both are taken so that they hold as often as told for however few flights: of n drawn alike with the one to come, the k-th
smallest to the k-th largest hold it with (n + 1 - 2 k) / (n + 1) exactly (tests/SOURCES.md, drawn-flights). The band
takes its form from one half of the flights and its size from the other, for the same reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

import numpy as np

from protocol.arrays import Bools, Floats

HELD = 0.95
FEWEST = 40  # of fewer no 95 % can be said
_WEIGHTS = (0.6, 0.8, 1.0, 1.25, 1.6)
_LEAST_M, _LEAST_RAD = 1.0, 0.01
_ALMOST = 0.15  # of the range: a hole that small about the pad is filled, a gap of that share of a turn closed
_WIDE_RAD = 2.0 * np.pi * (1.0 - 0.5 * _ALMOST)


@dataclass(frozen=True)
class Interval:
    """The middle of a number, and from where to where 95 % of flights have it."""

    low: float
    middle: float
    high: float


def interval(values: Floats) -> Interval | None:
    """Return the 95 % interval of what n flights gave, (n,); NaN is left out. None of fewer than `FEWEST`."""
    good = np.sort(values[np.isfinite(values)])
    if len(good) < FEWEST:
        return None
    k = floor(0.5 * (1.0 - HELD) * (len(good) + 1))
    return Interval(float(good[k - 1]), float(np.median(good)), float(good[-k]))


@dataclass(frozen=True)
class Band:
    """A part of a ring about the pad: from where to where in m, and from which bearing clockwise over how much, rad."""

    near_m: float
    far_m: float
    from_rad: float
    over_rad: float

    @property
    def area_m2(self) -> float:
        """How much ground it covers."""
        return 0.5 * self.over_rad * (self.far_m**2 - self.near_m**2)

    def holds(self, ground_m: Floats) -> Bools:
        """Return which places (2, n), m east and north, lie in it."""
        reach = np.hypot(*ground_m)
        around = np.mod(np.arctan2(*ground_m) - self.from_rad, 2.0 * np.pi)
        inside: Bools = (reach >= self.near_m) & (reach <= self.far_m) & (around <= self.over_rad)
        return inside


def band(ground_m: Floats) -> Band | None:
    """Return the band that holds 95 % of flights that came down at (2, n); None of fewer than twice `FEWEST`.

    It lies about the median place. How long it is against how wide is chosen for the least ground.
    """
    good = ground_m[:, np.isfinite(ground_m).all(axis=0)]
    if good.shape[1] < 2 * FEWEST:
        return None
    form, size = good[:, ::2], good[:, 1::2]
    heading = float(np.arctan2(*np.median(form, axis=1)))
    middle = float(np.median(np.hypot(*form)))
    away, turned = np.hypot(*form) - middle, _wrapped(np.arctan2(*form) - heading)
    side = 0.5 * (1.0 - HELD)
    nearer, farther = (max(abs(float(q)), _LEAST_M) for q in np.quantile(away, (side, 1.0 - side)))
    lefter, righter = (max(abs(float(q)), _LEAST_RAD) for q in np.quantile(turned, (side, 1.0 - side)))
    best: Band | None = None
    for weight in _WEIGHTS:
        limits = (nearer, farther, weight * lefter, weight * righter)
        found = _band(middle, heading, limits, _scale(form, middle, heading, limits))
        if best is None or found.area_m2 < best.area_m2:
            best, chosen = found, limits
    return _band(middle, heading, chosen, _scale(size, middle, heading, chosen))


def _scale(ground_m: Floats, middle: float, heading: float, limits: tuple[float, float, float, float]) -> float:
    """Return how much the limits must be stretched to hold 95 % of flights like these."""
    away, turned = np.hypot(*ground_m) - middle, _wrapped(np.arctan2(*ground_m) - heading)
    nearer, farther, lefter, righter = limits
    along = np.where(away < 0.0, -away / nearer, away / farther)
    around = np.where(turned < 0.0, -turned / lefter, turned / righter)
    worst = np.sort(np.maximum(along, around))
    return float(worst[min(ceil(HELD * (len(worst) + 1)), len(worst)) - 1])


def _band(middle: float, heading: float, limits: tuple[float, float, float, float], scale: float) -> Band:
    nearer, farther, lefter, righter = (scale * limit for limit in limits)
    near, far = max(0.0, middle - nearer), middle + farther
    left, right = min(lefter, np.pi), min(righter, np.pi)
    if near < _ALMOST * far:
        near = 0.0
    if left + right > _WIDE_RAD:
        left = right = np.pi
    return Band(near, far, float(np.mod(heading - left, 2.0 * np.pi)), float(left + right))


def _wrapped(angle: Floats) -> Floats:
    return np.mod(angle + np.pi, 2.0 * np.pi) - np.pi


def inside(boundary: Sequence[tuple[float, float]], ground_m: Floats) -> Bools:
    """Return which places (2, n) lie inside a ring of points, m east and north (even-odd rule, any textbook)."""
    east, north = ground_m
    found = np.zeros(east.shape, dtype=np.bool_)
    for (e0, n0), (e1, n1) in zip(boundary, [*boundary[1:], boundary[0]], strict=True):
        if n0 == n1:
            continue
        crosses = (n0 > north) != (n1 > north)
        found ^= crosses & (east < e0 + (north - n0) * (e1 - e0) / (n1 - n0))
    return found
