"""Framings other than our own: lines of text, records of fixed layout. What both have in common.

A framing takes bytes and gives `Heard` pieces, each the result of one line or record at the moment its last byte has
come, whatever the chunks. It knows no restarts, no loss and no clock: that is `protocol.link`'s, for all framings alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Protocol

from protocol.commands import Command
from protocol.events import FrameDamaged, PacketUnknown
from protocol.fields import Packet, Value
from protocol.packets import COUNT_MODULUS, TIME_MODULUS_MS

MS_PER = {"s": 1000.0, "ms": 1.0, "us": 1e-3}
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


def time_and_count(packet: Packet, values: tuple[Value, ...]) -> tuple[int | None, int | None]:
    """Return (count, vehicle time in ms modulo 2^32) out of a packet's own fields; None for what it does not tell."""
    by_name = {channel.name: (channel, value) for channel, value in zip(packet.channels, values, strict=True)}
    count = int(by_name[packet.count][1]) if packet.count else None
    channel, value = by_name[packet.time] if packet.time else (None, "")
    if channel is None or isinstance(value, str):
        return count, None
    ms = value * MS_PER[channel.unit]
    return count, round(ms) % TIME_MODULUS_MS if isfinite(ms) and ms >= 0.0 else None


def modulus_of(packet: Packet) -> int:
    """Return the modulus of a packet's count by the width of its field."""
    types = {item.name: item.type for item in packet.fields}
    return 1 << int(types[packet.count][1:]) if packet.count else COUNT_MODULUS
