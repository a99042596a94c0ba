"""Opening a session: all parts of it, whatever has happened to them, as one list of records and one list of damage.

A damaged file is not an error: what is damaged is listed, and everything that proves itself is there. `SessionError` is
for files that are no session this version can read, and its text is one plain sentence for the person who asked.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from server.problems import Problem, reason
from server.recording.pcapng import MAX_BLOCK, Scanner
from server.recording.records import Kind, unpack_record
from server.recording.segment import PREAMBLE, SUFFIX, base_name
from server.recording.session_header import APPLICATION, FORMAT_MAJOR, HeaderFault, SessionHeader, read_header
from server.recording.session_index import Damage, PartIndex, Records, index_part
from server.timestamps import NS_PER_S

__all__ = ["Damage", "Records", "Session", "SessionError", "open_session", "part_paths", "peek_header"]

_PEEK_BYTES = (1 << 16, 3 * MAX_BLOCK)
"""How much of a file to look through for its header: mostly little will do; at the most two of the longest and more."""


class SessionError(Problem):
    """A session cannot be opened; the text is one plain sentence."""


@dataclass(frozen=True, slots=True)
class Session:
    """A recorded session.

    `path` is the file asked for, `parts` all its files in order, `headers` theirs, `header` that of the first part.
    `records` are in order of sequence, each once. `damage` lists what is not as written; `missing` counts sequence
    numbers of which there is no record (dropped while recording, or lost to damage). `closed` says whether the
    recording was ended properly.
    """

    path: Path
    parts: tuple[Path, ...]
    header: SessionHeader
    headers: tuple[SessionHeader, ...]
    records: Records
    damage: tuple[Damage, ...]
    closed: bool
    unknown_kinds: int
    missing: int

    @property
    def duration_s(self) -> float:
        """Time from the start of the session to the last record, in seconds."""
        mono_ns = self.records.mono_ns
        return (int(mono_ns.max()) - self.header.origin_monotonic_ns) / NS_PER_S if len(mono_ns) else 0.0

    def utc_ns(self, mono_ns: int) -> int:
        """Return the UTC time in ns of a record's monotonic time, by the wall clock as it stood at the start."""
        return self.header.utc_of(mono_ns)


def peek_header(path: Path) -> SessionHeader:
    """Return the header of one session file after reading only its beginning. Raises SessionError."""
    path = Path(path)
    data = b""
    for size in _PEEK_BYTES:
        data = _beginning(path, size)
        note = _first_header(data)
        if note is None:
            continue
        try:
            return read_header(note)
        except HeaderFault as fault:
            raise SessionError(f"{path.name} {fault}.") from fault
    if data.startswith(PREAMBLE[: len(data)]) and not Scanner().scan(data, 0, final=True).starts:
        raise SessionError(f"{path.name} ends before its header was complete; nothing is recorded in it.")
    if APPLICATION.encode() in data[: len(PREAMBLE)]:
        raise SessionError(f"{path.name} has no readable header; without it its records mean nothing.")
    raise SessionError(f"{path.name} is not a Blockhouse session.")


def _first_header(data: bytes) -> dict[str, object] | None:
    found = Scanner().scan(data, 0, final=True)
    for start, length in zip(found.starts, found.lengths, strict=True):
        header = _as_header(data[start : start + length])
        if header is not None:
            return header
    return None


def _beginning(path: Path, size: int) -> bytes:
    try:
        with path.open("rb", buffering=0) as file:
            data = file.read(size)
    except FileNotFoundError as error:
        raise SessionError(f"There is no file {path}.") from error
    except (OSError, ValueError) as error:  # ValueError: a name with a zero byte in it
        raise SessionError(f"{path.name} cannot be read: {reason(error)}.") from error
    if not data:
        raise SessionError(f"{path.name} is empty: nothing was recorded in it.")
    return data


def _as_header(data: bytes) -> dict[str, object] | None:
    """Return the header in a packet's data, or None if it is some other record, or none."""
    try:
        salt, record = unpack_record(data)
        header = record.note() if record.kind == Kind.HEADER else None
    except ValueError:
        return None
    # A header of a newer major version is let through whatever its salt, so that it can be refused by name.
    if header is None or (header.get("salt") != salt and header.get("format_major") == FORMAT_MAJOR):
        return None
    return header


def part_paths(path: Path) -> list[Path]:
    """Return the files beside `path` (itself included) that are named as parts of the same session, in order."""
    base = base_name(path)
    pattern = re.compile(re.escape(base) + r"(?:~(\d+))?" + re.escape(SUFFIX))
    numbered = [(int(match[1] or 1), file) for file in _neighbors(path) if (match := pattern.fullmatch(file.name))]
    paths = [file for _, file in sorted(numbered)]
    return paths if path.name in {file.name for file in paths} else [path, *paths]


def _neighbors(path: Path) -> Iterable[Path]:
    begin = base_name(path)
    try:  # a long shelf has thousands of neighbors: compare names before anything is made of them
        return [path.parent / name for name in os.listdir(path.parent) if name.startswith(begin)]
    except OSError:
        return [path]


def open_session(path: Path, header_of: Callable[[Path], SessionHeader] = peek_header) -> Session:
    """Open the session that `path` is a part of, with all parts that lie beside it. Raises SessionError.

    `header_of` gives the header of one file or raises SessionError; `server.recording.recover` puts a more patient one in.
    """
    path = Path(path)
    asked_for = header_of(path)
    parts: list[Path] = []
    headers: list[SessionHeader] = []
    damage: list[Damage] = []
    for file in part_paths(path):
        try:
            header = asked_for if file.name == path.name else header_of(file)
        except SessionError as error:
            size = file.stat().st_size if file.exists() else 0
            damage.append(Damage(file, 0, size, f"A part of this session cannot be read: {error}"))
            continue
        if header.session == asked_for.session:
            parts.append(file)
            headers.append(header)
    order = sorted(range(len(parts)), key=lambda index: headers[index].part)
    parts, headers = [parts[index] for index in order], [headers[index] for index in order]
    indexes = [_index(file, number, header) for number, (file, header) in enumerate(zip(parts, headers, strict=True))]
    for file, index in zip(parts, indexes, strict=True):
        damage += [Damage(file, *fault) for fault in _merged(index.faults)]
    rows = _in_order(np.concatenate([index.rows for index in indexes]))
    return Session(
        path=path,
        parts=tuple(parts),
        header=headers[0],
        headers=tuple(headers),
        records=Records(parts, rows),
        damage=tuple(damage),
        # Not only as the last record: notes about a late new part may follow it.
        closed=bool(np.any(rows["kind"] == Kind.CLOSE)),
        unknown_kinds=int(np.sum(~np.isin(rows["kind"], [int(kind) for kind in Kind]))),
        missing=_missing(rows),
    )


def _index(file: Path, number: int, header: SessionHeader) -> PartIndex:
    try:
        return index_part(file, number, header)
    except OSError as error:
        raise SessionError(f"{file.name} cannot be read: {reason(error)}.") from error


def _in_order(rows: np.ndarray) -> np.ndarray:
    """Sort by sequence and keep the first of each: parts may repeat what an earlier part was not known to hold."""
    sequences = rows["sequence"]
    if len(rows) < 2 or bool(np.all(sequences[1:] > sequences[:-1])):
        return rows
    rows = rows[np.argsort(sequences, kind="stable")]
    first = np.ones(len(rows), bool)
    first[1:] = rows["sequence"][1:] != rows["sequence"][:-1]
    return rows[first]


def _missing(rows: np.ndarray) -> int:
    if not len(rows):
        return 0
    return int(rows["sequence"][-1]) - int(rows["sequence"][0]) + 1 - len(rows)


def _merged(faults: list[tuple[int, int, str]]) -> list[tuple[int, int, str]]:
    """Sort faults by place and join neighbors that say the same, so that one bad stretch is one entry."""
    merged: list[tuple[int, int, str]] = []
    for offset, length, sentence in sorted(faults):
        if merged and merged[-1][2] == sentence and offset <= merged[-1][0] + merged[-1][1]:
            last = merged[-1]
            merged[-1] = (last[0], max(last[1], offset + length - last[0]), sentence)
        else:
            merged.append((offset, length, sentence))
    return merged
