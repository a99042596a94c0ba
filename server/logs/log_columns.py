"""The columns of a newcomer's logs, and what is asked of each: its level on the pad, how far it goes from there."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from protocol.arrays import Floats
from protocol.frames import Nose

REST_SHARE, REST_AT_LEAST = 0.002, 5  # what surely stands on the pad, of the rows: many logs have less than a second of it
TIME_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
TIME_ROLE = "time"


@dataclass
class Column:
    """One column of one log: where it stands, its words, its unit as far as known, its numbers (None for words)."""

    file: int
    place: int
    heading: str
    words: str
    unit: str
    values: Floats | None
    role: str = ""
    scale: float = 1.0  # what a whole number counts, in `unit`
    taken: bool = False


@dataclass
class Meaning:
    """All columns of all files, where the nose is, and in words what could not be known or was taken for something."""

    columns: list[list[Column]]
    nose: Nose = "z"
    unknown: list[str] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)

    def time_of(self, file: int) -> Column | None:
        """Return the time of a file, or None."""
        return next((column for column in self.columns[file] if column.role == TIME_ROLE), None)

    def seconds(self, file: int) -> Floats | None:
        """Return the times of a file in s of its own clock, or None."""
        time = self.time_of(file)
        return None if time is None or time.values is None else time.values * TIME_SECONDS[time.unit]


def at_rest(x: Floats) -> Floats:
    """Return the finite values of the first stretch, on the pad."""
    x = x[np.isfinite(x)]
    return x[: max(REST_AT_LEAST, int(REST_SHARE * len(x)))]


def level_of(x: Floats) -> float:
    """Return a column's level on the pad."""
    rest = at_rest(x)
    return float(np.median(rest)) if len(rest) else float("nan")


def spans_of(x: Floats) -> tuple[float, float]:
    """Return how far a column goes below and above its level at rest, outliers apart."""
    low, high = np.nanpercentile(x, [0.5, 99.5])
    level = level_of(x)
    return level - float(low), float(high) - level


def of_role(meaning: Meaning, role: str) -> Column | None:
    """Return the column that has a role, or None."""
    return next((column for columns in meaning.columns for column in columns if column.role == role), None)


def name_of(column: Column) -> str:
    """Return what a column is called in a sentence."""
    return f"column {column.heading!r}" if column.heading else f"column {column.place + 1}"
