"""Helpers of the recorder's tests: small invented sessions, and a disk that fails when told to."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from server.recording.clock import Clock, FakeClock
from server.recording.records import Kind, encode_note, pack_record
from server.recording.segment import PackedRecord, create_segment
from server.recording.session_file import Session
from server.recording.session_header import HeaderFault, SessionHeader, Software, make_header, read_header
from server.recording.storage import PosixStorage

SANDPIPER = {"name": "Sandpiper", "mass_kg": 1.62}
MOSSBANK = {"name": "Mossbank Field", "elevation_m": 620.0}


def fixed_entropy(size: int) -> bytes:
    """The same bytes at every run, so that a test's files are the same too."""
    return bytes(range(17, 17 + size))


def header_for(
    clock: Clock, dictionary: str = "[vehicle]\n", source: str = "demo", entropy: Callable[[int], bytes] = os.urandom
) -> SessionHeader:
    """A header of the invented Sandpiper at the invented Mossbank Field."""
    return make_header(
        clock,
        software=Software("0.1"),
        dictionary=dictionary,
        vehicle=SANDPIPER,
        site=MOSSBANK,
        source=source,
        entropy=entropy,
    )


SALT = int.from_bytes(fixed_entropy(4), "little")
"""The salt of `small_header`."""


def changed(header: SessionHeader, **changes: object) -> SessionHeader:
    """A header as read from a file in which other values stand, or one that writes what no reader takes."""
    try:
        return read_header({**header.as_note(), **changes})
    except HeaderFault:
        return replace(header, other=changes)


def small_header(**changes: object) -> SessionHeader:
    """A header as short as it may be, so that going through every bit of a file stays quick."""
    header = header_for(FakeClock(), dictionary="", entropy=fixed_entropy)
    return changed(replace(header, vehicle={}, site={}, software="", git=None), **changes)


def entry(kind: int, sequence: int, payload: bytes | dict, mono_ns: int | None = None) -> PackedRecord:
    """A record of the session of `small_header`; by default one a millisecond."""
    mono_ns = FakeClock().monotonic_ns() + sequence * 1_000_000 if mono_ns is None else mono_ns
    data = encode_note(payload) if isinstance(payload, dict) else payload
    return PackedRecord(kind, sequence, mono_ns, pack_record(kind, SALT, sequence, mono_ns, data))


ENTRIES = [
    entry(Kind.RECEIVED, 1, b"\x01\x02\x03"),
    entry(Kind.INTENT, 2, {"command": "camera_2_on"}),
    entry(Kind.SENT, 3, b"\xff\x00\xff\x00"),
    entry(Kind.RECEIVED, 4, b"answer"),
    entry(Kind.CLOSE, 5, {}),
]


def write_part(
    folder: Path, name: str, entries: list[PackedRecord], sequence: int = 0, header: SessionHeader | None = None
) -> tuple[Path, list[int]]:
    """Write one file by the real writer; return its path and the offset behind the opening and behind each entry."""
    segment, _ = create_segment(PosixStorage(), folder, name, header or small_header(), sequence=sequence)
    ends = [segment.bytes_written]
    for one in entries:
        segment.write([one])
        ends.append(segment.bytes_written)
    segment.sync()
    segment.close()
    return segment.path, ends


def bytes_of(session: Session, kind: Kind = Kind.RECEIVED) -> list[bytes]:
    """The payloads of one kind, in order."""
    return [record.payload for record in session.records if record.kind == kind]


def system_error(number: int) -> OSError:
    """The OSError of that number; Python picks the subclass (InterruptedError for EINTR)."""
    return OSError(number, os.strerror(number))


class FaultyStorage(PosixStorage):
    """The real disk, except that operation number `fail_at` fails (and all later ones too, if `for_ever`).

    Operations are counted from 0 over create, write, sync_data and sync_created. `how` is an errno, or "short": a write
    that takes half of the bytes and then, if `for_ever`, reports a full disk.
    """

    def __init__(self, fail_at: int | None = None, how: int | str = errno.EIO, for_ever: bool = False) -> None:
        self.fail_at = fail_at
        self.how = how
        self.for_ever = for_ever
        self.operations: list[str] = []
        self.failures = 0
        self.used_after_failure = 0
        self._condemned: set[int] = set()

    def create(self, path: Path) -> int:
        self._count("create")
        descriptor = super().create(path)
        self._condemned.discard(descriptor)
        return descriptor

    def write(self, descriptor: int, data: bytes) -> int:
        self._watch(descriptor)
        if self._due() and self.how == "short" and not (self.for_ever and self.failures):
            self.operations.append("write")
            self.failures += 1
            return super().write(descriptor, data[: max(1, len(data) // 2)])
        self._count("write", descriptor)
        return super().write(descriptor, data)

    def sync_data(self, descriptor: int) -> None:
        self._watch(descriptor)
        self._count("sync_data", descriptor)
        super().sync_data(descriptor)

    def sync_created(self, descriptor: int, path: Path) -> None:
        self._watch(descriptor)
        self._count("sync_created", descriptor)
        os.fsync(descriptor)

    def _due(self) -> bool:
        number = len(self.operations)
        return self.fail_at is not None and (number == self.fail_at or (self.for_ever and number > self.fail_at))

    def _watch(self, descriptor: int) -> None:
        if descriptor in self._condemned:
            self.used_after_failure += 1

    def _count(self, operation: str, descriptor: int = -1) -> None:
        due = self._due()
        self.operations.append(operation)
        if not due:
            return
        if self.how == "short" and (operation != "write" or not self.for_ever):
            return
        self.failures += 1
        number = errno.ENOSPC if self.how == "short" else int(self.how)
        if not (number == errno.EINTR and operation == "write"):
            self._condemned.add(descriptor)
        raise system_error(number)


class GatedStorage(PosixStorage):
    """A disk whose flush hangs until the gate is opened, as a worn SD card's does for seconds."""

    def __init__(self) -> None:
        self.gate = threading.Event()
        self.gate.set()
        self.waiting = threading.Event()

    def shut(self) -> None:
        """From now on flushes hang; `waiting` tells when one does."""
        self.waiting.clear()
        self.gate.clear()

    def sync_data(self, descriptor: int) -> None:
        self.waiting.set()
        self.gate.wait(30)
        super().sync_data(descriptor)


class StateLog:
    """Collects a recorder's states and lets a test wait for one without sleeping."""

    def __init__(self) -> None:
        self.states: list[str] = []
        self.sentences: list[str] = []
        self._condition = threading.Condition()

    def __call__(self, state) -> None:  # type: ignore[no-untyped-def]
        with self._condition:
            self.states.append(state.state)
            self.sentences.append(state.sentence)
            self._condition.notify_all()

    def wait_for(self, wanted: Callable[[list[str]], bool], timeout_s: float = 10.0) -> None:
        """Return when `wanted(states so far)` is true; fail after `timeout_s`."""
        with self._condition:
            assert self._condition.wait_for(lambda: wanted(self.states), timeout_s), self.states


def manual_clock() -> FakeClock:
    """A clock at a fixed, invented moment."""
    return FakeClock()
