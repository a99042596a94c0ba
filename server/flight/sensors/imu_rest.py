"""One inertial unit at rest on the pad: bias, noise and gyro drift of each axis, and which of two units drifts.

Samples are gathered in blocks of `BLOCK` (about one second). A block counts when the vehicle stood still in it: within it
force and rates scatter little, the force is as long as gravity, and its mean is that of the block before. Bias and noise are
running means and pooled variances (B. P. Welford, "Note on a Method for Calculating Corrected Sums of Squares and Products",
Technometrics 4, 1962); drift is the slope of the least-squares line through the block means, with its standard error
(any textbook of statistics), so that slow noise in the blocks widens the error instead of passing for drift.

A mean of force at rest is gravity seen from that attitude plus bias: only the difference of two units is bias alone.
Thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, sqrt
from typing import NamedTuple

import numpy as np

from protocol.arrays import Bools, Floats, Ints
from protocol.units import GRAVITY_M_S2

BLOCK = 25
LONGEST_BLOCK_S = 3.0
STILL_FORCE_M_S2, STILL_RATE_RAD_S = 0.5, 0.03  # scatter of a sample within a block
MOST_SQUARES = np.array([STILL_FORCE_M_S2] * 3 + [STILL_RATE_RAD_S] * 3) ** 2 * (BLOCK - 1)
GRAVITY_WITHIN_M_S2 = 1.0
SAME_ATTITUDE_M_S2 = 0.15  # between the means of two blocks, about a degree
MOVED_M_S2 = 0.5  # from the mean of the whole stay: it was set up anew
FEWEST_BLOCKS = 5
FEWEST_FOR_DRIFT = 10
SURE = 6.0
NO_SENSOR_SAYS = 1e6
# What warming up may do to a gyro: 0.02 degrees per second and kelvin.
RATE_PER_KELVIN = 3.5e-4
# A drift matters when it turns the attitude by so much over an ascent of this length, from a bias that is the mean over the
# stay: half the stay's drift all the time, and what comes on top. An ordinary gyro's slow noise turns it by far less.
MATTERS_RAD, ASCENT_S = radians(2.0), 30.0


@dataclass(frozen=True)
class Samples:
    """Samples of one unit: times (s), force (m/s2) and rates (rad/s) as (n, 6), whether in flight, die temperature (K)."""

    t_s: Floats
    values: Floats
    flying: Bools
    temperature_k: Floats | None = None


@dataclass(frozen=True)
class UnitAtRest:
    """A unit over its stay on the pad. Tuples hold force x, y, z (m/s2) then rates x, y, z (rad/s); drift the rates alone.

    `noise` is one sigma of one sample; `drift_sigma_rad_s2` is the standard error of `drift_rad_s2`, `drift_allowed_rad_s2`
    is what warming up explains. `blocks` of `BLOCK` samples over `span_s` seconds stood still.
    """

    blocks: int
    span_s: float
    mean: tuple[float, ...]
    noise: tuple[float, ...]
    drift_rad_s2: tuple[float, float, float]
    drift_sigma_rad_s2: tuple[float, float, float]
    drift_allowed_rad_s2: float

    def drifts(self, axis: int) -> bool:
        """Tell whether a gyro axis (0, 1, 2 for x, y, z) surely drifts more than warming up explains, and matters.

        `SURE` sigmas are common practice, no source.
        """
        drift = abs(self.drift_rad_s2[axis])
        return drift > max(SURE * self.drift_sigma_rad_s2[axis] + self.drift_allowed_rad_s2, self.least_rad_s2)

    @property
    def least_rad_s2(self) -> float:
        """The least drift that leads to an attitude error that matters."""
        return MATTERS_RAD / (0.5 * ASCENT_S * (self.span_s + ASCENT_S))


class Block(NamedTuple):
    """A block in which the vehicle stood still: the place of its last sample among those given, and times (s).

    `mean` is of seven columns, force, rates and temperature; `squares` sums up the squares of the distances from it.
    """

    last: int
    start_s: float
    end_s: float
    middle_s: float
    mean: list[float]
    squares: list[float]


class _Line:
    """A running least-squares line of y over t."""

    def __init__(self) -> None:
        self.count = 0
        self.mean_t = self.mean_y = self._tt = self._ty = self._yy = 0.0

    def take(self, t: float, y: float) -> None:
        self.count += 1
        dt, dy = t - self.mean_t, y - self.mean_y
        self.mean_t += dt / self.count
        self.mean_y += dy / self.count
        self._tt += dt * (t - self.mean_t)
        self._ty += dt * (y - self.mean_y)
        self._yy += dy * (y - self.mean_y)

    def slope(self) -> tuple[float, float]:
        """Return slope and standard error, which is infinite while a slope says nothing."""
        if self.count < FEWEST_FOR_DRIFT or self._tt <= 0.0:
            return 0.0, float("inf")
        slope = self._ty / self._tt
        left = max(self._yy - slope * self._ty, 0.0)
        return slope, sqrt(left / (self.count - 2) / self._tt)


class RestStatistics:
    """Learns one unit until it first flies; feed samples in order, in arrays of any length, with the same result."""

    def __init__(self) -> None:
        self.over = False
        self._last_t = -np.inf
        self._kept_t = np.zeros(0)
        self._kept = np.zeros((0, 7))
        self._before: Floats | None = None
        self._begin()

    def _begin(self) -> None:
        self._lines = [_Line() for _ in range(7)]
        self._squares = [0.0] * 6
        self._first_s = self._end_s = 0.0

    def take(self, samples: Samples) -> None:
        """Take samples; one that is not finite or not after the last is passed over, and after lift-off all are."""
        for block in self.blocks(samples):
            self.learn(block)

    def blocks(self, samples: Samples) -> list[Block]:
        """Take samples as `take` does, and return the blocks to `learn` from, in order, at whatever moment each is due."""
        if self.over or not len(samples.t_s):
            return []
        place, t_s, values, still = self._clean(samples)
        if not still.all():
            stop = int(np.argmin(still))
            place, t_s, values, self.over = place[:stop], t_s[:stop], values[:stop], True
        ends = place[BLOCK - 1 - len(self._kept_t) :: BLOCK]
        t_s = np.concatenate((self._kept_t, t_s))
        values = np.concatenate((self._kept, values))
        full = len(ends) * BLOCK
        self._kept_t, self._kept = t_s[full:], values[full:]
        if not full:
            return []
        return self._still(ends, t_s[:full].reshape(-1, BLOCK), values[:full].reshape(-1, BLOCK, 7))

    def result(self) -> UnitAtRest | None:
        """Return what is known; None before `FEWEST_BLOCKS` blocks stood still."""
        count = self._lines[0].count
        if count < FEWEST_BLOCKS:
            return None
        *rates, warmth = [line.slope() for line in self._lines[3:]]
        drift, sigma = zip(*rates, strict=True)
        return UnitAtRest(
            count,
            self._end_s - self._first_s,
            tuple(line.mean_y for line in self._lines[:6]),
            tuple(sqrt(s / (count * (BLOCK - 1))) for s in self._squares),
            drift,
            sigma,
            RATE_PER_KELVIN * abs(warmth[0]),
        )

    def _clean(self, samples: Samples) -> tuple[Ints, Floats, Floats, Bools]:
        """Return the places of the samples that count, their times, seven columns, and whether on the pad."""
        warmth = samples.temperature_k
        if warmth is None:
            warmth = np.zeros(len(samples.t_s))
        values = np.column_stack((samples.values, np.where(np.isfinite(warmth), warmth, 0.0)))
        fine = np.isfinite(samples.t_s) & (np.abs(samples.values) < NO_SENSOR_SAYS).all(axis=1)  # false for NaN
        t_s = np.where(fine, samples.t_s, -np.inf)
        highest = np.maximum.accumulate(np.concatenate(([self._last_t], t_s)))
        self._last_t = float(highest[-1])
        fine &= t_s > highest[:-1]
        return np.flatnonzero(fine), t_s[fine], values[fine], ~np.asarray(samples.flying, dtype=bool)[fine]

    def _still(self, ends: Ints, t_s: Floats, values: Floats) -> list[Block]:
        """Return those of the blocks, shapes (n,), (n, BLOCK) and (n, BLOCK, 7), in which the vehicle stood still."""
        # A running sum adds in order of the samples, however many blocks come at once.
        first = values[:, :1]
        shifted = values - first
        mean = np.cumsum(shifted, axis=1)[:, -1] / BLOCK
        squares = np.cumsum((shifted - mean[:, None]) ** 2, axis=1)[:, -1]
        mean = mean + first[:, 0]
        middle = t_s[:, 0] + np.cumsum(t_s - t_s[:, :1], axis=1)[:, -1] / BLOCK
        calm = (squares[:, :6] <= MOST_SQUARES).all(axis=1) & (t_s[:, -1] - t_s[:, 0] <= LONGEST_BLOCK_S)
        force = np.sqrt(mean[:, 0] * mean[:, 0] + mean[:, 1] * mean[:, 1] + mean[:, 2] * mean[:, 2])
        calm &= np.abs(force - GRAVITY_M_S2) <= GRAVITY_WITHIN_M_S2
        before = np.concatenate((mean[:1] + 1e9 if self._before is None else self._before[None, :], mean[:-1]))
        self._before = mean[-1]
        calm &= (np.abs(mean[:, :3] - before[:, :3]) <= SAME_ATTITUDE_M_S2).all(axis=1)
        columns = (ends, t_s[:, 0], t_s[:, -1], middle, mean, squares)
        return list(map(Block._make, zip(*(column[calm].tolist() for column in columns), strict=True)))

    def learn(self, block: Block) -> None:
        """Learn from a block; where the vehicle was set up anew what was learned is forgotten."""
        lines, mean = self._lines, block.mean
        if lines[0].count and max(abs(mean[k] - lines[k].mean_y) for k in range(3)) > MOVED_M_S2:
            self._begin()
            lines = self._lines
        if not lines[0].count:
            self._first_s = block.start_s
        self._end_s = block.end_s
        for line, value in zip(lines, mean, strict=True):
            line.take(block.middle_s, value)
        for axis in range(6):
            self._squares[axis] += block.squares[axis]


@dataclass(frozen=True)
class GyroDrift:
    """A unit's gyro drifts: which ("a", "b", or None when that cannot be told), the axis (0-2), how fast, one sigma."""

    unit: str | None
    axis: int
    rate_rad_s2: float
    sigma_rad_s2: float


def drift_of(a: UnitAtRest | None, b: UnitAtRest | None) -> GyroDrift | None:
    """Return the greatest sure drift of two units at rest, or None.

    A turn of the whole vehicle shows in both: with two units their difference must drift as well. The one that moves is the
    one whose own slope is sure while the other's is not, or is three times as great.
    """
    found: list[tuple[float, GyroDrift]] = []
    for axis in range(3):
        drift = _of_one(a or b, "a" if a is not None else "b", axis) if a is None or b is None else _of_two(a, b, axis)
        if drift is not None:
            found.append((abs(drift.rate_rad_s2) / max(drift.sigma_rad_s2, 1e-12), drift))
    return max(found, key=lambda item: item[0])[1] if found else None


def _of_one(unit: UnitAtRest | None, name: str, axis: int) -> GyroDrift | None:
    if unit is None or not unit.drifts(axis):
        return None
    return GyroDrift(name, axis, unit.drift_rad_s2[axis], unit.drift_sigma_rad_s2[axis])


def _of_two(a: UnitAtRest, b: UnitAtRest, axis: int) -> GyroDrift | None:
    apart = a.drift_rad_s2[axis] - b.drift_rad_s2[axis]
    sigma = sqrt(a.drift_sigma_rad_s2[axis] ** 2 + b.drift_sigma_rad_s2[axis] ** 2)
    least = max(SURE * sigma + a.drift_allowed_rad_s2 + b.drift_allowed_rad_s2, min(a.least_rad_s2, b.least_rad_s2))
    if abs(apart) <= least:
        return None
    size_a, size_b = abs(a.drift_rad_s2[axis]), abs(b.drift_rad_s2[axis])
    if a.drifts(axis) and (not b.drifts(axis) or size_a > 3.0 * size_b):
        return _of_one(a, "a", axis)
    if b.drifts(axis) and (not a.drifts(axis) or size_b > 3.0 * size_a):
        return _of_one(b, "b", axis)
    return GyroDrift(None, axis, apart, sigma)
