"""A load cell's record out of a table of text: which columns are time and force, and in which units."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.logs.text_log import LogTable, read_table
from server.problems import Problem

# One of each in N. The pound is 0.45359237 kg exactly; a force of kilograms is that many under standard gravity.
FORCES = {
    "n": 1.0, "kn": 1000.0, "mn": 1e-3, "kgf": GRAVITY_M_S2, "kp": GRAVITY_M_S2, "gf": 1e-3 * GRAVITY_M_S2,
    "kg": GRAVITY_M_S2, "g": 1e-3 * GRAVITY_M_S2, "lbf": 0.45359237 * GRAVITY_M_S2, "lb": 0.45359237 * GRAVITY_M_S2,
}  # fmt: skip
TIMES = {"s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "millis": 1e-3, "us": 1e-6, "micros": 1e-6}
UNITS = re.compile(r"[\[(]\s*([A-Za-z]+)\s*[\])]|[_ ,]([A-Za-z]+)\s*$")


class ForceTableProblem(Problem):
    """A table that does not say which column is force, or in which unit; the text is one plain sentence."""


def force_of(path: Path) -> tuple[Floats, Floats]:
    """Return times in s and forces in N, both (n,). Raises LogTableProblem, ForceTableProblem."""
    table = read_table(path)
    units = [_unit(table, place) for place in range(len(table.headings))]
    times = [place for place, unit in enumerate(units) if unit in TIMES]
    forces = [place for place, unit in enumerate(units) if unit in FORCES]
    if len(times) != 1 or len(forces) != 1:
        raise ForceTableProblem(
            f"{path.name}: one column must be a time and one a force, with their units in the heading, "
            'as "time (ms), force (N)"; '
            f"found {len(times)} of time (s, ms, us) and {len(forces)} of force (N, kN, kgf, gf, lbf)."
        )
    t, force = table.numbers(times[0]), table.numbers(forces[0])
    if t is None or force is None:
        raise ForceTableProblem(f"{path.name}: the columns of time and force do not hold numbers only.")
    good = np.isfinite(t) & np.isfinite(force)
    return t[good] * TIMES[units[times[0]]], force[good] * FORCES[units[forces[0]]]


def _unit(table: LogTable, place: int) -> str:
    """Return a column's unit in small letters: from a row of units, else the end of its heading."""
    if table.units[place]:
        return table.units[place].lower()
    found = UNITS.search(table.headings[place])
    return (found[1] or found[2]).lower() if found else ""
