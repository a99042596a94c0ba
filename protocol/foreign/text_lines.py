"""Separated lines of text: `$STATE,12.34,101325,1*5C` and its like (WIRE.md, section 10).

A line is what stands before a line feed, a carriage return before it left out. After `start` come the values; with a
checksum `*` and its hexadecimal digits follow, over what stands between the start and the `*`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from protocol.commands import TEMPLATE_PLACE, Command
from protocol.errors import ValueRefused
from protocol.events import FrameDamaged, PacketUnknown
from protocol.fields import Field, Packet
from protocol.foreign.foreign_framing import Heard, Judged, modulus_of, time_and_count
from protocol.foreign.framing_rules import FramingRules
from protocol.foreign.lines import LineCutter, Unreadable
from protocol.wire_types import FLOAT_TYPES, INTEGER_RANGES, Raw, bits_of

LINE_MAX = 512
INTEGER = re.compile(r"[+-]?[0-9]{1,20}|0[xX][0-9A-Fa-f]{1,16}")
FLOAT = re.compile(r"[+-]?(([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,4})?|[iI][nN][fF]|[nN][aA][nN])")


HEX = re.compile(r"([0-9A-Fa-f]{2})*")


class TextLines:
    """The lines of one vehicle; a line longer than `LINE_MAX` is dropped as it comes."""

    def __init__(self, rules: FramingRules, packets: Mapping[str, Packet]) -> None:
        self._rules = rules
        self._start = rules.start.encode()
        self._by_tag = {packet.tag: packet for packet in packets.values()}
        self._packets = packets
        self._cutter = LineCutter(LINE_MAX)
        self._sum_size, self._sum = rules.sum

    def feed(self, data: bytes) -> Iterator[Heard]:
        """Take received bytes; yields a piece for each line that is not empty."""
        return self._cutter.feed(data, self._judge)

    def _judge(self, line: bytes, size: int) -> Judged:
        if not line.startswith(self._start):
            return FrameDamaged("no start", size)
        body = line[len(self._start) :]
        if self._sum_size:
            body, star, digits = body.rpartition(b"*")
            if not star or digits.upper() != b"%0*X" % (2 * self._sum_size, self._sum(body)):
                return FrameDamaged("bad checksum", size)
        text, separator = body.decode("utf-8", "replace"), self._rules.separator
        words = text.split(separator) if separator != " " else text.split()
        packet = self._by_tag.get("")
        if packet is None:
            packet = self._by_tag.get(words.pop(0) if words else "")
        if packet is None:
            return PacketUnknown(-1, size)
        if len(words) != len(packet.fields):
            return FrameDamaged(f"{packet.name} with {len(words)} values", size)
        try:
            raw = [_raw(field, word.strip()) for field, word in zip(packet.fields, words, strict=True)]
        except Unreadable as problem:
            return FrameDamaged(f"{packet.name}: {problem}", size)
        values = packet.values_of(raw)
        return (packet, *time_and_count(packet, values), values)

    def encode(self, packet: str, values: Mapping[str, object]) -> bytes:
        """Return the line of one packet; raises ValueRefused."""
        described = self._packets[packet]
        words = [described.tag] if described.tag else []
        for item, raw in zip(described.fields, described.raw_of(values), strict=True):
            words.append(_word(item, raw))
        for word in words:
            lost = self._rules.separator == " " and (not word or word.split() != [word])
            if lost or self._rules.separator in word or "*" in word or "\n" in word:
                raise ValueRefused(packet, word, "holds a character that ends a value")
        return self._line(self._rules.separator.join(words))

    def command(self, command: Command, args: Mapping[str, object]) -> bytes:
        """Return the line that asks for a command; raises ValueRefused."""
        command.pack_args(args)
        said = {arg.name: repr(args[arg.name]) for arg in command.args}
        return self._line(TEMPLATE_PLACE.sub(lambda place: said[place[1]], command.template))

    def _line(self, text: str) -> bytes:
        body = text.encode()
        ending = b"*%0*X" % (2 * self._sum_size, self._sum(body)) if self._sum_size else b""
        return self._start + body + ending + b"\r\n"

    def count_modulus(self, packet: Packet) -> int:
        """Return after how many packets of this type the count begins anew."""
        return modulus_of(packet)


def _word(field: Field, raw: Raw) -> str:
    """Return the word of a raw value."""
    if isinstance(raw, bytes):
        return raw.hex() if field.type.startswith("bytes") else raw.decode()
    return repr(raw)


def _raw(field: Field, word: str) -> Raw:
    """Return the raw value of a word; an empty one is not a number where the field can hold that."""
    if field.type.startswith("bytes"):
        if not HEX.fullmatch(word):
            raise Unreadable(f"{word[:20]!r} is no hexadecimal")
        return bytes.fromhex(word)
    if field.type.startswith("text"):
        return word.encode()
    if field.type in FLOAT_TYPES:
        if word and not FLOAT.fullmatch(word):
            raise Unreadable(f"{word[:20]!r} is no number")
        return float(word) if word else float("nan")
    if not INTEGER.fullmatch(word):
        raise Unreadable(f"{word[:20]!r} is no whole number")
    number = int(word, 16) if word[:2] in ("0x", "0X") else int(word)
    low, high = INTEGER_RANGES.get(field.type) or (0, 2 ** bits_of(field.type) - 1)
    if not low <= number <= high:
        raise Unreadable(f"{number} does not fit {field.type}")
    return number
