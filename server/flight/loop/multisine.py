"""A signal that excites one axis while the vehicle flies: a multisine of low peak factor.

Harmonics of one period (so that they are orthogonal over it, and another axis can have the harmonics between), equal power,
and phases that keep the peak low, after E. A. Morelli's optimized multisines (from memory): begun at Schroeder's phases
(M. R. Schroeder, IEEE Transactions on Information Theory 16, 1970; from memory), improved by an optimizer, and shifted in
time so that it begins at zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from protocol.arrays import Floats

POINTS_PER_CYCLE = 32
POWER = 12  # of the norm that stands in for the peak while it is being lowered: smooth, and nearly the peak


@dataclass(frozen=True)
class Multisine:
    """The sum of cos(2 pi harmonic t / period + phase), divided by its peak: between -1 and 1; phases in rad."""

    period_s: float
    harmonics: tuple[int, ...]
    phases_rad: tuple[float, ...]
    share: float  # of each cosine, so that the peak is 1

    @property
    def relative_peak_factor(self) -> float:
        """Half of the span over that of a sine of the same rms: 1 for a sine."""
        values = self.at(_grid(self.period_s, max(self.harmonics)))
        return float((values.max() - values.min()) / (2.0 * np.sqrt(2.0) * np.sqrt((values**2).mean())))

    def at(self, t_s: Floats) -> Floats:
        """Return the signal at times, shape (n,)."""
        return self.share * _sum(np.asarray(t_s, np.float64), self.period_s, self.harmonics, np.array(self.phases_rad))


def _grid(period_s: float, highest: int) -> Floats:
    return np.arange(POINTS_PER_CYCLE * highest) * period_s / (POINTS_PER_CYCLE * highest)


def _sum(t_s: Floats, period_s: float, harmonics: Sequence[int], phases: Floats) -> Floats:
    turns = 2.0 * np.pi / period_s * np.outer(t_s, np.asarray(harmonics, np.float64)) + phases
    values: Floats = np.cos(turns).sum(axis=1)
    return values


def schroeder_phases(count: int) -> Floats:
    """Return Schroeder's phases for equal powers, rad, shape (count,)."""
    k = np.arange(count)
    return -np.pi * k * (k + 1) / count


def multisine(period_s: float, harmonics: Sequence[int]) -> Multisine:
    """Return the multisine of ascending harmonics with its phases optimized; the same for the same question.

    Raises ValueError for no harmonic, or ones that do not ascend from 1.
    """
    numbers = tuple(int(one) for one in harmonics)
    if not numbers or numbers[0] < 1 or list(numbers) != sorted(set(numbers)):
        raise ValueError(f"harmonics {numbers} do not ascend from 1")
    t = _grid(period_s, numbers[-1])

    def norm(phases: Floats) -> float:
        values = _sum(t, period_s, numbers, phases)
        return float((values**POWER).mean() ** (1.0 / POWER))

    start = schroeder_phases(len(numbers))
    found: Floats = minimize(norm, start, method="BFGS").x
    phases = _from_zero(period_s, numbers, found if norm(found) < norm(start) else start)
    peak = float(np.abs(_sum(t, period_s, numbers, phases)).max())
    wrapped = np.remainder(phases + np.pi, 2.0 * np.pi) - np.pi
    return Multisine(period_s, numbers, tuple(float(one) for one in wrapped), 1.0 / peak)


def _from_zero(period_s: float, harmonics: Sequence[int], phases: Floats) -> Floats:
    """Shift the signal in time so that it begins where it passes zero most slowly: no jump, and the gentlest beginning."""
    t = _grid(period_s, max(harmonics))
    values = _sum(t, period_s, harmonics, phases)
    after = np.roll(values, -1)
    crossing = np.flatnonzero(values * after <= 0.0)
    at = int(crossing[np.argmin(np.abs(after - values)[crossing])])
    step = t[1] - t[0]
    moment = t[at] + step * values[at] / (values[at] - after[at])
    for _ in range(20):  # Newton, to the last digit
        turns = 2.0 * np.pi * np.asarray(harmonics) / period_s
        value, slope = np.cos(turns * moment + phases).sum(), -(turns * np.sin(turns * moment + phases)).sum()
        moment -= value / slope
    shifted: Floats = phases + 2.0 * np.pi * np.asarray(harmonics) * moment / period_s
    return shifted
