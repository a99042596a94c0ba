"""What the columns of an onboard log are: written in a small TOML file, or guessed from common words.

A mapping says which column is the time, and of others the role (as in the dictionary) and the unit:

    [time]
    column = "time"
    unit = "ms"
    [columns.acc_z]
    role = "accel.a.z"
    unit = "g"
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from protocol.units import CONVERSIONS, GRAVITY_M_S2
from server.problems import Problem, reason

_UNIT_IN_NAME = re.compile(r"(.*?)\s*[\[(]\s*([^\])]*)\s*[\])]\s*")
# What a unit of the log is multiplied by and what is added, to be in SI; the table of display units read backwards.
UNITS: dict[str, tuple[str, float, float]] = {
    **{shown: (si, 1.0 / scale, -offset / scale) for (si, shown), (scale, offset) in CONVERSIONS.items()},
    **{si: (si, 1.0, 0.0) for si, _ in CONVERSIONS},
    "us": ("s", 1e-6, 0.0),
    "min": ("s", 60.0, 0.0),
    "mbar": ("Pa", 100.0, 0.0),
    "bar": ("Pa", 1e5, 0.0),
    "mg": ("m/s2", 1e-3 * GRAVITY_M_S2, 0.0),
    "": ("", 1.0, 0.0),
}
_SPELLINGS = {
    "sec": "s", "seconds": "s", "msec": "ms", "usec": "us", "µs": "us", "m/s^2": "m/s2", "m/s²": "m/s2", "dps": "deg/s",
    "c": "degC", "°c": "degC", "°": "deg", "°/s": "deg/s", "pa": "Pa", "hpa": "hPa", "kpa": "kPa", "v": "V",
    "a": "A", "k": "K",
}  # fmt: skip


class LogProblem(Problem):
    """A log or its mapping cannot be used; the text is one plain sentence."""


@dataclass(frozen=True)
class Mapped:
    """What a column of the log is: its role, or "" for none, and the unit its numbers are in ("" for as they are)."""

    role: str = ""
    unit: str = ""


@dataclass(frozen=True)
class LogMapping:
    """Which column is the time, in which unit, and what the others are."""

    time: str
    time_unit: str = "s"
    columns: Mapping[str, Mapped] = field(default_factory=dict)

    def as_dict(self) -> dict[str, object]:
        """Return it as the TOML file has it."""
        columns = {name: {"role": one.role, "unit": one.unit} for name, one in self.columns.items()}
        return {"time": {"column": self.time, "unit": self.time_unit}, "columns": columns}


def parse_mapping(values: Mapping[str, object]) -> LogMapping:
    """Return a mapping from its TOML or JSON form; raises LogProblem."""
    time, columns = values.get("time"), values.get("columns", {})
    if not isinstance(time, Mapping) or not isinstance(time.get("column"), str):
        raise LogProblem('The mapping needs a table [time] with the name of the time\'s column: column = "...".')
    if not isinstance(columns, Mapping):
        raise LogProblem("The mapping's [columns] is a table.")
    unit = unit_named(time.get("unit", "s"), "the time")
    if UNITS[unit][0] != "s":
        raise LogProblem(f"The time cannot be in {unit}; its unit is s, ms, us or min.")
    mapped: dict[str, Mapped] = {}
    for name, one in columns.items():
        if not isinstance(one, Mapping) or not isinstance(one.get("role", ""), str):
            raise LogProblem(f"The mapping's column {str(name)[:40]!r} needs a role and a unit.")
        mapped[str(name)] = Mapped(str(one.get("role", "")), unit_named(one.get("unit", ""), f"column {str(name)[:40]!r}"))
    roles = [one.role for one in mapped.values() if one.role]
    twice = sorted({role for role in roles if roles.count(role) > 1})
    if twice:
        raise LogProblem(f"The mapping gives the role {twice[0]} to more than one column.")
    return LogMapping(time["column"], unit, mapped)


def load_mapping(path: Path) -> LogMapping:
    """Read a mapping file; raises LogProblem."""
    try:
        return parse_mapping(tomllib.loads(path.read_text("utf-8")))
    except OSError as error:
        raise LogProblem(f"The mapping {path.name} cannot be read: {reason(error)}.") from error
    except (ValueError, RecursionError) as error:
        raise LogProblem(f"The mapping {path.name} is no TOML file: {error}.") from error


def mapping_text(mapping: LogMapping) -> str:
    """Return a mapping as the text of its TOML file."""
    lines = ["[time]", f"column = {_quoted(mapping.time)}", f"unit = {_quoted(mapping.time_unit)}"]
    for name, one in mapping.columns.items():
        lines += ["", f"[columns.{_quoted(name)}]", f"role = {_quoted(one.role)}", f"unit = {_quoted(one.unit)}"]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a TOML basic string (TOML 1.0)."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'


def unit_named(unit: object, where: str) -> str:
    """Return a unit by the name it has in `UNITS`; `where` says whose it is. Raises LogProblem."""
    if isinstance(unit, str):
        unit = unit.strip()
        unit = unit if unit in UNITS else _SPELLINGS.get(unit.lower(), unit)
        if unit in UNITS:
            return unit
    known = ", ".join(sorted(name for name in UNITS if name))
    raise LogProblem(f"The unit {str(unit)[:20]!r} of {where} is not known; there are: {known}.")


# ---------------------------------------------------------------- guessing

_AXES = {"x": "x", "y": "y", "z": "z", "1": "x", "2": "y", "3": "z"}
_TIME_WORDS = ("time", "timestamp", "ts", "t", "ms", "millis", "us", "micros", "clock", "seconds")
_WORDS: tuple[tuple[str, str, str], ...] = (
    (r"(?:acc|accel|acceleration|a)_?([xyz])(?:_?a)?", "accel.a.{}", "m/s2"),
    (r"(?:acc|accel|acceleration)_?(?:b_?([xyz])|([xyz])_?b)", "accel.b.{}", "m/s2"),
    (r"(?:gyro|gyr|g|w|omega)_?([xyz])(?:_?a)?", "gyro.a.{}", "rad/s"),
    (r"(?:gyro|gyr)_?(?:b_?([xyz])|([xyz])_?b)", "gyro.b.{}", "rad/s"),
    (r"(?:body_?)?rate_?([xyz])", "body_rate.{}", "rad/s"),
    (r"(?:static_?)?(?:pressure|press|baro)", "pressure", "Pa"),
    (r"(?:baro_?)?(?:alt|altitude|height)(?:_?baro)?", "altitude_baro", "m"),
    (r"(?:pos_?)?east", "position.east", "m"),
    (r"(?:pos_?)?north", "position.north", "m"),
    (r"(?:pos_?)?up", "position.up", "m"),
    (r"(?:vel|v)_?(east|north|up)", "velocity.{}", "m/s"),
    (r"(?:q|quat)_?([wxyz])", "attitude_quaternion.{}", ""),
    (r"(?:batt|battery|vbat|bat)_?(?:v|volt|voltage)?", "battery.voltage", "V"),
)


def guess_mapping(names: list[str]) -> LogMapping | None:
    """Guess what columns are from common words in their names and units in brackets; None when no time is among them."""
    time: tuple[int, str, str] | None = None
    mapped: dict[str, Mapped] = {}
    for name in names:
        word, unit = _word_and_unit(name)
        stem = re.sub(r"_(?:s|sec|ms|us)$", "", word)
        if stem in _TIME_WORDS and UNITS[unit][0] in ("s", ""):
            rank = _TIME_WORDS.index(stem)
            guessed = unit or {"ms": "ms", "millis": "ms", "us": "us", "micros": "us"}.get(stem, "s")
            if time is None or rank < time[0]:
                time = (rank, name, guessed)
            continue
        for pattern, role, usual in _WORDS:
            found = re.fullmatch(re.sub(r"_$", "", pattern), word)
            if found:
                axis = next((group for group in found.groups() if group), "")
                role = role.format(_AXES.get(axis, axis))
                fits = not unit or UNITS[unit][0] == UNITS[usual][0]
                if fits and all(one.role != role for one in mapped.values()):
                    mapped[name] = Mapped(role, unit or usual)
                break
    return LogMapping(time[1], time[2], mapped) if time is not None else None


def _word_and_unit(name: str) -> tuple[str, str]:
    """Split "Accel Z [m/s2]" or "alt_ft" into a plain word and a unit that is known, or ""."""
    found = _UNIT_IN_NAME.fullmatch(name)
    word, unit = (found[1], found[2]) if found else (name, "")
    unit = unit if unit in UNITS else _SPELLINGS.get(unit.lower(), "")
    word = re.sub(r"_*([hk]Pa)$", r"_\1", word).replace("hPa", "hpa").replace("kPa", "kpa")  # no two words
    word = re.sub(r"[^a-z0-9]+", "_", re.sub(r"(?<=[a-z])(?=[A-Z])", "_", word).lower()).strip("_")
    if not unit:
        head, _, tail = word.rpartition("_")
        endings = {"ms": "ms", "us": "us", "s": "s", "ft": "ft", "g": "g", "hpa": "hPa", "kpa": "kPa", "pa": "Pa",
                   "dps": "deg/s", "deg_s": "deg/s", "mps2": "m/s2", "m": "m", "v": "V"}  # fmt: skip
        if head and tail in endings and head not in ("q", "gyro", "acc", "accel"):
            return head, endings[tail]
    return word, unit
