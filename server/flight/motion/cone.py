"""Is the nose drawing a cone? A corkscrew measured over a sliding window, from where the nose points.

East and north components of the nose over the last `WINDOW_S`, taken from their mean:

- the cone's half-angle is the root mean square radius;
- the turn from one sample to the next is the angle of (sum of dot products, sum of cross products) of neighbors, the
  lag-one phase that radar calls the pulse pair (Miller & Rochwarger, 1972; from memory), with its sign: positive is
  counterclockwise seen from above, from east toward north;
- circularity is |sum of cross products|, twice the area swept (shoelace formula), over radius times path length: 1 for a
  circle, 2ab / (a^2 + b^2) for an ellipse, 0 for a plane wobble, and near 0 for noise, which sweeps both ways.

Thresholds: common practice, no source.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass
from math import asin, atan2, isfinite, pi, sqrt

WINDOW_S = 1.5
LONGEST_GAP_S = 0.5
LONGEST_PAIR_S = 0.22  # further apart two samples do not tell how often it turned between them
FEWEST_PAIRS = 10
WIDE_RAD = 0.03
ROUND = 0.5
TURNS = 0.8


@dataclass(frozen=True, slots=True)
class Cone:
    """One window: its end (s), mean nose direction (east, north), half-angle with one sigma (rad), turns per second with
    sign, seconds looked at, circularity 0..1."""

    t_s: float
    mean_east: float
    mean_north: float
    half_angle_rad: float
    sigma_rad: float
    turns_per_s: float
    seconds: float
    circularity: float

    @property
    def is_cone(self) -> bool:
        """True for a corkscrew worth telling: wide, round, and at least most of a turn within the window."""
        turned = abs(self.turns_per_s) * self.seconds
        return self.half_angle_rad - 2 * self.sigma_rad > WIDE_RAD and self.circularity > ROUND and turned > TURNS


@dataclass(slots=True)
class _Point:
    """A sample and what it adds to the sums together with the one before it (zeros without one near enough)."""

    t: float
    east: float
    north: float
    pairs: int = 0
    pair_s: float = 0.0
    before_east: float = 0.0
    before_north: float = 0.0
    cross: float = 0.0
    dot: float = 0.0
    path: float = 0.0
    bends: int = 0
    bend2: float = 0.0


class ConeWatch:
    """INCREMENTAL: takes nose directions in order of time and measures the window that ends at each.

    Running sums, added and taken away sample by sample, so that it costs the same whatever the window and gives the same
    in whatever pieces the samples came.
    """

    def __init__(self, window_s: float = WINDOW_S) -> None:
        self.window_s = window_s
        self._clear()

    def take(self, t_s: Iterable[float], east: Iterable[float], north: Iterable[float]) -> list[Cone | None]:
        """Take samples; return one answer for each: None where the window holds too little or is broken by a gap.

        A sample that is not finite, not after the last one, or no direction (longer than one) is passed over.
        """
        return [self._one(float(t), float(e), float(n)) for t, e, n in zip(t_s, east, north, strict=True)]

    def _clear(self) -> None:
        self._points: deque[_Point] = deque()
        self._east = self._north = self._square = 0.0
        self._pairs = self._bends = 0
        # Per pair: seconds, sums of either end, cross and dot products about the origin; path; bending.
        self._pair_s = self._b_east = self._b_north = self._a_east = self._a_north = 0.0
        self._cross = self._dot = self._path = self._bend2 = 0.0

    def _one(self, t: float, east: float, north: float) -> Cone | None:
        if not (isfinite(t) and isfinite(east) and isfinite(north)) or east * east + north * north > 1.01:
            return None
        points = self._points
        if points and t <= points[-1].t:
            return None
        if points and t - points[-1].t > LONGEST_GAP_S:
            self._clear()
            points = self._points
        self._add(self._joined(t, east, north))
        while points[0].t < t - self.window_s:
            self._drop()
        if self._pairs < FEWEST_PAIRS or t - points[0].t < 0.6 * self.window_s:
            return None
        return self._measure(t)

    def _joined(self, t: float, east: float, north: float) -> _Point:
        """Return the sample with its products with the one before."""
        point = _Point(t, east, north)
        if not self._points or t - self._points[-1].t > LONGEST_PAIR_S:
            return point
        before = self._points[-1]
        point.pairs, point.pair_s = 1, t - before.t
        point.before_east, point.before_north = before.east, before.north
        point.cross = before.east * north - east * before.north
        point.dot = before.east * east + before.north * north
        step_e, step_n = east - before.east, north - before.north
        point.path = sqrt(step_e * step_e + step_n * step_n)
        if before.pairs:
            # Distance of the middle sample from the line of its neighbors: noise, and a little of the turn itself.
            share = before.pair_s / (before.pair_s + point.pair_s)
            off_e = before.before_east + share * (east - before.before_east) - before.east
            off_n = before.before_north + share * (north - before.before_north) - before.north
            point.bends, point.bend2 = 1, off_e * off_e + off_n * off_n
        return point

    def _add(self, p: _Point) -> None:
        self._points.append(p)
        self._east += p.east
        self._north += p.north
        self._square += p.east * p.east + p.north * p.north
        if p.pairs:
            self._count_pair(p, 1)

    def _drop(self) -> None:
        p = self._points.popleft()
        self._east -= p.east
        self._north -= p.north
        self._square -= p.east * p.east + p.north * p.north
        # The pair and the bend that reach back to what has left go with it.
        if p.pairs:
            self._count_pair(p, -1)
        first = self._points[0]
        if first.pairs:
            self._count_pair(first, -1)
            first.pairs = 0
        if len(self._points) > 1 and self._points[1].bends:
            second = self._points[1]
            self._bends -= 1
            self._bend2 -= second.bend2
            second.bends, second.bend2 = 0, 0.0

    def _count_pair(self, p: _Point, sign: int) -> None:
        self._pairs += sign
        self._bends += sign * p.bends
        self._pair_s += sign * p.pair_s
        self._b_east += sign * p.before_east
        self._b_north += sign * p.before_north
        self._a_east += sign * p.east
        self._a_north += sign * p.north
        self._cross += sign * p.cross
        self._dot += sign * p.dot
        self._path += sign * p.path
        self._bend2 += sign * p.bend2

    def _measure(self, t: float) -> Cone:
        count, pairs = len(self._points), self._pairs
        east, north = self._east / count, self._north / count
        mean2 = east * east + north * north
        radius = sqrt(max(0.0, self._square / count - mean2))
        # Products about the mean from products about the origin.
        cross = self._cross - (self._b_east * north - east * self._b_north) - (east * self._a_north - self._a_east * north)
        dot = self._dot - east * (self._a_east + self._b_east) - north * (self._a_north + self._b_north) + pairs * mean2
        noise2 = max(0.0, self._bend2) / (3.0 * self._bends) if self._bends > 0 else radius * radius
        return Cone(
            t_s=t,
            mean_east=east,
            mean_north=north,
            half_angle_rad=asin(min(1.0, radius)),
            sigma_rad=sqrt(noise2 / count),
            turns_per_s=atan2(cross, dot) * pairs / (2.0 * pi * self._pair_s),
            seconds=t - self._points[0].t,
            circularity=min(1.0, abs(cross) / (radius * self._path)) if radius * self._path > 1e-15 else 0.0,
        )
