"""The wind by height as somebody measured it: a CSV of `height_m,speed_m_s,from_deg`, heights over the pad ascending."""

from __future__ import annotations

import csv
from math import isfinite

import numpy as np

from server.flight.dispersion.winds import MeanWind
from server.problems import Problem

COLUMNS = ("height_m", "speed_m_s", "from_deg")
RANGES = ((0.0, 20_000.0), (0.0, 100.0), (-360.0, 360.0))
ROWS_AT_MOST, TEXT_AT_MOST = 2000, 200_000


class SoundingProblem(Problem):
    """A sounding that cannot be one; the text is one plain sentence."""


def sounding_of(text: str) -> MeanWind:
    """Return the wind of a CSV; between its heights east and north go in straight lines, beyond them they stay.

    The first line names the columns. Raises SoundingProblem.
    """
    lines = [line for line in text[:TEXT_AT_MOST].splitlines() if line.strip() and not line.lstrip().startswith("#")]
    rows = list(csv.reader(lines))
    if len(text) > TEXT_AT_MOST or len(rows) > ROWS_AT_MOST + 1:
        raise SoundingProblem(f"The sounding is too long; {ROWS_AT_MOST} heights are plenty.")
    if not rows or [cell.strip() for cell in rows[0]] != list(COLUMNS):
        raise SoundingProblem(f"The sounding's first line must be {','.join(COLUMNS)}.")
    values = [_row(number, row) for number, row in enumerate(rows[1:], 2)]
    if not values:
        raise SoundingProblem("The sounding has no height.")
    height, speed, from_deg = np.array(values, dtype=np.float64).T
    if (np.diff(height) <= 0.0).any():
        raise SoundingProblem("The sounding's heights must ascend.")
    away = np.radians(from_deg)
    return MeanWind(height, -speed * np.sin(away), -speed * np.cos(away))


def _row(number: int, row: list[str]) -> list[float]:
    values = []
    for cell, (low, high), column in zip(row, RANGES, COLUMNS, strict=False):
        try:
            value = float(cell)
        except ValueError:
            value = float("nan")
        if not isfinite(value) or not low <= value <= high:
            raise SoundingProblem(f"Line {number} of the sounding: {column} is a number from {low:g} to {high:g}.")
        values.append(value)
    if len(row) != len(COLUMNS):
        raise SoundingProblem(f"Line {number} of the sounding has {len(row)} values, not {len(COLUMNS)}.")
    return values
