"""What a fin sweep tells of a linkage: travel, ratio, offset, backlash.

A fin is told to go up through some angles and down through the same ones. With play, it lags behind by half the play
in either direction, so the two branches make a loop (a backlash hysteresis loop):

    measured = offset + ratio * commanded - direction * backlash / 2        direction +1 rising, -1 falling

Ratio and offset come from ordinary least squares with the direction as a third column, so that a different number of
points on the two branches cannot tilt the line; the ratio's interval is the textbook one from Student's t (N. R. Draper
and H. Smith, Applied Regression Analysis, chapter on the general linear model; from memory). The backlash is the median,
over angles met in both directions, of falling minus rising.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan, cos, isfinite, pi, sin, sqrt

import numpy as np

CONFIDENCE = 0.95
RISING, FALLING, NEITHER = 1, -1, 0
_SAME = 9  # decimals to which two commanded angles count as the same
_ROUNDS = 4  # of leaving out what is still inside the play


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """One place of a sweep: what was asked, what was measured (rad), and the direction it was reached in."""

    commanded: float
    measured: float
    direction: int


@dataclass(frozen=True, slots=True)
class Linkage:
    """What a sweep shows. Angles in rad; None where the points do not suffice.

    `ratio_low`, `ratio_high`: 95 % confidence interval of the ratio. `pairs`: angles the backlash is the median over.
    """

    points: int
    commanded_low: float
    commanded_high: float
    travel_low: float
    travel_high: float
    ratio: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None
    offset: float | None = None
    backlash: float | None = None
    pairs: int = 0
    residual: float | None = None


def analyze_sweep(points: Sequence[SweepPoint], confidence: float = CONFIDENCE) -> Linkage | None:
    """Return travel, linkage ratio with its interval, offset and backlash of one fin; None without a finite point.

    Points within the play after a turn belong to neither branch yet and are left out of fit and backlash.
    """
    known = [p for p in points if isfinite(p.commanded) and isfinite(p.measured)]
    if not known:
        return None
    commanded, measured = [p.commanded for p in known], [p.measured for p in known]
    branches = [p for p in known if p.direction in (RISING, FALLING)]
    backlash, pairs = 0.0, 0
    for _ in range(_ROUNDS):
        taken = _beyond_play(branches, abs(backlash))
        backlash, pairs = _backlash(taken)
    fit = _fit(taken, confidence)
    if fit[0] is not None and fit[0] < 0.0:
        backlash = -backlash  # on a reversed linkage the falling branch is the lower one
    return Linkage(
        points=len(known),
        commanded_low=min(commanded),
        commanded_high=max(commanded),
        travel_low=min(measured),
        travel_high=max(measured),
        ratio=fit[0],
        ratio_low=fit[1],
        ratio_high=fit[2],
        offset=fit[3],
        backlash=backlash if pairs else None,
        pairs=pairs,
        residual=fit[4],
    )


def _beyond_play(points: Sequence[SweepPoint], play: float) -> list[SweepPoint]:
    """Return the points whose branch has taken up the play: farther than it from where the branch began."""
    if not points:
        return []
    low, high = min(p.commanded for p in points), max(p.commanded for p in points)
    slack = play * (1.0 + 1e-9)
    return [p for p in points if (p.commanded - low if p.direction == RISING else high - p.commanded) > slack]


def _backlash(points: Sequence[SweepPoint]) -> tuple[float, int]:
    """Return (median of falling minus rising over the angles met both ways, how many those are)."""
    branches: dict[int, dict[float, list[float]]] = {RISING: {}, FALLING: {}}
    for p in points:
        branches[p.direction].setdefault(round(p.commanded, _SAME), []).append(p.measured)
    both = branches[RISING].keys() & branches[FALLING].keys()
    widths = [float(np.mean(branches[FALLING][angle]) - np.mean(branches[RISING][angle])) for angle in both]
    return (float(np.median(widths)), len(widths)) if widths else (0.0, 0)


def _fit(points: Sequence[SweepPoint], confidence: float) -> tuple[float | None, ...]:
    """Return (ratio, low, high, offset, residual standard deviation), or Nones when the points do not suffice."""
    nothing = (None,) * 5
    if len({round(p.commanded, _SAME) for p in points}) < 2:
        return nothing
    x = np.array([p.commanded for p in points])
    y = np.array([p.measured for p in points])
    direction = np.array([p.direction for p in points], dtype=np.float64)
    columns = [x, np.ones_like(x)]
    if len(set(direction.tolist())) == 2:
        columns.append(direction)
    matrix = np.column_stack(columns)
    freedom = len(points) - matrix.shape[1]
    if freedom < 1 or np.linalg.matrix_rank(matrix) < matrix.shape[1]:
        return nothing
    found, *_ = np.linalg.lstsq(matrix, y, rcond=None)
    residual = sqrt(float(((y - matrix @ found) ** 2).sum()) / freedom)
    spread = residual * sqrt(float(np.linalg.inv(matrix.T @ matrix)[0, 0])) * student_t(confidence, freedom)
    ratio = float(found[0])
    return ratio, ratio - spread, ratio + spread, float(found[1]), residual


def student_t(confidence: float, freedom: int) -> float:
    """Return the t with P(-t < T < t) = confidence for Student's distribution with a whole number of degrees of freedom.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4 (finite sums; numbers from
    memory, checked against scipy), turned round by bisection of the angle. Raises ValueError for values out of range.
    """
    if not (0.0 < confidence < 1.0 and freedom >= 1):
        raise ValueError(f"no t for a confidence of {confidence} and {freedom} degrees of freedom")
    low, high = 0.0, pi / 2.0
    for _ in range(80):
        middle = (low + high) / 2.0
        low, high = (middle, high) if _t_inside(middle, freedom) < confidence else (low, middle)
    return sqrt(freedom) * sin(low) / cos(low)


def _t_inside(theta: float, freedom: int) -> float:
    """Return P(-t < T < t) for t = sqrt(freedom) tan(theta)."""
    odd = freedom % 2
    total, term = 0.0, cos(theta) if odd else 1.0
    for k in range(1 + odd, freedom, 2):
        total += term
        term *= cos(theta) ** 2 * k / (k + 1)
    if odd:
        return 2.0 / pi * (atan(sin(theta) / cos(theta)) + sin(theta) * total)
    return sin(theta) * total
