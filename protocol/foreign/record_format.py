"""Records of fixed layout as they lie in the bytes: sync, header, fields, checksum (WIRE.md, section 10).

Pure reading and writing of one whole record; how it is found in a stream is `binary_records`' and `stuffed_records`'.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

from protocol.commands import TEMPLATE_PLACE, Command
from protocol.events import FrameDamaged, PacketUnknown
from protocol.fields import Packet
from protocol.foreign.foreign_framing import Judged, modulus_of, time_and_count
from protocol.foreign.framing_rules import FramingRules, HeaderPart
from protocol.wire_types import ARGUMENT_CODES, Order

PAYLOAD_MAX = 255  # a length beyond it is a false sync


class RecordFormat:
    """How one vehicle's records are read and written; keeps the counts of those written."""

    def __init__(self, rules: FramingRules, packets: Mapping[str, Packet]) -> None:
        self._rules = rules
        self._mark: Order = "<" if rules.order == "little" else ">"
        self._parts: list[tuple[HeaderPart, int]] = []
        at = len(rules.sync)
        for part in rules.header:
            self._parts.append((part, at))
            at += part.size
        self.head_size = at
        self._sum_size, self._sum = rules.sum
        self.around = self.head_size + self._sum_size
        self._packets = packets
        self._by_id = {packet.apid: packet for packet in packets.values()}
        self._only = next(iter(packets.values()), None)
        self._layouts = {packet.name: packet.layout_in(self._mark) for packet in packets.values()}
        self._counts: dict[str, int] = {}

    # ------------------------------------------------------------ reading

    def header_of(self, record: bytes | bytearray) -> dict[str, int] | None:
        """Return the numbers of a record's header; None where a part is not what it must be."""
        numbers = {}
        for part, at in self._parts:
            octets = bytes(record[at : at + part.size])
            if part.what == "const" and octets != part.octets:
                return None
            if part.type:
                raw, mask = int.from_bytes(octets, self._rules.order), part.mask or (1 << 8 * part.size) - 1
                if part.rest is not None and raw & ~mask != part.rest:
                    return None
                numbers[part.what] = (raw & mask) >> part.shift
        return numbers

    def packet_of(self, head: Mapping[str, int]) -> Packet | None:
        """Return whose record it is."""
        return self._by_id.get(head["id"]) if "id" in head else self._only

    def size_of(self, head: Mapping[str, int]) -> int | None:
        """Return the size of the whole record, or None when there cannot be one."""
        packet = self.packet_of(head)
        if "length" not in head:
            return None if packet is None else self.around + self._layouts[packet.name].size
        whole = self.around if self._rules.length_counts == "record" else 0
        payload = head["length"] + self._rules.length_bias - whole
        if not self._rules.sync and (packet is None or payload != self._layouts[packet.name].size):
            return None  # nothing but id, length and checksum tells where a record begins
        return self.around + payload if 0 <= payload <= PAYLOAD_MAX else None

    def judge(self, record: bytes, head: Mapping[str, int]) -> Judged:
        """Judge a whole record by its checksum, its id and its length."""
        body = record[: len(record) - self._sum_size]
        if record[len(body) :] != self._sum_of(body):
            return FrameDamaged("bad checksum", len(record))
        packet = self.packet_of(head)
        if packet is None:
            return PacketUnknown(head["id"], len(record))
        layout = self._layouts[packet.name]
        if len(body) - self.head_size != layout.size:
            return FrameDamaged(f"{packet.name} of another length", len(record))
        values = packet.values_of(layout.unpack_from(body, self.head_size))
        count, time_ms = time_and_count(packet, values)
        return (packet, head["count"] if "count" in head else count, time_ms, values)

    def _sum_of(self, body: bytes) -> bytes:
        covered = body if self._rules.checksum_with_sync else body[len(self._rules.sync) :]
        return self._sum(covered).to_bytes(self._sum_size, self._rules.checksum_order or self._rules.order)

    # ------------------------------------------------------------ writing

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
        count = self._counts.get(counted, 0)
        self._counts[counted] = count + 1
        whole = self.around if self._rules.length_counts == "record" else 0
        numbers = {"id": id, "length": len(payload) + whole - self._rules.length_bias, "count": count}
        head = b"".join(
            _number(part, numbers[part.what]).to_bytes(part.size, self._rules.order) if part.type else part.octets
            for part, _ in self._parts
        )
        body = self._rules.sync + head + payload
        return body + self._sum_of(body)

    def count_modulus(self, packet: Packet) -> int:
        """Return after how many packets of this type the count begins anew."""
        part = self._rules.part("count")
        return 1 << part.bits if part is not None else modulus_of(packet)


def _number(part: HeaderPart, value: int) -> int:
    return (value % (1 << part.bits)) << part.shift | (part.rest or 0)
