"""Watching one channel against its limits, with patience both ways so that noise makes no alarm.

A limit counts as passed after `RAISE_ROWS` rows in a row beyond it and as kept again after `CLEAR_ROWS` rows in a row
within all limits. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

RAISE_ROWS = 3
CLEAR_ROWS = 5


def limit_levels(values: NDArray[np.float64], limits: Mapping[str, float]) -> NDArray[np.int8]:
    """Return 0 (within), 1 (caution) or 2 (warning) for each value, shape (n,). A non-finite value is within."""
    level = np.zeros(len(values), dtype=np.int8)
    with np.errstate(invalid="ignore"):
        for name, at_least in (("caution", 1), ("warning", 2)):
            if f"{name}_low" in limits:
                level[values < limits[f"{name}_low"]] = at_least
            if f"{name}_high" in limits:
                level[values > limits[f"{name}_high"]] = at_least
    level[~np.isfinite(values)] = 0
    return level


class LimitWatch:
    """The state of one channel: `level` is what is raised now (0, 1 or 2)."""

    def __init__(self, limits: Mapping[str, float]) -> None:
        self.limits = limits
        self.level = 0
        self._beyond = 0
        self._least = 0
        self._within = 0

    def take(self, values: NDArray[np.float64]) -> list[tuple[int, int]]:
        """Take values in order; return (row, new level) for every change of the raised level."""
        levels = limit_levels(values, self.limits)
        if self.level == 0 and self._beyond == 0 and not levels.any():
            return []
        return [(row, self.level) for row, level in enumerate(levels.tolist()) if self._step(level)]

    def _step(self, level: int) -> bool:
        if level == 0:
            self._beyond = 0
            self._within += 1
            if self.level and self._within >= CLEAR_ROWS:
                self.level = 0
                return True
            return False
        self._within = 0
        self._least = level if self._beyond == 0 else min(self._least, level)
        self._beyond += 1
        if self._beyond >= RAISE_ROWS and self._least > self.level:
            self.level = self._least
            return True
        if self._beyond >= RAISE_ROWS:
            self._beyond, self._least = 0, 2
        return False
