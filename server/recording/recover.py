"""Saving what is left of a damaged session: a clean copy of every record that proves itself, and a list of what does not.

The damaged files are only read. The copy is one file, whatever the number of parts, with the first part's header and the
records under their own sequence numbers and times; nothing is invented, so a gap stays a gap. What could not be saved is
told, and stands in the copy's header under "recovered", so that it stays with the flight.

A file whose header (written twice) is gone in both copies can still be saved: the salt is the one that most packets
carry, the anchors follow from the packets' own UTC and monotonic times, and the rest comes from another part of the same
session or, for the dictionary, from the person who asks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from statistics import median_low
from uuid import uuid4
from zlib import crc32

from server.problems import reason
from server.recording.pcapng import MAX_DATA, Scanner, packets
from server.recording.records import RECORD_HEAD, Kind, pack_record, unpack_record
from server.recording.segment import PREAMBLE, PackedRecord, base_name, create_segment
from server.recording.session_file import Session, SessionError, open_session, part_paths, peek_header
from server.recording.session_header import FORMAT_MAJOR, FORMAT_MINOR, SessionHeader
from server.recording.storage import PosixStorage, Storage
from server.timestamps import NS_PER_S

_BATCH = 1000
_GAPS_TOLD = 50


@dataclass(frozen=True, slots=True)
class Recovery:
    """What came of a recovery: the copy, how many records and received bytes are in it, and what is not, in sentences."""

    path: Path
    records: int
    received_bytes: int
    lost: tuple[str, ...]

    def sentences(self) -> list[str]:
        """Return the report for a person."""
        saved = f"Saved {self.records} records with {self.received_bytes} received bytes to {self.path}"
        if not self.lost:
            return [f"{saved}", "Nothing was lost."]
        return [saved, "Could not be saved:", *(f"  {sentence}" for sentence in self.lost)]


def recover(
    path: Path, folder: Path | None = None, dictionary: str | None = None, storage: Storage | None = None
) -> Recovery:
    """Write a clean copy of the session that `path` is a part of into `folder` (default: beside it).

    `dictionary` is the TOML text for a session that has lost its own. Raises SessionError if nothing can be saved or the
    copy cannot be written; then no half copy is left behind.
    """
    path = Path(path)
    session = open_session(path, lambda file: _header_of(file, dictionary))
    lost = tuple(_lost(session))
    recovered = {"from": [part.name for part in session.parts], "lost": list(lost)}
    header = replace(session.header, part=1, other={**session.header.other, "recovered": recovered})
    storage = storage or PosixStorage()
    try:
        copy, records, received = _write_copy(session, header, storage, folder or path.parent, base_name(path))
    except OSError as error:
        raise SessionError(f"The copy of {path.name} cannot be written: {reason(error)}.") from error
    return Recovery(copy, records, received, lost)


def _write_copy(session: Session, header: SessionHeader, storage: Storage, folder: Path, base: str) -> tuple[Path, int, int]:
    """Return (path, records, received bytes) of the copy once it is on the disk. Raises OSError."""
    first = session.records[0] if len(session.records) else None
    opening = first if first is not None and first.kind == Kind.HEADER else None
    sequence = 0 if opening is None else opening.sequence
    segment, header = create_segment(storage, folder, f"{base}-recovered", header, sequence=sequence)
    records = received = 0
    try:
        batch: list[PackedRecord] = []
        for record in session.records if opening is None else session.records[1:]:
            data = pack_record(record.kind, header.salt, record.sequence, record.mono_ns, record.payload)
            batch.append(PackedRecord(record.kind, record.sequence, record.mono_ns, data))
            records += 1
            received += len(record.payload) if record.kind == Kind.RECEIVED else 0
            if len(batch) == _BATCH:
                segment.write(batch)
                batch = []
        segment.write(batch)
        segment.sync()
    except BaseException:
        segment.close()
        storage.remove(segment.path)
        raise
    segment.close()
    return segment.path, records, received


# ---------------------------------------------------------------- what is lost


def _lost(session: Session) -> Iterator[str]:
    for damage in session.damage:
        yield f"{damage.part.name}, {damage.length} bytes from byte {damage.offset}: {damage.sentence}"
    yield from _gaps(session)
    if session.unknown_kinds:
        yield f"{session.unknown_kinds} records of kinds that only a newer version can read are in the copy as they are."


def _gaps(session: Session) -> Iterator[str]:
    """Say where in the session records are missing, by their sequence numbers."""
    origin_ns = session.header.origin_monotonic_ns
    numbers, times = session.records.sequences.tolist(), session.records.mono_ns.tolist()
    told = untold = 0
    for (before, from_ns), (after, to_ns) in pairwise(zip(numbers, times, strict=True)):
        if after == before + 1:
            continue
        if told == _GAPS_TOLD:
            untold += after - before - 1
            continue
        told += 1
        between = f"between {(from_ns - origin_ns) / NS_PER_S:.3f} s and {(to_ns - origin_ns) / NS_PER_S:.3f} s"
        yield f"{after - before - 1} records {between} of the session are missing."
    if untold:
        yield f"{untold} records in further gaps are missing."


# ---------------------------------------------------------------- headers


def _header_of(file: Path, dictionary: str | None) -> SessionHeader:
    """Return a file's header, or one made from its packets when both copies of it are gone. Raises SessionError."""
    try:
        return peek_header(file)
    except SessionError as error:
        made = _made_header(file, dictionary, error)
    return made


def _made_header(file: Path, dictionary: str | None, problem: SessionError) -> SessionHeader:
    """Make a header from the packets themselves; raises `problem` for a file that holds none of ours."""
    found = list(_stamped(file, problem))
    if not found:
        raise problem
    salt = Counter(salt for salt, _, _ in found).most_common(1)[0][0]
    ours = [(utc_ns, mono_ns) for one, utc_ns, mono_ns in found if one == salt]
    known = _sibling_header(file, salt)
    if known is None and dictionary is None:
        raise SessionError(
            f"{file.name} has lost its header, and with it the vehicle's dictionary; give that with --dictionary FILE."
        )
    first_ns = min(mono_ns for _, mono_ns in ours)
    # One anchor for all: a packet whose own time stamp was damaged must not decide it.
    utc_ns = first_ns + median_low([utc_ns - mono_ns for utc_ns, mono_ns in ours])
    fallback = SessionHeader(
        session=uuid4().hex,
        salt=salt,
        utc_ns=utc_ns,
        monotonic_ns=first_ns,
        boottime_ns=first_ns,
        origin_monotonic_ns=first_ns,
        software="unknown",
        source="recovered",
        dictionary=dictionary,
    )
    return replace(
        known or fallback,
        part=_part_number(file),
        utc_ns=utc_ns,
        monotonic_ns=first_ns,
        format_major=FORMAT_MAJOR,
        format_minor=FORMAT_MINOR,
        preamble_bytes=len(PREAMBLE),
        preamble_crc32=crc32(PREAMBLE),
    )


def _stamped(file: Path, problem: SessionError) -> Iterator[tuple[int, int, int]]:
    """Yield (salt, UTC in ns, monotonic time in ns) of every proven packet that is long enough for a record."""
    try:
        data = file.read_bytes()
    except OSError:
        raise problem from None
    for packet in packets(data, Scanner()):
        if RECORD_HEAD.size <= len(packet.data) <= MAX_DATA:
            salt, record = unpack_record(packet.data)
            yield salt, packet.timestamp_ns, record.mono_ns


def _sibling_header(file: Path, salt: int) -> SessionHeader | None:
    """Return the header of another part of the same session, which has the same salt."""
    for other in part_paths(file):
        if other.name == file.name:
            continue
        try:
            header = peek_header(other)
        except SessionError:
            continue
        if header.salt == salt:
            return header
    return None


def _part_number(file: Path) -> int:
    """Return the part that a file's name says it is."""
    number = file.stem.removeprefix(base_name(file)).removeprefix("~")
    return int(number) if number.isdigit() else 1
