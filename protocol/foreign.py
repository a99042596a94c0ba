"""Framings other than our own: lines of text, records of fixed layout. What both have in common, and which one it is.

A framing takes bytes and gives `Heard` pieces, each the result of one line or record at the moment its last byte has
come, whatever the chunks. It knows no restarts, no loss and no clock: that is `protocol.link`'s, for all framings alike.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Protocol

from protocol.commands import Command
from protocol.events import FrameDamaged, PacketUnknown
from protocol.fields import Packet, Value
from protocol.packets import COUNT_MODULUS, TIME_MODULUS_MS
from protocol.toml_table import TomlTable

if TYPE_CHECKING:
    from protocol.dictionary import Dictionary

PLACE = re.compile(r"\{(\w+)\}")
Judged = tuple[Packet, int | None, int | None, tuple[Value, ...]] | FrameDamaged | PacketUnknown | None


@dataclass(frozen=True, slots=True)
class Heard:
    """One line or record: where in the bytes just fed its last byte stands, its size on the wire, bytes skipped before
    it (counted in `size`), and the packet as (packet, count, time in ms, values) or what is wrong."""

    end: int
    size: int
    skipped: int
    result: Judged


class ForeignFraming(Protocol):
    """A framing: cuts, checks and reads what comes; wraps what goes."""

    def feed(self, data: bytes) -> Iterator[Heard]:
        """Take received bytes; yields what they complete, in order."""

    def encode(self, packet: str, values: Mapping[str, object]) -> bytes:
        """Return the line or record of one packet; raises ValueRefused."""

    def command(self, command: Command, args: Mapping[str, object]) -> bytes:
        """Return the bytes that ask for a command; raises ValueRefused."""

    def count_modulus(self, packet: Packet) -> int:
        """Return after how many packets of this type the count begins anew."""


def foreign_framing(dictionary: Dictionary) -> ForeignFraming | None:
    """Return a fresh framing for a dictionary, or None for our own wire."""
    from protocol.binary_records import BinaryRecords  # here, because both build on this module
    from protocol.text_lines import TextLines

    if dictionary.framing is None:
        return None
    return TextLines(dictionary) if dictionary.framing.kind == "text" else BinaryRecords(dictionary)


def time_and_count(packet: Packet, values: tuple[Value, ...]) -> tuple[int | None, int | None]:
    """Return (count, vehicle time in ms modulo 2^32) out of a packet's own fields; None for what it does not tell."""
    by_name = {channel.name: (channel, value) for channel, value in zip(packet.channels, values, strict=True)}
    count = int(by_name[packet.count][1]) if packet.count else None
    if not packet.time:
        return count, None
    channel, value = by_name[packet.time]
    ms = value * 1000.0 if channel.unit == "s" else value
    return count, round(ms) % TIME_MODULUS_MS if isfinite(ms) and ms >= 0.0 else None


def modulus_of(packet: Packet) -> int:
    """Return the modulus of a packet's count by the width of its field."""
    types = {item.name: item.type for item in packet.fields}
    return 1 << int(types[packet.count][1:]) if packet.count else COUNT_MODULUS


def check_foreign(dictionary: Dictionary, root: TomlTable) -> None:
    """Refuse what this framing cannot carry; raises DictionaryError."""
    rules = dictionary.framing
    many = len(dictionary.packets) > 1
    for packet in dictionary.packets.values():
        place = f"packet.{packet.name}"
        if rules.kind == "text":
            if packet.tag and not re.fullmatch(r"[!-)+-~]+", packet.tag) or rules.separator in packet.tag:
                raise root.problem("must be visible characters without the separator and without *", f"{place}.tag")
            if many and not packet.tag:
                raise root.problem("is missing: several packets are told apart by a line's first value", f"{place}.tag")
        elif many and "id" not in dict(rules.header):
            raise root.problem("needs an id: there are several packets", "framing.header")
        elif packet.apid > 0xFF and dict(rules.header).get("id") == "u8":
            raise root.problem("does not fit the id of one byte", f"{place}.apid")
    tags = [packet.tag for packet in dictionary.packets.values()]
    if rules.kind == "text" and len(set(tags)) != len(tags):
        raise root.problem("two packets have the same tag", "packet")
    for command in dictionary.commands.values():
        _check_template(command, rules.kind, root)


def _check_template(command: Command, kind: str, root: TomlTable) -> None:
    place = f"command.{command.name}.template"
    names = {arg.name for arg in command.args}
    if kind == "text" and not command.template:
        raise root.problem("is missing: a text format needs the words to send", place)
    if command.template and set(PLACE.findall(command.template)) != names:
        raise root.problem("must hold each argument once as {name} and no other", place)
    rest = PLACE.sub("00", command.template)
    if kind == "text" and not re.fullmatch(r"[ -)+-~]*", rest):
        raise root.problem("must be visible characters without *", place)
    if kind == "binary" and not re.fullmatch(r"(([0-9A-Fa-f]{2})(\s+|$))*", rest):
        raise root.problem("must be bytes in hexadecimal and {argument}s, with spaces between", place)
