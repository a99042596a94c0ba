"""Watching one channel against its limits, with patience both ways so that noise makes no alarm.

A limit counts as passed after `RAISE_ROWS` rows in a row beyond it, and as kept again after `CLEAR_ROWS` rows in a row
within all limits over at least `HELD_S`: a value that dithers about its limit is one alarm, however it dithers. What is no
number neither raises nor clears. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from protocol.arrays import Floats, Levels

RAISE_ROWS = 3
CLEAR_ROWS = 5
HELD_S = 10.0


def limit_levels(values: Floats, limits: Mapping[str, float]) -> Levels:
    """Return 0 (within), 1 (caution) or 2 (warning) for each value, shape (n,).

    What is no number is within no limits: a warning, as the page draws it; `LimitWatch` passes over such rows.
    `limits` holds those of the dictionary in the channel's SI unit, by their names there; any may be missing.
    """
    level = np.zeros(len(values), dtype=np.int8)
    with np.errstate(invalid="ignore"):
        for name, at_least in (("caution", 1), ("warning", 2)):
            if f"{name}_low" in limits:
                level[values < limits[f"{name}_low"]] = at_least
            if f"{name}_high" in limits:
                level[values > limits[f"{name}_high"]] = at_least
    level[~np.isfinite(values)] = 2
    return level


class LimitWatch:
    """The state of one channel: `level` is what is raised now (0, 1 or 2)."""

    def __init__(self, limits: Mapping[str, float]) -> None:
        self.limits = limits
        self.level = 0
        self._runs = [0, 0]  # rows in a row beyond a caution limit, beyond a warning limit
        self._within = 0
        self._within_from_s = 0.0

    def take(self, t: Floats, values: Floats) -> list[tuple[int, int]]:
        """Take times (s) and values in order, shape (n,); return (row, new level) for every change of the raised level."""
        levels = limit_levels(values, self.limits)
        if self.level == 0 and self._runs[0] == 0 and not levels.any():
            return []
        known = np.flatnonzero(np.isfinite(values)).tolist()
        return [(row, self.level) for row in known if self._step(float(t[row]), int(levels[row]))]

    def _step(self, t: float, level: int) -> bool:
        self._runs = [run + 1 if level > place else 0 for place, run in enumerate(self._runs)]
        self._within = self._within + 1 if level == 0 else 0
        if self._within == 1:
            self._within_from_s = t
        if self.level and self._within >= CLEAR_ROWS and t >= self._within_from_s + HELD_S:
            self.level = 0
            return True
        proven = sum(run >= RAISE_ROWS for run in self._runs)
        if proven > self.level:
            self.level = proven
            return True
        return False
