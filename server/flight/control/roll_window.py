"""Roll rates, fins and dynamic pressure of one window of flight on one time axis, as the roll's fit needs them.

Only rates around which fins and pressure were heard are used; where they were not for long, a new stretch begins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats, Ints

Samples = tuple[Floats, Floats]  # times (s) and values

LONGEST_GAP_S = 0.16  # two fin packets of 20 Hz lost in a row; common practice, no source
LONGEST_PRESSURE_GAP_S = 0.6  # dynamic pressure changes slowly; common practice, no source
LAGS_S = np.arange(0.0, 0.1501, 0.01)
MOST_SAMPLES = 800  # more would only cost time: every n-th is used
LARGEST = 1e7  # of any quantity here, so that squares stay numbers; common practice, no source
LONGEST_WINDOW_S = 120.0  # more is not one coast; common practice, no source
GRID_S = 0.005


def clean(samples: Samples) -> Samples:
    """Drop what is not finite or beyond any sense, sort by time, keep the first of equal times."""
    t, values = np.asarray(samples[0], dtype=np.float64), np.asarray(samples[1], dtype=np.float64)
    with np.errstate(invalid="ignore"):
        good = (np.abs(t) < LARGEST) & (np.abs(values) < LARGEST)
    kept, first = np.unique(t[good], return_index=True)
    return kept, values[good][first]


@dataclass(frozen=True, slots=True)
class RollWindow:
    """Rate samples that can be used, with their stretch and sensor, and what is needed for the integrals."""

    t: Floats
    rate: Floats
    stretch: Ints
    sensor: Ints
    grid: Floats
    pressure: Floats  # on the grid, never negative
    damping_sum: Floats  # integral of sqrt(q) r on the grid
    fins: Samples
    movement_rad: float

    def at_samples(self, on_grid: Floats) -> Floats:
        """Return a running integral at the rate samples."""
        return np.interp(self.t, self.grid, on_grid)


def gather(rates: list[Samples], fins: Samples, pressure: Samples) -> RollWindow | None:
    t = np.concatenate([times for times, _ in rates])
    values = np.concatenate([rate for _, rate in rates])
    sensor = np.repeat(np.arange(len(rates)), [times.size for times, _ in rates])
    order = np.argsort(t, kind="stable")
    t, values, sensor = t[order], values[order], sensor[order]
    stretch = _stretches(t, fins[0], pressure[0])
    stretch = _without_rate_gaps(t, stretch)
    used = stretch >= 0
    if not used.any():
        return None
    first, last = t[used][0], t[used][-1]
    if last - first > LONGEST_WINDOW_S:
        return None
    grid = np.arange(first - 2 * GRID_S, last + 3 * GRID_S, GRID_S)
    q = np.maximum(np.interp(grid, *pressure), 0.0)
    damping = running_integral(np.sqrt(q) * np.interp(grid, t, values))
    near = (fins[0] >= first - LAGS_S[-1]) & (fins[0] <= last)
    movement = float(np.std(fins[1][near])) if near.any() else 0.0
    step = -(-int(used.sum()) // MOST_SAMPLES)
    pick = np.flatnonzero(used)[::step]
    return RollWindow(t[pick], values[pick], stretch[pick], sensor[pick], grid, q, damping, fins, movement)


def _stretches(t: Floats, fin_t: Floats, pressure_t: Floats) -> Ints:
    """Number the stretches in which fins (also the longest lag ago) and pressure are known; -1 where they are not."""
    holes = [(a, b) for a, b in zip(fin_t[:-1], fin_t[1:], strict=True) if b - a > LONGEST_GAP_S]
    edges = [fin_t[0], *(x for hole in holes for x in hole), fin_t[-1]]
    stretch = np.full(t.size, -1, dtype=np.int64)
    for number in range(len(edges) // 2):
        start, end = edges[2 * number], edges[2 * number + 1]
        stretch[(t >= start + LAGS_S[-1]) & (t <= end)] = number
    after = np.clip(np.searchsorted(pressure_t, t), 1, pressure_t.size - 1)
    wide = pressure_t[after] - pressure_t[after - 1] > LONGEST_PRESSURE_GAP_S
    stretch[wide | (t < pressure_t[0]) | (t > pressure_t[-1])] = -1
    return stretch


def _without_rate_gaps(t: Floats, stretch: Ints) -> Ints:
    """Begin a new stretch where no sensor gave a rate for long, and drop stretches of fewer than three samples."""
    used = np.flatnonzero(stretch >= 0)
    if used.size == 0:
        return stretch
    fresh = (np.diff(t[used]) > LONGEST_PRESSURE_GAP_S) | (np.diff(stretch[used]) != 0)
    number = np.concatenate(([0], np.cumsum(fresh)))
    number[np.bincount(number)[number] < 3] = -1
    out = np.full(t.size, -1, dtype=np.int64)
    out[used] = number
    return out


def running_integral(values: Floats) -> Floats:
    """Return the trapezoid sum up to each point of the grid, shape as given."""
    return np.concatenate(([0.0], np.cumsum(0.5 * GRID_S * (values[1:] + values[:-1]))))
