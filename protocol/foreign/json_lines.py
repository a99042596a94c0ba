"""Lines that are JSON objects: `{"type": "state", "t": 12.34, "accel": [0.1, 0.2, 9.8]}` (WIRE.md, section 10; RFC 8259).

A field stands under its name, an array under its own as a list; what else a line holds is not looked at.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from math import isfinite

from protocol.commands import TEMPLATE_PLACE, Command
from protocol.events import FrameDamaged, PacketUnknown
from protocol.fields import Field, Packet
from protocol.foreign.foreign_framing import Heard, Judged, modulus_of, time_and_count
from protocol.foreign.framing_rules import FramingRules
from protocol.foreign.lines import LineCutter, Unreadable
from protocol.wire_types import BOOL, FLOAT_TYPES, INTEGER_RANGES, Raw, bits_of

LINE_MAX = 2048


class JsonLines:
    """The lines of one vehicle; one longer than `LINE_MAX` is dropped as it comes."""

    def __init__(self, rules: FramingRules, packets: Mapping[str, Packet]) -> None:
        self._tag_key = rules.tag_key
        self._by_tag = {packet.tag: packet for packet in packets.values()}
        self._packets = packets
        self._cutter = LineCutter(LINE_MAX)

    def feed(self, data: bytes) -> Iterator[Heard]:
        """Take received bytes; yields a piece for each line that is not empty."""
        return self._cutter.feed(data, self._judge)

    def _judge(self, line: bytes, size: int) -> Judged:
        try:
            told = json.loads(line)
        except (ValueError, RecursionError):
            told = None
        if not isinstance(told, dict):
            return FrameDamaged("no JSON object", size)
        tag = told.get(self._tag_key, "") if self._tag_key else ""
        packet = self._by_tag.get(tag) if isinstance(tag, str) else None
        packet = packet or self._by_tag.get("")
        if packet is None:
            return PacketUnknown(-1, size)
        try:
            raw = [_raw(field, _told(field, told)) for field in packet.fields]
        except Unreadable as problem:
            return FrameDamaged(f"{packet.name}: {problem}", size)
        values = packet.values_of(raw)
        return (packet, *time_and_count(packet, values), values)

    def encode(self, packet: str, values: Mapping[str, object]) -> bytes:
        """Return the line of one packet; raises ValueRefused."""
        described = self._packets[packet]
        line: dict[str, object] = {self._tag_key: described.tag} if described.tag else {}
        for field, raw in zip(described.fields, described.raw_of(values), strict=True):
            if field.array is None:
                line[field.name] = _word(field, raw)
            else:
                elements = line.setdefault(field.array[0], [])
                assert isinstance(elements, list), "an array's name is no other field's"
                elements.append(_word(field, raw))
        return json.dumps(line, separators=(",", ":"), allow_nan=False).encode() + b"\r\n"

    def command(self, command: Command, args: Mapping[str, object]) -> bytes:
        """Return the line that asks for a command; raises ValueRefused."""
        command.pack_args(args)
        said = {arg.name: repr(args[arg.name]) for arg in command.args}
        return TEMPLATE_PLACE.sub(lambda place: said[place[1]], command.template).encode() + b"\r\n"

    def count_modulus(self, packet: Packet) -> int:
        """Return after how many packets of this type the count begins anew."""
        return modulus_of(packet)


def _told(field: Field, line: Mapping[str, object]) -> object:
    """Return what a line says of a field; raises Unreadable where it says nothing."""
    name, place, length = field.array or (field.name, 0, 0)
    if name not in line:
        raise Unreadable(f"no {name!r}")
    told = line[name]
    if not length:
        return told
    if not isinstance(told, list) or len(told) != length:
        raise Unreadable(f"{name!r} is no list of {length}")
    element: object = told[place]
    return element


def _raw(field: Field, told: object) -> Raw:
    """Return the raw value; null is not a number where the field can hold that."""
    if field.type.startswith(("text", "bytes")):
        if not isinstance(told, str):
            raise Unreadable(f"{str(told)[:20]!r} is no text")
        try:
            return bytes.fromhex(told) if field.type.startswith("bytes") else told.encode()
        except ValueError:  # also half a surrogate pair
            raise Unreadable(f"{told[:20]!r} cannot be read") from None
    if field.type in FLOAT_TYPES and told is None:
        return float("nan")
    if not isinstance(told, int | float) or (isinstance(told, bool) and field.type != BOOL):
        raise Unreadable(f"{str(told)[:20]!r} is no number")
    if field.type in FLOAT_TYPES:
        return _float_of(told)
    if isinstance(told, float) and not (isfinite(told) and told.is_integer()):
        raise Unreadable(f"{told!r} is no whole number")
    low, high = INTEGER_RANGES.get(field.type) or (0, 2 ** bits_of(field.type) - 1)
    if not low <= told <= high:
        raise Unreadable(f"{str(told)[:20]} does not fit {field.type}")
    return int(told)


def _float_of(told: float) -> float:
    try:
        return float(told)
    except OverflowError:  # a whole number of more than 308 digits
        raise Unreadable("a number too great for 64 bits") from None


def _word(field: Field, raw: Raw) -> object:
    """Return what JSON says of a raw value."""
    if isinstance(raw, bytes):
        return raw.hex() if field.type.startswith("bytes") else raw.decode()
    if field.type == BOOL:
        return bool(raw)
    return raw if isfinite(raw) else None
