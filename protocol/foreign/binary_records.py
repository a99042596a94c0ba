"""Records of fixed layout one behind the other: found by their sync bytes, or by length and checksum alone.

After anything that is no record the search goes on one byte behind where it began, within the bytes already heard, so that
a record behind a false sync is not lost.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from protocol.commands import Command
from protocol.events import FrameDamaged
from protocol.fields import Packet
from protocol.foreign.foreign_framing import Heard
from protocol.foreign.framing_rules import FramingRules
from protocol.foreign.record_format import RecordFormat


class BinaryRecords:
    """The records of one vehicle."""

    def __init__(self, rules: FramingRules, packets: Mapping[str, Packet]) -> None:
        self._sync = rules.sync
        self._format = RecordFormat(rules, packets)
        self._pending = bytearray()
        self._skipped = 0
        self._base = 0  # where in the bytes just fed the pending ones begin
        self._end = 0

    def feed(self, data: bytes) -> Iterator[Heard]:
        """Take received bytes; yields a piece for each record, good or not."""
        self._base, self._end = -len(self._pending), 0
        self._pending += data
        while (heard := self._next()) is not None:
            yield heard

    def _next(self) -> Heard | None:
        """Return the record that begins what is pending, if it is complete; drop what can begin none."""
        while self._pending:
            self._seek_sync()
            if len(self._pending) < self._format.head_size:
                return None
            head = self._format.header_of(self._pending)
            size = None if head is None else self._format.size_of(head)
            if head is None or size is None:
                self._drop(1)
                self._skipped += 1
                continue
            if len(self._pending) < size:
                return None
            # A record found within one that was none is known only when that one's last byte has come.
            self._end = max(self._end, self._base + size - 1)
            heard = self._take(bytes(self._pending[:size]), head)
            if heard is not None:
                return heard
        return None

    def _seek_sync(self) -> None:
        sync = self._sync
        at = self._pending.find(sync)
        if at < 0:  # the last bytes may be the beginning of a sync
            keep = next(
                (n for n in range(min(len(sync) - 1, len(self._pending)), 0, -1) if self._pending.endswith(sync[:n])), 0
            )
            at = len(self._pending) - keep
        self._drop(at)
        self._skipped += at

    def _drop(self, size: int) -> None:
        del self._pending[:size]
        self._base += size

    def _take(self, record: bytes, head: Mapping[str, int]) -> Heard | None:
        """Return what the bytes are; None for what only seemed to be a record."""
        result = self._format.judge(record, head)
        if isinstance(result, FrameDamaged) and result.reason == "bad checksum":
            self._drop(1)  # it may have been a false sync: look within it too
            if not self._sync:  # where every byte may begin a record, most that seem to are none
                self._skipped += 1
                return None
            skipped, self._skipped = self._skipped, 0
            return Heard(self._end, skipped + 1, skipped, result)
        skipped, self._skipped = self._skipped, 0
        self._drop(len(record))
        return Heard(self._end, skipped + len(record), skipped, result)

    def encode(self, packet: str, values: Mapping[str, object]) -> bytes:
        """Return the record of one packet; raises ValueRefused."""
        return self._format.encode(packet, values)

    def command(self, command: Command, args: Mapping[str, object]) -> bytes:
        """Return the record that asks for a command; raises ValueRefused."""
        return self._format.command(command, args)

    def count_modulus(self, packet: Packet) -> int:
        """Return after how many packets of this type the count begins anew."""
        return self._format.count_modulus(packet)
