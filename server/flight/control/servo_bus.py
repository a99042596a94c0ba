"""Is the servo bus alive? Told by its voltage and by the age of the last good servo frame, with patience both ways.

Each is watched for itself: a vehicle may send one of them, or both in different packets. Thresholds are common practice,
no source: servos run from some 4 to 9 V and are asked 50 to 300 times a second, so that a bus under 2 V, or a quarter of a
second without one good frame, moves no fin. What is no number, and what lies between the thresholds, says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Bools, Floats, Levels

DEAD_V, ALIVE_V = 2.0, 3.0
DEAD_AGE_S, ALIVE_AGE_S = 0.25, 0.10
DEAD_ROWS, DEAD_S = 3, 0.08
ALIVE_ROWS, ALIVE_S = 3, 0.08
ALIVE, DEAD = 1, -1


def voltage_levels(voltage_v: Floats) -> Levels:
    """Return `ALIVE`, `DEAD` or 0 (says nothing) for each bus voltage, shape (n,)."""
    return _levels(np.isfinite(voltage_v), voltage_v >= ALIVE_V, voltage_v <= DEAD_V)


def age_levels(age_s: Floats) -> Levels:
    """Return `ALIVE`, `DEAD` or 0 (says nothing) for each age of the last good servo frame, shape (n,)."""
    return _levels(np.isfinite(age_s), age_s <= ALIVE_AGE_S, age_s >= DEAD_AGE_S)


def _levels(known: Bools, alive: Bools, dead: Bools) -> Levels:
    return np.where(known & alive, ALIVE, np.where(known & dead, DEAD, 0)).astype(np.int8)


@dataclass(frozen=True)
class BusChange:
    """At row `row` of the arrays just taken it is settled that the bus is dead or alive, since timeline second `since_t`."""

    row: int
    dead: bool
    since_t: float


class BusWatch:
    """One quantity of the bus. `dead` is None until the first rows settle it; the same rows in any cut give the same."""

    def __init__(self) -> None:
        self.dead: bool | None = None
        self._run = 0
        self._rows = 0
        self._first_t = 0.0
        self._first_dated_t = 0.0
        self._last_alive_t: float | None = None

    def take(self, t: Floats, levels: Levels, dated_t: Floats) -> list[BusChange]:
        """Take rows in order: times, levels, and the time each row gives for the last sign of life, shape (n,) each."""
        if self.dead is False and self._run != DEAD and len(levels) and (levels == ALIVE).all():
            self._last_alive_t = float(t[-1])
            return []
        changes = []
        edges = [0, *(np.flatnonzero(np.diff(levels)) + 1).tolist(), len(levels)]
        for start, stop in zip(edges[:-1], edges[1:], strict=True):
            level = int(levels[start]) if stop > start else 0
            if level:
                changes += self._take_run(level, start, stop, t, dated_t)
        return changes

    def _take_run(self, level: int, start: int, stop: int, t: Floats, dated_t: Floats) -> list[BusChange]:
        if level != self._run:
            self._run, self._rows = level, 0
            self._first_t, self._first_dated_t = float(t[start]), float(dated_t[start])
        found = []
        if self.dead is not (level == DEAD):
            rows_needed, seconds = (DEAD_ROWS, DEAD_S) if level == DEAD else (ALIVE_ROWS, ALIVE_S)
            for row in range(start, stop):
                self._rows += 1
                if self._rows >= rows_needed and t[row] - self._first_t >= (0.0 if self.dead is None else seconds):
                    self.dead = level == DEAD
                    found = [BusChange(row, self.dead, self._since())]
                    break
        if level == ALIVE:
            self._last_alive_t = float(t[stop - 1])
        return found

    def _since(self) -> float:
        """Return since when: not before the last row that showed it alive, nor after the first that did not."""
        if self._run == ALIVE or self._last_alive_t is None:
            return self._first_t
        return min(self._first_t, max(self._first_dated_t, self._last_alive_t))
