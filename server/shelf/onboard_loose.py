"""An onboard log of odd shape read by what its columns look like, where names and mapping did not bring it home."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from protocol.frames import Frames
from server.logs.column_meaning import meaning_of
from server.logs.log_columns import Column, Meaning
from server.logs.text_log import LogTable, LogTableProblem, read_table
from server.problems import reason
from server.shelf.onboard_card import joined
from server.shelf.onboard_log import LogColumn, OnboardLog
from server.shelf.onboard_mapping import UNITS, LogProblem


def read_loosely(paths: Sequence[Path]) -> OnboardLog:
    """Read the text files of one flight as one log, in SI units and the station's body axes. Raises LogProblem."""
    try:
        tables = [read_table(path) for path in paths]
    except LogTableProblem as problem:
        raise LogProblem(str(problem)) from problem
    except OSError as error:
        raise LogProblem(f"{error.filename} cannot be read: {reason(error)}.") from error
    meaning = meaning_of(tables, {})
    logs = [_log(table, number, meaning) for number, table in enumerate(tables)]
    return logs[0] if len(logs) == 1 else joined(logs)


def _log(table: LogTable, number: int, meaning: Meaning) -> OnboardLog:
    t = meaning.seconds(number)
    if t is None:
        raise LogProblem(f"{table.path.name}: no column rises like a time; say with a mapping which one it is.")
    keep = np.flatnonzero(np.isfinite(t))
    keep = keep[np.concatenate([[True], np.diff(np.maximum.accumulate(t[keep])) > 0.0])] if len(keep) else keep
    time, columns, unread = meaning.time_of(number), [], []
    for column in meaning.columns[number]:
        if column is time:
            continue
        if column.values is None:
            unread.append(_name(column))
        else:
            columns.append(_column(column, keep, Frames(nose=meaning.nose)))
    return OnboardLog(t[keep], tuple(columns), (), tuple(unread))


def _column(column: Column, keep: np.ndarray, frames: Frames) -> LogColumn:
    assert column.values is not None  # asked by the caller
    is_known = column.unit in UNITS
    unit, scale, offset = UNITS[column.unit] if is_known else (column.unit, 1.0, 0.0)
    role, sign = frames.turned(column.role) if is_known else ("", 1.0)
    values = sign * (column.values[keep] * column.scale * scale + offset)
    return LogColumn(_name(column), role, unit, np.ascontiguousarray(values))


def _name(column: Column) -> str:
    return column.heading or f"column {column.place + 1}"
