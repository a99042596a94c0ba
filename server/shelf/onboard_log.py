"""Reading what the vehicle wrote on board: a CSV file with columns of any name, and lines of text with a time before them.

A mapping says what the columns are: which one is the time, and of others the role (as in the dictionary) and the unit.
It is a small TOML file:

    [time]
    column = "time"
    unit = "ms"
    [columns.acc_z]
    role = "accel.a.z"
    unit = "g"

Columns it does not name are kept under their own names, as numbers without a role. Without a mapping one is guessed from
common words (`guess_mapping`). A line "TIME TEXT" (a number, then anything that is none) is an event. What cannot be read
is refused with its row and column; nothing is passed over in silence.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TextIO

import numpy as np

from protocol.arrays import Floats
from protocol.units import CONVERSIONS, GRAVITY_M_S2
from server.problems import Problem, reason

ROWS_PER_STEP = 20_000
ROWS_AT_MOST = 20_000_000
COLUMNS_AT_MOST = 400
LINE_AT_MOST = 20_000
EVENTS_AT_MOST = 100_000
LOOKED_AT_LINES = 200
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_EVENT = re.compile(rf"\s*\[?\s*({NUMBER})\s*(?:s\b)?\s*\]?\s*[,;:\t ]\s*(?!{NUMBER}\s*(?:[,;\t]|$))(\S.*?)\s*")
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


@dataclass(frozen=True)
class Column:
    """One column in SI units: its name in the log, its role or "", its unit, values of shape (n,), NaN where it is empty."""

    name: str
    role: str
    unit: str
    values: Floats


@dataclass(frozen=True)
class OnboardLog:
    """A log as read: `t` (s, the log's own clock, shape (n,), never going back), columns, events as (t, text).

    `unread` names the columns that hold texts.
    """

    t: Floats
    columns: tuple[Column, ...]
    events: tuple[tuple[float, str], ...] = ()
    unread: tuple[str, ...] = ()

    def of_role(self, role: str) -> Column | None:
        """Return the column of a role, or None."""
        return next((column for column in self.columns if column.role == role), None)


# ---------------------------------------------------------------- the mapping


def parse_mapping(values: Mapping[str, object]) -> LogMapping:
    """Return a mapping from its TOML or JSON form; raises LogProblem."""
    time, columns = values.get("time"), values.get("columns", {})
    if not isinstance(time, Mapping) or not isinstance(time.get("column"), str):
        raise LogProblem('The mapping needs a table [time] with the name of the time\'s column: column = "...".')
    if not isinstance(columns, Mapping):
        raise LogProblem("The mapping's [columns] is a table.")
    unit = _unit_named(time.get("unit", "s"), "the time")
    if UNITS[unit][0] != "s":
        raise LogProblem(f"The time cannot be in {unit}; its unit is s, ms, us or min.")
    mapped: dict[str, Mapped] = {}
    for name, one in columns.items():
        if not isinstance(one, Mapping) or not isinstance(one.get("role", ""), str):
            raise LogProblem(f"The mapping's column {str(name)[:40]!r} needs a role and a unit.")
        mapped[str(name)] = Mapped(str(one.get("role", "")), _unit_named(one.get("unit", ""), f"column {str(name)[:40]!r}"))
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
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
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


def _unit_named(unit: object, where: str) -> str:
    if isinstance(unit, str):
        unit = unit.strip()
        unit = unit if unit in UNITS else _SPELLINGS.get(unit.lower(), unit)
        if unit in UNITS:
            return unit
    known = ", ".join(sorted(name for name in UNITS if name))
    raise LogProblem(f"The unit {str(unit)[:20]!r} of {where} is not known; there are: {known}.")


# ---------------------------------------------------------------- guessing

_AXES = {"x": "x", "y": "y", "z": "z", "1": "x", "2": "y", "3": "z"}
_TIME_WORDS = ("time", "timestamp", "t", "ms", "millis", "us", "micros", "clock", "seconds")
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
    word = re.sub(r"[^a-z0-9]+", "_", re.sub(r"(?<=[a-z])(?=[A-Z])", "_", word).lower()).strip("_")
    if not unit:
        head, _, tail = word.rpartition("_")
        endings = {"ms": "ms", "us": "us", "s": "s", "ft": "ft", "g": "g", "hpa": "hPa", "kpa": "kPa", "pa": "Pa",
                   "dps": "deg/s", "deg_s": "deg/s", "mps2": "m/s2", "m": "m", "v": "V"}  # fmt: skip
        if head and tail in endings and head not in ("q", "gyro", "acc", "accel"):
            return head, endings[tail]
    return word, unit


# ---------------------------------------------------------------- reading


@dataclass(frozen=True)
class Look:
    """What the beginning of a log shows: its columns, where they end, which hold numbers, and what it seems to map to."""

    names: list[str]
    delimiter: str
    skip: int  # lines before the first one of data
    numeric: list[int]
    guess: LogMapping | None


def look(path: Path) -> Look:
    """Look at the beginning of a log; raises LogProblem."""
    try:
        with _opened(path) as file:
            lines = list(islice(file, LOOKED_AT_LINES))
    except (OSError, UnicodeDecodeError) as error:
        raise _unreadable(path, error) from error
    for number, line in enumerate(lines):
        if len(line) > LINE_AT_MOST:
            raise LogProblem(f"{path.name} is no log: line {number + 1} is longer than {LINE_AT_MOST} characters.")
        if not line.strip() or line.lstrip().startswith("#") or _EVENT.fullmatch(line.rstrip("\r\n")):
            continue
        delimiter = max(",;\t", key=line.count)
        names = [_unquoted(name) for name in line.rstrip("\r\n").split(delimiter)]
        if len(names) < 2:
            break
        if all(_is_number(name) for name in names):
            raise LogProblem(f"{path.name} has no line of column names before its numbers (line {number + 1}).")
        _check_names(path, names)
        rows = [row.rstrip("\r\n").split(delimiter) for row in lines[number + 1 :]]
        rows = [row for row in rows if len(row) == len(names)]
        numeric = [i for i in range(len(names)) if all(_is_number(row[i]) or not row[i].strip() for row in rows)]
        return Look(names, delimiter, number + 1, numeric, guess_mapping(names))
    raise LogProblem(f"{path.name} has no line of column names; a log is a CSV file with one.")


def _check_names(path: Path, names: list[str]) -> None:
    if len(names) > COLUMNS_AT_MOST:
        raise LogProblem(f"{path.name} has {len(names)} columns; at most {COLUMNS_AT_MOST} are read.")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise LogProblem(f"{path.name} has two columns named {twice[0][:40]!r}.")


def read_log(
    path: Path, mapping: LogMapping | None = None, progress: Callable[[str], None] = lambda text: None
) -> OnboardLog:
    """Read a log with a mapping, or the one guessed from its names. Raises LogProblem with row and column."""
    seen = look(path)
    mapping = mapping or seen.guess
    if mapping is None:
        raise LogProblem(f"{path.name} has no column that looks like a time; say which one it is in a mapping.")
    for name in (mapping.time, *mapping.columns):
        if name not in seen.names:
            raise LogProblem(f"{path.name} has no column named {name[:40]!r}; it has {', '.join(seen.names)[:200]}.")
    wanted = sorted({*seen.numeric, *(seen.names.index(name) for name in (mapping.time, *mapping.columns))})
    events: list[tuple[float, str]] = []
    steps: list[Floats] = []
    try:
        with _opened(path) as file:
            for _ in range(seen.skip):
                file.readline()
            for first, lines in _chunks(file, seen.skip):
                steps.append(_numbers(path, seen, wanted, first, lines, events))
                rows = first + len(lines)
                progress(f"{path.name}: {rows} lines")
                if rows > ROWS_AT_MOST:
                    raise LogProblem(f"{path.name} has more than {ROWS_AT_MOST} lines.")
    except (OSError, UnicodeDecodeError) as error:
        raise _unreadable(path, error) from error
    table = np.concatenate(steps) if steps else np.zeros((0, len(wanted)))
    if not len(table):
        raise LogProblem(f"{path.name} holds no numbers below its column names.")
    names = [seen.names[i] for i in wanted]
    scale = UNITS[mapping.time_unit][1]
    t = table[:, names.index(mapping.time)] * scale
    _check_time(path, t)
    columns = tuple(
        _column(name, mapping.columns.get(name, Mapped()), table[:, place])
        for place, name in enumerate(names)
        if name != mapping.time
    )
    unread = tuple(name for name in seen.names if name not in names)
    return OnboardLog(t, columns, tuple((at * scale, text) for at, text in events), unread)


def read_events(path: Path, unit: str = "s") -> tuple[tuple[float, str], ...]:
    """Read a file of text lines, each with a time at its start, in a unit; return (t in s, text). Raises LogProblem."""
    scale = UNITS[_unit_named(unit, "the time")][1]
    events = []
    try:
        with _opened(path) as file:
            for number, line in enumerate(file, 1):
                found = _EVENT.fullmatch(line.rstrip("\r\n"))
                if found:
                    events.append((float(found[1]) * scale, found[2]))
                elif line.strip() and not line.lstrip().startswith("#"):
                    raise LogProblem(f"{path.name}, line {number}: a time and a text are due, not {_shown(line)}.")
                if len(events) > EVENTS_AT_MOST:
                    raise LogProblem(f"{path.name} has more than {EVENTS_AT_MOST} events.")
    except (OSError, UnicodeDecodeError) as error:
        raise _unreadable(path, error) from error
    return tuple(events)


def _opened(path: Path) -> TextIO:
    return path.open("r", encoding="utf-8-sig", newline="\n")


def _chunks(file: TextIO, first: int) -> Iterator[tuple[int, list[str]]]:
    while lines := list(islice(file, ROWS_PER_STEP)):
        yield first, lines
        first += len(lines)


def _numbers(
    path: Path, seen: Look, wanted: list[int], first: int, lines: list[str], events: list[tuple[float, str]]
) -> Floats:
    """Return the numbers of some lines, shape (rows, wanted columns): quickly when all is plain, else line by line."""
    if all(line.count(seen.delimiter) == len(seen.names) - 1 for line in lines):
        try:
            return _parsed(lines, seen.delimiter, wanted)
        except ValueError:
            pass  # something among them is empty or wrong
    kept: list[str] = []
    for number, line in enumerate(lines, first + 1):
        text = line.strip("\r\n")
        if not text.strip() or text.lstrip().startswith("#"):
            continue
        fields = text.split(seen.delimiter)
        found = _EVENT.fullmatch(text) if len(fields) < len(seen.names) else None
        if found:
            events.append((float(found[1]), found[2]))
            if len(events) > EVENTS_AT_MOST:
                raise LogProblem(f"{path.name} has more than {EVENTS_AT_MOST} events.")
            continue
        if len(fields) != len(seen.names):
            raise LogProblem(f"{path.name}, line {number}: {len(fields)} fields where {len(seen.names)} columns are named.")
        for place in wanted:
            if not fields[place].strip():
                fields[place] = "nan"
            elif not _is_number(fields[place]):
                raise LogProblem(
                    f"{path.name}, line {number}, column {seen.names[place][:40]!r}: {_shown(fields[place])} is no number."
                )
        kept.append(seen.delimiter.join(fields))
    try:
        return _parsed(kept, seen.delimiter, wanted)
    except ValueError as error:
        raise LogProblem(f"{path.name}, near line {first + 1}: a row cannot be read: {str(error)[:120]}") from error


def _parsed(lines: list[str], delimiter: str, wanted: list[int]) -> Floats:
    if not any(line.strip() for line in lines):
        return np.zeros((0, len(wanted)))
    return np.loadtxt(lines, delimiter=delimiter, usecols=wanted, comments=None, quotechar='"', ndmin=2)


def _check_time(path: Path, t: Floats) -> None:
    bad = np.flatnonzero(~np.isfinite(t))
    if len(bad):
        raise LogProblem(f"{path.name}: the time is missing in row {bad[0] + 1} of the numbers.")
    back = np.flatnonzero(np.diff(t) < 0.0)
    if len(back):
        at = int(back[0])
        raise LogProblem(
            f"{path.name}: the time goes back from {t[at]:.3f} s to {t[at + 1]:.3f} s in row {at + 2} of the numbers; "
            "the computer restarted there: give the parts one by one."
        )


def _column(name: str, mapped: Mapped, values: Floats) -> Column:
    unit, scale, offset = UNITS[mapped.unit]
    return Column(name, mapped.role, unit, np.ascontiguousarray(values * scale + offset))


def _is_number(text: str) -> bool:
    try:
        float(_unquoted(text))
    except ValueError:
        return False
    return "_" not in text  # Python reads 1_000, a log does not mean it


def _unquoted(text: str) -> str:
    text = text.strip()
    return text[1:-1].replace('""', '"').strip() if len(text) > 1 and text[0] == text[-1] == '"' else text


def _shown(text: str) -> str:
    return repr(text.strip()[:30])


def _unreadable(path: Path, error: Exception) -> LogProblem:
    why = reason(error) if isinstance(error, OSError) else "it is no text in UTF-8"
    return LogProblem(f"{path.name} cannot be read: {why}.")
