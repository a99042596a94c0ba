"""A motor as points of time and thrust: impulse, mean, class letter, and thrust at a time.

Straight lines between the points, as a static test's record is read. The classes double from 2.5 N s for A
(tests/SOURCES.md, motor-classes); the letter names the class, the number after it the mean thrust in N.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, isfinite, log2
from sys import float_info

import numpy as np

from protocol.arrays import Floats
from protocol.errors import Problem

POINTS_AT_MOST = 2000
LONGEST_BURN_S, GREATEST_THRUST_N = 60.0, 1e5
_LETTERS = "ABCDEFGHIJKLMNO"
TEXT_AT_MOST = 100_000


class CurveProblem(Problem):
    """A thrust curve that cannot be one; the text is one plain sentence."""


@dataclass(frozen=True)
class ThrustCurve:
    """Times in s from ignition and thrust in N, both (n,), n >= 2; made by `curve_of`."""

    t_s: Floats
    thrust_n: Floats

    @property
    def burn_s(self) -> float:
        """Time of the last point, s after ignition."""
        return float(self.t_s[-1])

    @property
    def impulse_n_s(self) -> float:
        """Area under the curve in N s, exact for straight lines."""
        return float(np.sum(0.5 * (self.thrust_n[1:] + self.thrust_n[:-1]) * np.diff(self.t_s)))

    @property
    def mean_n(self) -> float:
        """Impulse over burn time, N."""
        return self.impulse_n_s / self.burn_s

    @property
    def letter(self) -> str:
        """Class letter: the smallest class the impulse fits in; "A" for anything below, "beyond O" above."""
        place = max(0, ceil(log2(self.impulse_n_s / 2.5) - 1e-12))
        return _LETTERS[place] if place < len(_LETTERS) else "beyond O"

    def at(self, t_s: float) -> float:
        """Return thrust (N) at a time (s after ignition), zero outside the curve."""
        return float(np.interp(t_s, self.t_s, self.thrust_n, left=0.0, right=0.0))

    def burned(self) -> Floats:
        """Return the share of the impulse given up to each point, shape (n,)."""
        steps = 0.5 * (self.thrust_n[1:] + self.thrust_n[:-1]) * np.diff(self.t_s)
        return np.concatenate([[0.0], np.cumsum(steps)]) / self.impulse_n_s


def curve_of(points: Sequence[Sequence[float]]) -> ThrustCurve:
    """Return the curve of (s, N) points. Raises CurveProblem."""
    if not 2 <= len(points) <= POINTS_AT_MOST:
        raise CurveProblem(f"a thrust curve has 2 to {POINTS_AT_MOST} points, this one {len(points)}")
    if any(len(point) != 2 or not all(_is_number(value) for value in point) for point in points):
        raise CurveProblem("every point of a thrust curve is a time in s and a thrust in N")
    t, thrust = np.array(points, dtype=np.float64).T
    if t[0] < 0.0 or t[-1] > LONGEST_BURN_S or not np.all(np.diff(t) > 0.0):
        raise CurveProblem(f"the times of a thrust curve rise, from 0 to at most {LONGEST_BURN_S:g} s")
    if thrust.min() < 0.0 or thrust.max() > GREATEST_THRUST_N:
        raise CurveProblem(f"thrust lies between 0 and {GREATEST_THRUST_N:g} N")
    if t[0] > 0.0:  # a record that begins with the first thrust
        t, thrust = np.concatenate([[0.0], t]), np.concatenate([[0.0], thrust])
    curve = ThrustCurve(t, thrust)
    if curve.impulse_n_s <= 0.0:
        raise CurveProblem("a thrust curve without thrust")
    return curve


def curve_of_csv(text: str) -> ThrustCurve:
    """Return the curve of a text with a time and a thrust per line, a comma (or semicolon) between.

    One line of names at the top is skipped, and so are empty lines and lines that begin with #. Raises CurveProblem.
    """
    if len(text) > TEXT_AT_MOST:
        raise CurveProblem("a thrust curve that long is none")
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    rows = list(csv.reader(lines, delimiter=";" if lines and ";" in lines[0] else ","))
    if rows and not all(_number_in(cell) is not None for cell in rows[0]):
        rows = rows[1:]
    points: list[list[float]] = []
    for number, row in enumerate(rows, 1):
        values = [value for value in map(_number_in, row) if value is not None]
        if len(values) != 2 or len(row) != 2:
            raise CurveProblem(f"line {number} of the thrust curve is no time in s and thrust in N: {','.join(row)[:40]!r}")
        points.append(values)
    return curve_of(points)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= float_info.max


def _number_in(cell: str) -> float | None:
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if isfinite(value) else None
