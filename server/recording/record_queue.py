"""The records that wait for the disk: bounded, in order, and honest about what had to be dropped. Not thread-safe."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from server.recording.records import Kind
from server.recording.segment import PackedRecord

_ENTRY_OVERHEAD = 200
"""Memory an entry costs besides its data, bytes; measured roughly, it only has to keep the bound honest."""


def _cost(entry: PackedRecord) -> int:
    return len(entry.data) + _ENTRY_OVERHEAD


@dataclass(slots=True)
class Dropped:
    """What was dropped since it was last written down: counts, and first and last sequence number and time in ns."""

    received: int = 0
    notes: int = 0
    first_sequence: int = 0
    last_sequence: int = 0
    first_mono_ns: int = 0
    last_mono_ns: int = 0

    def add(self, entry: PackedRecord) -> None:
        """Count one more."""
        if not self:
            self.first_sequence, self.first_mono_ns = entry.sequence, entry.mono_ns
        if entry.kind == Kind.RECEIVED:
            self.received += 1
        else:
            self.notes += 1
        self.first_sequence = min(self.first_sequence, entry.sequence)
        self.first_mono_ns = min(self.first_mono_ns, entry.mono_ns)
        self.last_sequence = max(self.last_sequence, entry.sequence)
        self.last_mono_ns = max(self.last_mono_ns, entry.mono_ns)

    def __bool__(self) -> bool:
        return bool(self.received or self.notes)

    def note(self) -> dict[str, object]:
        """Return it as the payload of a GAP record."""
        count = self.received + self.notes
        return {
            "sentence": f"{count} records were dropped because the disk did not take them in time.",
            "dropped_received": self.received,
            "dropped_notes": self.notes,
            "first_sequence": self.first_sequence,
            "last_sequence": self.last_sequence,
            "first_mono_ns": self.first_mono_ns,
            "last_mono_ns": self.last_mono_ns,
        }


class RecordQueue:
    """Waiting records, oldest first. Over the limit the oldest received bytes go first, notes only after those."""

    def __init__(self) -> None:
        self._entries: deque[PackedRecord] = deque()
        self._bytes = 0
        self.dropped = Dropped()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, entry: PackedRecord, limit_bytes: int) -> None:
        """Add the newest record, and make room if that exceeds `limit_bytes`."""
        self._entries.append(entry)
        self._bytes += _cost(entry)
        if self._bytes > limit_bytes:
            # Down to seven eighths at once, so that a stuck disk does not cost a search per record.
            self._shrink(limit_bytes - limit_bytes // 8)

    def put_back(self, entries: Iterable[PackedRecord]) -> None:
        """Return records that were taken but are not known to be on the disk; they keep their place at the front."""
        entries = list(entries)
        self._entries.extendleft(reversed(entries))
        self._bytes += sum(map(_cost, entries))

    def take(self, limit_bytes: int) -> list[PackedRecord]:
        """Remove and return the oldest records, about `limit_bytes` of them and at least one if there is any."""
        taken: list[PackedRecord] = []
        size = 0
        while self._entries and size < limit_bytes:
            taken.append(self._entries.popleft())
            size += _cost(taken[-1])
        self._bytes -= size
        return taken

    def drop_older(self, mono_ns: int) -> None:
        """Drop received bytes from before `mono_ns` at the front of the queue; notes are few and stay."""
        kept: list[PackedRecord] = []
        while self._entries and self._entries[0].mono_ns < mono_ns:
            entry = self._entries.popleft()
            if entry.kind == Kind.RECEIVED:
                self._drop(entry)
            else:
                kept.append(entry)
        self._entries.extendleft(reversed(kept))

    def shrink(self, limit_bytes: int) -> None:
        """Drop the oldest records until `limit_bytes` are not exceeded."""
        if self._bytes > limit_bytes:
            self._shrink(limit_bytes)

    def forget_dropped(self) -> Dropped:
        """Return what was dropped so far and start counting again."""
        dropped, self.dropped = self.dropped, Dropped()
        return dropped

    def _shrink(self, target_bytes: int) -> None:
        notes: list[PackedRecord] = []
        while self._entries and self._bytes > target_bytes:
            entry = self._entries.popleft()
            if entry.kind == Kind.RECEIVED:
                self._drop(entry)
            else:
                notes.append(entry)
        self._entries.extendleft(reversed(notes))
        while self._entries and self._bytes > target_bytes:
            self._drop(self._entries.popleft())

    def _drop(self, entry: PackedRecord) -> None:
        self._bytes -= _cost(entry)
        self.dropped.add(entry)
