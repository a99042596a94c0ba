"""Records of fixed layout, stuffed so that one byte value stands only between them: COBS and 00, or SLIP and C0.

COBS: Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999. SLIP: RFC 1055.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from cobs import cobs

from protocol.commands import Command
from protocol.events import FrameDamaged
from protocol.fields import Packet
from protocol.foreign.foreign_framing import Heard, Judged
from protocol.foreign.framing_rules import FramingRules
from protocol.foreign.record_format import RecordFormat

STUFFED_MAX = 640  # twice a payload of 255 bytes with header and checksum; a longer run is no record
SLIP_END, SLIP_ESCAPE = b"\xc0", b"\xdb"
SLIP_SOUND = re.compile(rb"(?:[^\xdb]|\xdb[\xdc\xdd])*", re.S)


class StuffedRecords:
    """The records of one vehicle; a run longer than `STUFFED_MAX` is dropped as it comes."""

    def __init__(self, rules: FramingRules, packets: Mapping[str, Packet]) -> None:
        self._is_slip = rules.stuffing == "slip"
        self._end = SLIP_END if self._is_slip else b"\0"
        self._sync = rules.sync
        self._format = RecordFormat(rules, packets)
        self._pending = b""
        self._dropped = 0

    def feed(self, data: bytes) -> Iterator[Heard]:
        """Take received bytes; yields a piece for each record that is not empty."""
        at = 0
        while (end := data.find(self._end, at)) >= 0:
            stuffed, self._pending = self._pending + data[at:end], b""
            dropped, self._dropped, at = self._dropped, 0, end + 1
            size = dropped + len(stuffed) + 1
            if dropped or len(stuffed) > STUFFED_MAX:
                yield Heard(end, size, size, None)
            elif stuffed:
                yield Heard(end, size, 0, self._judge(stuffed, size))
        self._pending += data[at:]
        if self._dropped or len(self._pending) > STUFFED_MAX:
            self._dropped += len(self._pending)
            self._pending = b""

    def _judge(self, stuffed: bytes, size: int) -> Judged:
        record = self._unstuffed(stuffed)
        if record is None:
            return FrameDamaged("bad stuffing", size)
        if len(record) < self._format.around or not record.startswith(self._sync):
            return FrameDamaged("too short" if record.startswith(self._sync) else "no sync", size)
        head = self._format.header_of(record)
        if head is None:
            return FrameDamaged("another header", size)
        result = self._format.judge(record, head)
        if isinstance(result, tuple) and "length" in head and self._format.size_of(head) != len(record):
            return FrameDamaged("wrong length", size)
        return FrameDamaged(result.reason, size) if isinstance(result, FrameDamaged) else result

    def _unstuffed(self, stuffed: bytes) -> bytes | None:
        if self._is_slip:
            if not SLIP_SOUND.fullmatch(stuffed):
                return None
            return stuffed.replace(b"\xdb\xdc", SLIP_END).replace(b"\xdb\xdd", SLIP_ESCAPE)
        try:
            record: bytes = cobs.decode(stuffed)
        except cobs.DecodeError:
            return None
        return record

    def _stuffed(self, record: bytes) -> bytes:
        if self._is_slip:
            return record.replace(SLIP_ESCAPE, b"\xdb\xdd").replace(SLIP_END, b"\xdb\xdc") + SLIP_END
        stuffed: bytes = cobs.encode(record)
        return stuffed + b"\0"

    def encode(self, packet: str, values: Mapping[str, object]) -> bytes:
        """Return the stuffed record of one packet; raises ValueRefused."""
        return self._stuffed(self._format.encode(packet, values))

    def command(self, command: Command, args: Mapping[str, object]) -> bytes:
        """Return the stuffed record that asks for a command; raises ValueRefused."""
        return self._stuffed(self._format.command(command, args))

    def count_modulus(self, packet: Packet) -> int:
        """Return after how many packets of this type the count begins anew."""
        return self._format.count_modulus(packet)
