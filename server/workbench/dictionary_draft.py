"""A first dictionary out of a log: names and units from its header row, types and the rate from its values.

A draft to be corrected by its owner, who knows what the columns mean. Units are taken from `name (unit)`, `name [unit]` or
`name_unit`; roles are guessed from a few plain words and only where the unit fits.
"""

from __future__ import annotations

import csv
import json
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from protocol.fields import INTEGER_RANGES
from server.problems import Problem

ROWS_READ = 2000
UNITS = {
    "m": "m", "s": "s", "ms": "ms", "pa": "Pa", "k": "K", "v": "V", "a": "A", "m/s": "m/s", "m/s2": "m/s2", "m/s^2": "m/s2",
    "rad": "rad", "rad/s": "rad/s", "b": "B", "c": "C", "dbm": "dBm", "m_s": "m/s", "m_s2": "m/s2", "rad_s": "rad/s",
}  # fmt: skip
# Words in a column's name, the unit it must have ("" none), the role. The first that fits is taken, once.
GUESSES = (
    (r"^(baro_?)?(alt|altitude|height)", "m", "altitude_baro"),
    (r"^(baro_?)?press", "Pa", "pressure"),
    (r"^(baro_?|air_?)?temp", "K", "baro_temperature"),
    (r"^acc\w*_x$", "m/s2", "accel.a.x"),
    (r"^acc\w*_y$", "m/s2", "accel.a.y"),
    (r"^acc\w*_z$", "m/s2", "accel.a.z"),
    (r"^gyro\w*_x$", "rad/s", "gyro.a.x"),
    (r"^gyro\w*_y$", "rad/s", "gyro.a.y"),
    (r"^gyro\w*_z$", "rad/s", "gyro.a.z"),
    (r"^(batt|vbat)", "V", "battery.voltage"),
)
TIME_NAME = re.compile(r"(time|t|clock|uptime)\w*")


class DraftProblem(Problem):
    """No draft can be made of this file; the text is one plain sentence."""


@dataclass(frozen=True)
class DraftColumn:
    """One column of the log as a field: name, wire type, unit, role, its heading."""

    name: str
    type: str
    unit: str
    role: str | None
    heading: str


def draft_from_csv(path: Path) -> str:
    """Return the text of a dictionary for a log with a header row. Raises DraftProblem and OSError."""
    text = path.read_text("utf-8-sig", "replace")
    first = text.splitlines()[0] if text.strip() else ""
    separator = max(",;\t|", key=first.count) if first else ","
    rows = list(csv.reader(text.splitlines()[: ROWS_READ + 1], delimiter=separator))
    if len(rows) < 2 or len(rows[0]) < 2:
        raise DraftProblem(f"{path} has no header row and a row of values below it.")
    if any(_is_number(word) for word in rows[0] if word.strip()):
        raise DraftProblem(f"{path} has no header row: {rows[0][0][:20]!r} and its like are values.")
    whole = [row for row in rows[1:] if len(row) == len(rows[0])]
    if not whole:
        raise DraftProblem(f"{path} has no row with as many values as its header.")
    columns = _columns(rows[0], list(zip(*whole, strict=True)))
    time = next((i for i, c in enumerate(columns) if c.unit in ("s", "ms") and TIME_NAME.match(c.name)), None)
    rate = _rate(columns[time], [row[time] for row in whole]) if time is not None else 0.0
    return _dictionary_text(path.stem, separator, columns, columns[time].name if time is not None else None, rate)


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def _columns(header: Sequence[str], values: Sequence[Sequence[str]]) -> list[DraftColumn]:
    taken: set[str] = set()
    roles: set[str] = set()
    columns = []
    for number, (heading, words) in enumerate(zip(header, values, strict=True), start=1):
        stem, unit = _split_unit(heading.strip())
        base = re.sub(r"[^a-z0-9]+", "_", stem.lower()).strip("_")[:36]
        base = base if re.match(r"[a-z]", base) else f"column_{number}"
        name = base if base not in taken else f"{base}_{number}"
        taken.add(name)
        type_ = _type_of([word.strip() for word in words])
        role = None if type_.startswith("text") else _role_of(name, unit, roles)
        roles.add(role or "")
        columns.append(DraftColumn(name, type_, unit, role, " ".join(heading.split())))
    return columns


def _split_unit(heading: str) -> tuple[str, str]:
    """Return (name, SI unit or "") of a column's heading."""
    match = re.fullmatch(r"(.*?)\s*[(\[]\s*([^)\]]*)\s*[)\]]", heading)
    if match:
        return match[1], UNITS.get(match[2].strip().lower(), "")
    for ending in sorted(UNITS, key=len, reverse=True):
        if re.fullmatch(rf".+_{re.escape(ending)}", heading.lower()):
            return heading[: -len(ending) - 1], UNITS[ending]
    return heading, ""


def _type_of(words: Sequence[str]) -> str:
    """Return the narrowest type that holds all values of a column; an empty one makes a number a float."""
    filled = [word for word in words if word]
    if not filled or not all(_is_number(word) for word in filled):
        longest = max((len(word.encode()) for word in filled), default=1)
        return f"text{min(max(longest, 1), 48)}"
    if len(filled) == len(words) and all(re.fullmatch(r"[+-]?\d+", word) for word in filled):
        numbers = [int(word) for word in filled]
        for type_ in ("u8", "i8", "u16", "i16", "u32", "i32"):
            low, high = INTEGER_RANGES[type_]
            if low <= min(numbers) and max(numbers) <= high:
                return type_
    digits = max(len(re.sub(r"[eE].*|[^0-9]", "", word).lstrip("0")) for word in filled)
    return "f32" if digits <= 7 else "f64"


def _role_of(name: str, unit: str, taken: set[str]) -> str | None:
    for pattern, wanted, role in GUESSES:
        if unit == wanted and role not in taken and re.match(pattern, name):
            return role
    return None


def _rate(column: DraftColumn, words: Sequence[str]) -> float:
    """Return the rate by the median step of the time column, 0 when it does not rise."""
    times = [float(word) for word in words if _is_number(word)]
    steps = [later - before for before, later in zip(times, times[1:], strict=False) if later > before]
    if not steps:
        return 0.0
    step_s = statistics.median(steps) / (1000.0 if column.unit == "ms" else 1.0)
    return round(1.0 / step_s, 2)


def _dictionary_text(name: str, separator: str, columns: Sequence[DraftColumn], time: str | None, rate: float) -> str:
    head = [
        "# A draft out of a log's header row. Correct it: units, limits, roles, what is missing (WIRE.md, section 9).",
        "# Columns without a unit had none that could be read; values go through as they are, so name SI units or scales.",
        "",
        "[dictionary]",
        "format = 1",
        f"name = {json.dumps(re.sub(r'[^a-z0-9]+', '-', name.lower()).strip('-') or 'draft')}",
        'version = "draft"',
        f"vehicle = {json.dumps(name, ensure_ascii=False)}",
        "",
        "[framing]",
        'kind = "text"',
        f"separator = {json.dumps(separator)}",
        'checksum = "none"',
        "",
        "[packet.log]",
        "apid = 1",
        *([f'time = "{time}"'] if time else []),
        f"rate_hz = {rate:g}",
        'description = "One line of the log"',
        "fields = [",
    ]
    return "\n".join([*head, *(_field_text(column) for column in columns), "]", ""])


def _field_text(column: DraftColumn) -> str:
    parts = [f'name = "{column.name}"', f'type = "{column.type}"']
    if column.unit:
        parts.append(f'unit = "{column.unit}"')
    if column.role:
        parts.append(f'role = "{column.role}"')
    parts.append(f"description = {json.dumps(column.heading, ensure_ascii=False)}")
    return f"  {{ {', '.join(parts)} }},"
