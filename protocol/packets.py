"""The primary header of a CCSDS space packet (CCSDS 133.0-B, section 4.1.3), and ours above it.

    bits  0-2   packet version number, 000
    bit   3     packet type: 0 telemetry, 1 telecommand
    bit   4     secondary header flag: 1 when the data field starts with one
    bits  5-15  APID
    bits 16-17  sequence flags: 11 = unsegmented, the only kind we send
    bits 18-31  sequence count, modulo 16384, one count per APID
    bits 32-47  packet data length: bytes after the header, minus one

Downlink packets carry a four-byte secondary header: vehicle time in milliseconds since its start, unsigned.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum

from protocol.errors import ShortBuffer

HEADER = struct.Struct(">HHH")
HEADER_SIZE = HEADER.size
TIME = struct.Struct(">I")
TIME_SIZE = TIME.size
APID_MAX = 0x7FE  # 0x7FF is the idle packet
COUNT_MODULUS = 1 << 14
TIME_MODULUS_MS = 1 << 32

SECONDARY_BIT = 0x0800
APID_MASK = 0x07FF
FLAGS_SHIFT = 14
COUNT_MASK = COUNT_MODULUS - 1


class PacketType(IntEnum):
    """Direction of a packet."""

    TELEMETRY = 0
    TELECOMMAND = 1


class SequenceFlags(IntEnum):
    """Segmentation of a packet."""

    CONTINUATION = 0
    FIRST = 1
    LAST = 2
    UNSEGMENTED = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class PrimaryHeader:
    """The six bytes every packet starts with, checked when built.

    `data_length` is the true number of bytes after the header (1..65536), not the wire's minus-one form.
    Raises ValueError for a field out of range.
    """

    type: PacketType
    apid: int
    count: int
    data_length: int
    secondary: bool = True
    flags: SequenceFlags = SequenceFlags.UNSEGMENTED
    version: int = 0

    def __post_init__(self) -> None:
        for name, value, low, high in (
            ("apid", self.apid, 0, APID_MASK),
            ("count", self.count, 0, COUNT_MASK),
            ("data_length", self.data_length, 1, 65536),
            ("version", self.version, 0, 7),
        ):
            if not low <= value <= high:
                raise ValueError(f"{name} must be {low}..{high}, got {value}")

    def pack(self) -> bytes:
        """Return the six header bytes."""
        first = self.version << 13 | self.type << 12 | self.secondary << 11 | self.apid
        return HEADER.pack(first, self.flags << FLAGS_SHIFT | self.count, self.data_length - 1)

    @classmethod
    def unpack(cls, data: bytes) -> PrimaryHeader:
        """Read a header from the first six bytes of `data`; raises ShortBuffer when there are fewer."""
        if len(data) < HEADER_SIZE:
            raise ShortBuffer("space packet primary header", HEADER_SIZE, len(data))
        first, sequence, length = HEADER.unpack_from(data)
        return cls(
            version=first >> 13,
            type=PacketType(first >> 12 & 1),
            secondary=bool(first & SECONDARY_BIT),
            apid=first & APID_MASK,
            flags=SequenceFlags(sequence >> FLAGS_SHIFT),
            count=sequence & COUNT_MASK,
            data_length=length + 1,
        )


def telemetry_header(apid: int, count: int, data_length: int) -> bytes:
    """Return the header bytes of a downlink packet without building a dataclass (the hot path)."""
    return HEADER.pack(SECONDARY_BIT | apid, 0xC000 | count & COUNT_MASK, data_length - 1)
