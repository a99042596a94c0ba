"""Finding the records of a session's files quickly, in bounded memory, and reading them when asked for.

Files are read window by window and not mapped into memory: a mapped file on a USB stick that is pulled out ends the
process, and with it the command desk. Only an index is kept, 33 bytes a record; payloads are read on demand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from io import FileIO
from pathlib import Path
from typing import overload
from zlib import crc32

import numpy as np

from server.recording.pcapng import MAX_BLOCK, PACKET_FRAMING, PACKET_HEAD, Fault, Found, Scanner
from server.recording.records import RAW_KINDS, RECORD_HEAD, Kind, Record, decode_note, known_kind, route
from server.recording.session_header import SessionHeader

WINDOW = 8 * MAX_BLOCK
_READ_AHEAD = MAX_BLOCK

# A packet block's fixed part and the record's fixed part behind it, as they lie in the file.
_HEAD = np.dtype(
    [
        ("type", "<u4"), ("total", "<u4"), ("interface", "<u4"), ("time_high", "<u4"), ("time_low", "<u4"),
        ("length", "<u4"), ("original", "<u4"),
        ("kind", "u1"), ("salt", "<u4"), ("sequence", "<u8"), ("mono_ns", "<u8"),
    ]
)  # fmt: skip
_ROUTES = np.array([[*route(kind)] for kind in range(256)], dtype=np.uint32)
_IS_KNOWN = np.isin(np.arange(256), [int(kind) for kind in Kind])
_IS_NOTE = _IS_KNOWN & ~np.isin(np.arange(256), [int(kind) for kind in RAW_KINDS])

ROW = np.dtype(
    [("sequence", "<u8"), ("mono_ns", "<u8"), ("offset", "<u8"), ("size", "<u4"), ("part", "<u4"), ("kind", "u1")]
)
"""One record in the index: `offset` and `size` of its payload in file number `part`, in bytes."""


@dataclass(frozen=True, slots=True)
class Damage:
    """A stretch of a session file that is not as it was written: the file, offset and length in bytes, and in words."""

    part: Path
    offset: int
    length: int
    sentence: str


@dataclass(slots=True)
class PartIndex:
    """What was found in one file: rows in file order, and faults as (offset, length, sentence)."""

    rows: np.ndarray
    faults: list[tuple[int, int, str]] = field(default_factory=list)
    size: int = 0


def index_part(path: Path, part: int, header: SessionHeader) -> PartIndex:
    """Index one file of a session whose header is known. Raises OSError if it cannot be read."""
    scanner = Scanner()
    utc_offset_ns = header.utc_ns - header.monotonic_ns
    tables: list[np.ndarray] = []
    faults: list[tuple[int, int, str]] = []
    with path.open("rb", buffering=0) as file:
        opening = _read(file, 0, header.preamble_bytes)
        if crc32(opening) != header.preamble_crc32:
            faults.append((0, len(opening), "The opening of the file is damaged; no record is lost by that."))
        for base, data, final in _windows(file, scanner):
            found = scanner.scan(data, base, final)
            tables.append(_rows(data, base, found, part, header.salt, utc_offset_ns, faults))
    rows = np.concatenate(tables) if tables else np.empty(0, ROW)
    faults += [(offset, length, _SENTENCES[fault]) for offset, length, fault in scanner.faults]
    return PartIndex(rows, faults, scanner.consumed)


_SENTENCES = {
    Fault.BROKEN: "This stretch is damaged; whatever it held is lost.",
    Fault.UNFINISHED: "The file ends in an unfinished record, as after a sudden stop or in a copy of a live file.",
    Fault.FOREIGN: "A block that Blockhouse does not write was passed over.",
    Fault.ENVELOPE: "The block around a record is not as written; the record itself is proven by its checksum.",
}
_NOT_OURS = "A record of another session was passed over."
_NOT_A_NOTE = "A note that cannot be read was passed over."


def _read(file: FileIO, offset: int, size: int) -> bytes:
    """Read exactly `size` bytes, or fewer at the end of the file."""
    file.seek(offset)
    pieces: list[bytes] = []
    while size > 0:
        piece = file.read(size)
        if not piece:
            break
        pieces.append(piece)
        size -= len(piece)
    return b"".join(pieces)


def _windows(file: FileIO, scanner: Scanner) -> Iterator[tuple[int, bytes, bool]]:
    """Yield (offset, bytes, final); the size is taken once, so a file that is being recorded is seen as it was then."""
    end = file.seek(0, 2)
    base = 0
    while base < end:
        data = _read(file, base, min(WINDOW, end - base))
        final = base + len(data) >= end or not data
        yield base, data, final
        if final:
            return
        base = scanner.consumed


def _rows(
    data: bytes,
    base: int,
    found: Found,
    part: int,
    salt: int,
    utc_offset_ns: int,
    faults: list[tuple[int, int, str]],
) -> np.ndarray:
    """Turn the packets of one window into index rows, and check all that the packet's own CRC does not cover."""
    starts = np.array(found.starts, dtype=np.int64)
    lengths = np.array(found.lengths, dtype=np.int64)
    holds_record = lengths >= RECORD_HEAD.size
    _note_faults(faults, base, starts, lengths, ~holds_record, _NOT_OURS)
    starts, lengths = starts[holds_record], lengths[holds_record]
    if not len(starts):
        return np.empty(0, ROW)
    octets = np.frombuffer(data, np.uint8)
    heads = _gather(octets, starts - PACKET_HEAD.size, _HEAD)

    ours = heads["salt"] == salt
    _note_faults(faults, base, starts, lengths, ~ours, _NOT_OURS)
    exact = ~np.isin(starts, found.loose)
    wrong = ours & exact & ~_envelope_agrees(octets, heads, starts, lengths, utc_offset_ns)
    _note_faults(faults, base, starts, lengths, wrong, _SENTENCES[Fault.ENVELOPE])
    unreadable = _unreadable_notes(data, heads["kind"], starts, lengths, ours)
    _note_faults(faults, base, starts, lengths, unreadable, _NOT_A_NOTE)

    keep = ours & ~unreadable
    rows = np.empty(int(keep.sum()), ROW)
    for name in ("sequence", "mono_ns", "kind"):
        rows[name] = heads[name][keep]
    rows["offset"] = base + starts[keep] + RECORD_HEAD.size
    rows["size"] = lengths[keep] - RECORD_HEAD.size
    rows["part"] = part
    return rows


def _gather(octets: np.ndarray, positions: np.ndarray, dtype: np.dtype) -> np.ndarray:
    """Read one value of `dtype` at each byte position."""
    windows = np.lib.stride_tricks.sliding_window_view(octets, dtype.itemsize)
    values: np.ndarray = np.ascontiguousarray(windows[positions]).view(dtype)[:, 0]
    return values


def _envelope_agrees(
    octets: np.ndarray, heads: np.ndarray, starts: np.ndarray, lengths: np.ndarray, utc_offset_ns: int
) -> np.ndarray:
    """Tell for which packets time stamp, interface and direction are the ones their record is written with."""
    stamped = heads["time_high"].astype(np.uint64) << np.uint64(32) | heads["time_low"]
    # Arithmetic modulo 2**64 is what the writer's clamped sum amounts to, except below 1970, where it is clamped to 0.
    due = heads["mono_ns"] + np.uint64(utc_offset_ns % (1 << 64))
    if utc_offset_ns < 0:
        due[heads["mono_ns"] < np.uint64(-utc_offset_ns)] = 0
    flags = _gather(octets, starts + ((lengths + 3) & ~3) + 4, np.dtype("<u4"))
    routes = _ROUTES[heads["kind"]]
    routed = (heads["interface"] == routes[:, 0]) & (flags == routes[:, 1])
    agrees: np.ndarray = (stamped == due) & (routed | ~_IS_KNOWN[heads["kind"]])
    return agrees


def _unreadable_notes(
    data: bytes, kinds: np.ndarray, starts: np.ndarray, lengths: np.ndarray, ours: np.ndarray
) -> np.ndarray:
    """Tell which notes are no JSON object, so that nobody who reads a session later has to expect one."""
    unreadable = np.zeros(len(kinds), bool)
    for index in np.flatnonzero(ours & _IS_NOTE[kinds]):
        start = int(starts[index])
        try:
            decode_note(data[start + RECORD_HEAD.size : start + int(lengths[index])])
        except ValueError:
            unreadable[index] = True
    return unreadable


def _note_faults(
    faults: list[tuple[int, int, str]],
    base: int,
    starts: np.ndarray,
    lengths: np.ndarray,
    which: np.ndarray,
    sentence: str,
) -> None:
    for index in np.flatnonzero(which):
        offset = base + int(starts[index]) - PACKET_HEAD.size
        faults.append((offset, PACKET_FRAMING + (int(lengths[index]) + 3 & ~3), sentence))


class Records(Sequence[Record]):
    """The records of a session in order of sequence, read from its files when asked for.

    Index, slice or iterate; `kinds`, `sequences` and `mono_ns` (numpy arrays) answer without reading a file. Raises
    OSError if a file has gone away meanwhile.
    """

    def __init__(self, parts: Sequence[Path], rows: np.ndarray) -> None:
        self._parts = tuple(parts)
        self._rows = rows

    @property
    def kinds(self) -> np.ndarray:
        """The kind of every record, as numbers."""
        return self._rows["kind"]

    @property
    def sequences(self) -> np.ndarray:
        """The sequence number of every record, ascending."""
        return self._rows["sequence"]

    @property
    def mono_ns(self) -> np.ndarray:
        """The monotonic time of every record in ns."""
        return self._rows["mono_ns"]

    def of_kind(self, *kinds: int) -> Records:
        """Return only the records of these kinds, without reading anything."""
        return Records(self._parts, self._rows[np.isin(self._rows["kind"], [int(kind) for kind in kinds])])

    def __len__(self) -> int:
        return len(self._rows)

    @overload
    def __getitem__(self, index: int) -> Record: ...

    @overload
    def __getitem__(self, index: slice) -> Records: ...

    def __getitem__(self, index: int | slice) -> Record | Records:
        if isinstance(index, slice):
            return Records(self._parts, self._rows[index])
        row = self._rows[index : index + 1 or None]
        if not len(row):
            raise IndexError(f"no record {index} among {len(self)}")
        return next(self._materialize(row, read_ahead=0))

    def __iter__(self) -> Iterator[Record]:
        return self._materialize(self._rows, _READ_AHEAD)

    def _materialize(self, rows: np.ndarray, read_ahead: int) -> Iterator[Record]:
        """Read payloads in order, keeping one stretch of file in memory."""
        file: FileIO | None = None
        open_part, low, high, stretch = -1, 0, 0, b""
        try:
            for kind, sequence, mono_ns, offset, size, part in _tuples(rows):
                if file is None or part != open_part:
                    if file is not None:
                        file.close()
                    file = self._parts[part].open("rb", buffering=0)
                    open_part, low, high = part, 0, 0
                if offset < low or offset + size > high:
                    stretch = _read(file, offset, max(size, read_ahead))
                    low, high = offset, offset + len(stretch)
                    if high < offset + size:
                        raise OSError(f"{self._parts[part].name} became shorter while it was read")
                yield Record(known_kind(kind), sequence, mono_ns, stretch[offset - low : offset - low + size])
        finally:
            if file is not None:
                file.close()


def _tuples(rows: np.ndarray, step: int = 8192) -> Iterable[tuple[int, int, int, int, int, int]]:
    """Yield rows as plain integers, some thousands at a time: quick, and never a second copy of the whole index."""
    for begin in range(0, len(rows), step):
        chunk = rows[begin : begin + step]
        names = ("kind", "sequence", "mono_ns", "offset", "size", "part")
        yield from zip(*(chunk[name].tolist() for name in names), strict=True)
