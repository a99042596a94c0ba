"""Records of fixed layout: sync bytes, a header of id, length and count, the fields, a checksum (WIRE.md, section 10).

After anything that is no record the search goes on one byte behind the sync that began it, within the bytes already
heard, so that a record behind a false sync is not lost.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping

from protocol.commands import TEMPLATE_PLACE, Command
from protocol.events import FrameDamaged, PacketUnknown
from protocol.fields import Packet
from protocol.foreign.foreign_framing import Heard, Judged, modulus_of, time_and_count
from protocol.foreign.framing_tables import FramingRules
from protocol.foreign.sums import SUMS
from protocol.wire_types import ARGUMENT_CODES, Order

PAYLOAD_MAX = 255  # a length beyond it is a false sync


class BinaryRecords:
    """The records of one vehicle."""

    def __init__(self, rules: FramingRules, packets: Mapping[str, Packet]) -> None:
        self._rules = rules
        self._mark: Order = "<" if rules.order == "little" else ">"
        self._header = struct.Struct(self._mark + "".join(ARGUMENT_CODES[type_] for _, type_ in rules.header))
        self._head_size = len(rules.sync) + self._header.size
        self._sum_size = SUMS[rules.checksum][0]
        self._packets = packets
        self._by_id = {packet.apid: packet for packet in packets.values()}
        self._only = next(iter(packets.values()), None)
        self._layouts = {packet.name: packet.layout_in(self._mark) for packet in packets.values()}
        self._counts: dict[str, int] = {}
        self._pending = bytearray()
        self._skipped = 0
        self._base = 0  # where in the bytes just fed the pending ones begin
        self._end = 0

    # ------------------------------------------------------------ hearing

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
            if len(self._pending) < self._head_size:
                return None
            head = self._read_header()
            size = self._record_size(head)
            if size is None:
                self._drop(1)
                self._skipped += 1
                continue
            if len(self._pending) < size:
                return None
            # A record found within one that was none is known only when that one's last byte has come.
            self._end = max(self._end, self._base + size - 1)
            return self._take(bytes(self._pending[:size]), head)
        return None

    def _seek_sync(self) -> None:
        sync = self._rules.sync
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

    def _read_header(self) -> dict[str, int]:
        numbers = self._header.unpack_from(self._pending, len(self._rules.sync))
        return dict(zip([part for part, _ in self._rules.header], numbers, strict=True))

    def _packet_of(self, head: Mapping[str, int]) -> Packet | None:
        return self._by_id.get(head["id"]) if "id" in head else self._only

    def _record_size(self, head: Mapping[str, int]) -> int | None:
        """Return the size of the whole record, or None when there cannot be one."""
        around = self._head_size + self._sum_size
        if "length" in head:
            payload = head["length"] - (around if self._rules.length_counts == "record" else 0)
            return around + payload if 0 <= payload <= PAYLOAD_MAX else None
        packet = self._packet_of(head)
        return None if packet is None else around + self._layouts[packet.name].size

    def _take(self, record: bytes, head: Mapping[str, int]) -> Heard:
        result = self._judge(record, head)
        skipped, self._skipped = self._skipped, 0
        if isinstance(result, FrameDamaged) and result.reason == "bad checksum":
            self._drop(1)  # it may have been a false sync: look within it too
            return Heard(self._end, skipped + 1, skipped, result)
        self._drop(len(record))
        return Heard(self._end, skipped + len(record), skipped, result)

    def _judge(self, record: bytes, head: Mapping[str, int]) -> Judged:
        body = record[: len(record) - self._sum_size]
        if record[len(body) :] != self._sum_of(body):
            return FrameDamaged("bad checksum", len(record))
        packet = self._packet_of(head)
        if packet is None:
            return PacketUnknown(head["id"], len(record))
        layout = self._layouts[packet.name]
        if len(body) - self._head_size != layout.size:
            return FrameDamaged(f"{packet.name} of another length", len(record))
        values = packet.values_of(layout.unpack_from(body, self._head_size))
        count, time_ms = time_and_count(packet, values)
        return (packet, head["count"] if "count" in head else count, time_ms, values)

    def _sum_of(self, body: bytes) -> bytes:
        size, check = SUMS[self._rules.checksum]
        covered = body if self._rules.checksum_with_sync else body[len(self._rules.sync) :]
        return check(covered).to_bytes(size, self._rules.order)

    # ------------------------------------------------------------ sending

    def encode(self, packet: str, values: Mapping[str, object]) -> bytes:
        """Return the record of one packet; raises ValueRefused."""
        described = self._packets[packet]
        raw = described.raw_of(values)
        return self._record(described.apid, self._layouts[packet].pack(*raw), packet)

    def command(self, command: Command, args: Mapping[str, object]) -> bytes:
        """Return the record that asks for a command, its code in place of the id; raises ValueRefused."""
        command.pack_args(args)
        packed = {
            arg.name: struct.pack(self._mark + ARGUMENT_CODES[arg.type], arg.raw_of(args[arg.name])) for arg in command.args
        }
        if not command.template:
            return self._record(command.code, b"".join(packed.values()), f"command {command.name}")
        filled = TEMPLATE_PLACE.sub(lambda place: packed[place[1]].hex(), command.template)
        return self._record(command.code, bytes.fromhex(filled), f"command {command.name}")

    def _record(self, id: int, payload: bytes, counted: str) -> bytes:
        around = self._head_size + self._sum_size
        count = self._counts.get(counted, 0)
        self._counts[counted] = count + 1
        whole = around if self._rules.length_counts == "record" else 0
        parts = {"id": id, "length": len(payload) + whole, "count": count}
        numbers = [parts[part] % (1 << int(type_[1:])) for part, type_ in self._rules.header]
        body = self._rules.sync + self._header.pack(*numbers) + payload
        return body + self._sum_of(body)

    def count_modulus(self, packet: Packet) -> int:
        """Return after how many packets of this type the count begins anew."""
        width = dict(self._rules.header).get("count")
        return 1 << int(width[1:]) if width else modulus_of(packet)
