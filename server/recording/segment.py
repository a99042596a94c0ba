"""One file of a session: opened once, only ever appended to, given up for good at the first doubt."""

from __future__ import annotations

import errno
import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple
from zlib import crc32

from server.recording.pcapng import (
    LINK_USER0,
    LINK_USER1,
    enhanced_packet,
    interface_description,
    section_header,
)
from server.recording.records import Kind, encode_note, pack_record, route
from server.recording.session_header import APPLICATION, SessionHeader
from server.recording.storage import Storage
from server.timestamps import NS_PER_S

SUFFIX = ".pcapng"
REHEARSAL_TRACK = ".rehearsal.json"  # ending of the picture kept beside the recording of a rehearsal
_INTERRUPTIONS_BORNE = 100
_NAMES_TRIED = 1000

PREAMBLE = b"".join(
    [
        section_header(APPLICATION),
        interface_description(LINK_USER0, "bytes"),
        interface_description(LINK_USER1, "notes"),
    ]
)
"""The constant opening of every part: no checksum of its own, so the header note carries its length and CRC-32."""


class PackedRecord(NamedTuple):
    """A record on its way to the disk: its packed form, and what the queue has to know about it."""

    kind: int
    sequence: int
    mono_ns: int
    data: bytes


class Segment:
    """An open part of a session. After any exception from `write` or `sync` it must be closed, never used again."""

    def __init__(self, storage: Storage, path: Path, descriptor: int, header: SessionHeader) -> None:
        self._storage = storage
        self._descriptor = descriptor
        self._header = header
        self.path = path
        self.bytes_written = 0

    def open_with(self, header_entry: PackedRecord) -> None:
        """Write the constant opening and two copies of the header. Raises OSError."""
        block = self._block(header_entry)
        self._write_all(PREAMBLE + block + block)

    def write(self, entries: Iterable[PackedRecord]) -> None:
        """Append records in one go. Raises OSError, possibly after a part of them has been written."""
        self._write_all(b"".join([self._block(entry) for entry in entries]))

    def sync(self) -> None:
        """Return only when all that was written is on the disk. Raises OSError."""
        self._storage.sync_data(self._descriptor)

    def close(self) -> None:
        """Close the descriptor whatever it says: what matters is on the disk or is kept in memory by now."""
        try:
            self._storage.close(self._descriptor)
        except OSError:
            pass

    def _block(self, entry: PackedRecord) -> bytes:
        interface, direction = route(entry.kind)
        return enhanced_packet(interface, self._header.utc_of(entry.mono_ns), entry.data, direction)

    def _write_all(self, data: bytes) -> None:
        interruptions = 0
        rest = memoryview(data)
        while rest:
            try:
                taken = self._storage.write(self._descriptor, bytes(rest))
            except InterruptedError:
                # Nothing was taken, so writing again is safe; but not for ever.
                interruptions += 1
                if interruptions > _INTERRUPTIONS_BORNE:
                    raise
                continue
            if taken <= 0:
                raise OSError(errno.EIO, "the system took none of the bytes")
            self.bytes_written += taken
            rest = rest[taken:]


def create_segment(
    storage: Storage, folder: Path, name: str, header: SessionHeader, *, sequence: int
) -> tuple[Segment, SessionHeader]:
    """Create the first free file for this part of a session, with the header in it and on the disk.

    `header.part` is the part wished for; the returned header holds the part that was free (part and file name
    always agree). The header is written twice, one copy behind the other, because without its salt and dictionary the
    rest of the file means nothing. Raises OSError; then no file is left behind.
    """
    storage.make_folder(folder)
    first_part = header.part
    for attempt in range(_NAMES_TRIED):
        part = first_part if first_part == 1 else first_part + attempt
        path = folder / _file_name(name, part, attempt)
        header = replace(header, part=part, preamble_bytes=len(PREAMBLE), preamble_crc32=crc32(PREAMBLE))
        try:
            descriptor = storage.create(path)
        except FileExistsError:
            continue
        segment = Segment(storage, path, descriptor, header)
        try:
            mono_ns = header.monotonic_ns
            data = pack_record(Kind.HEADER, header.salt, sequence, mono_ns, encode_note(header.as_note()))
            segment.open_with(PackedRecord(Kind.HEADER, sequence, mono_ns, data))
            storage.sync_created(descriptor, path)
        except BaseException:
            segment.close()
            _remove_quietly(storage, path)
            raise
        return segment, header
    raise OSError(errno.EEXIST, f"{_NAMES_TRIED} files of that name exist already")


def _remove_quietly(storage: Storage, path: Path) -> None:
    """Remove a file whose header never reached the disk; if even that fails the file is only clutter."""
    try:
        storage.remove(path)
    except OSError:
        pass


def _file_name(name: str, part: int, attempt: int) -> str:
    if part > 1:
        return f"{name}~{part}{SUFFIX}"
    return f"{name}{SUFFIX}" if attempt == 0 else f"{name}-{attempt + 1}{SUFFIX}"


def base_name(path: Path) -> str:
    """Return the name that all parts of a session share: the file's name without part number and suffix."""
    return re.sub(r"~\d+$", "", path.name.removesuffix(SUFFIX))


def safe_name(text: str) -> str:
    """Return `text` as a file name of letters, digits, hyphen, underscore, at most 60 long: no path can hide in it."""
    return re.sub(r"[^A-Za-z0-9_]+", "-", text).strip("-")[:60].strip("-") or "session"


def session_name(utc_ns: int, vehicle: str) -> str:
    """Return YYYYMMDD-HHMMSS-vehicle, in UTC, safe as a file name."""
    moment = datetime.fromtimestamp(utc_ns // NS_PER_S, UTC)
    return f"{moment:%Y%m%d-%H%M%S}-{safe_name(vehicle).lower()}"
