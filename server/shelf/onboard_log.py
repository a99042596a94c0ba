"""Reading what the vehicle wrote on board: a CSV file with columns of any name, and lines of text with a time before them.

A mapping says what the columns are (`onboard_mapping.py`); those it does not name are kept under their own names, as numbers
without a role. A line "TIME TEXT" (a number, then anything that is none) is an event; events may also come in a file of
their own. What cannot be read is refused with its row and column; nothing is passed over in silence.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TextIO

import numpy as np

from protocol.arrays import Floats
from server.problems import reason
from server.shelf.onboard_mapping import UNITS, LogMapping, LogProblem, Mapped, guess_mapping, unit_named

ROWS_PER_STEP = 20_000
ROWS_AT_MOST = 20_000_000
COLUMNS_AT_MOST = 400
LINE_AT_MOST = 20_000
EVENTS_AT_MOST = 100_000
LOOKED_AT_LINES = 200
NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_EVENT = re.compile(rf"\s*\[?\s*({NUMBER})\s*(?:s\b)?\s*\]?\s*[,;:\t ]\s*(?!{NUMBER}\s*(?:[,;\t]|$))(\S.*?)\s*")


@dataclass(frozen=True)
class LogColumn:
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
    columns: tuple[LogColumn, ...]
    events: tuple[tuple[float, str], ...] = ()
    unread: tuple[str, ...] = ()

    def of_role(self, role: str) -> LogColumn | None:
        """Return the column of a role, or None."""
        return next((column for column in self.columns if column.role == role), None)


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
    path: Path,
    mapping: LogMapping | None = None,
    progress: Callable[[str], None] = lambda text: None,
    events_file: Path | None = None,
) -> OnboardLog:
    """Read a log with a mapping, or the one guessed from its names. Raises LogProblem with row and column.

    Events of `events_file`, their time in the log's own unit, come after those among the log's lines.
    """
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
    told = [(at * scale, text) for at, text in events]
    if events_file is not None:
        told += read_events(events_file, mapping.time_unit)
    return OnboardLog(t, columns, tuple(told), unread)


def read_events(path: Path, unit: str = "s") -> tuple[tuple[float, str], ...]:
    """Read a file of text lines, each with a time at its start, in a unit; return (t in s, text). Raises LogProblem."""
    scale = UNITS[unit_named(unit, "the time")][1]
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


def _column(name: str, mapped: Mapped, values: Floats) -> LogColumn:
    unit, scale, offset = UNITS[mapped.unit]
    return LogColumn(name, mapped.role, unit, np.ascontiguousarray(values * scale + offset))


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
