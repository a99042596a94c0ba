"""The container of a session file: pcapng blocks, written and found again after damage. Pure, no I/O.

Source: draft-ietf-opsawg-pcapng (section header, interface description and enhanced packet blocks; options
shb_userappl 4, if_name 2, if_tsresol 9, epb_flags 2, epb_hash 3). Block and option numbers are written from memory of
that draft and checked in tests against two independent readers, tshark and python-pcapng. The draft does not say in
which byte order a CRC-32 sits inside epb_hash; here it is little-endian like the section.

Theory of the reader. A file is a chain of blocks, each carrying its length at both ends. Only an enhanced packet has a
checksum, so only an enhanced packet whose lengths agree and whose CRC-32 is right is believed. The chain is followed as
long as it holds. Where it breaks, the scanner looks for the next enhanced packet that proves itself, and reports all
that lies between as damage. A length is never trusted further than MAX_BLOCK bytes.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import Enum, IntEnum
from typing import NamedTuple
from zlib import crc32

MAX_BLOCK = 1 << 20
"""Longest block believed or written, bytes (common practice, no source)."""

LINK_USER0 = 147
LINK_USER1 = 148

SECTION_HEADER = 0x0A0D0D0A
INTERFACE_DESCRIPTION = 1
ENHANCED_PACKET = 6
_BYTE_ORDER_MAGIC = 0x1A2B3C4D
_OPT_END = 0
_OPT_EPB_FLAGS = 2
_OPT_EPB_HASH = 3
_HASH_CRC32 = 2

PACKET_HEAD = struct.Struct("<7I")  # type, total length, interface, time high, time low, captured, original
PACKET_TAIL = struct.Struct("<HHIHHBI3sHHI")  # flags option, hash option with its padding, end of options, total length
PACKET_FRAMING = PACKET_HEAD.size + PACKET_TAIL.size
MAX_DATA = MAX_BLOCK - PACKET_FRAMING
_HASH_PADDING = b"\0\0\0"
_PADDING = (b"", b"\0", b"\0\0", b"\0\0\0")

# The first 12 bytes of an enhanced packet of ours: type 6, a length that is a multiple of 4 up to 1 MiB, interface 0 or
# 1. Searching with it keeps the hunt after damage inside the regular expression engine instead of the Python loop.
_MULTIPLE_OF_4 = b"".join(re.escape(bytes([low])) for low in range(0, 256, 4))
_CANDIDATE = re.compile(b"\x06\0\0\0[" + _MULTIPLE_OF_4 + b"].[\0-\x10]\0[\0\x01]\0\0\0", re.DOTALL)
_CANDIDATE_SIZE = 12

FAILED_CRC_BUDGET = 4 << 30
"""Bytes whose checksum may fail before a file is given up, so that a crafted file of overlapping packets ends."""


class Direction(IntEnum):
    """Which way a packet went; the two low bits of epb_flags."""

    UNKNOWN = 0
    INBOUND = 1
    OUTBOUND = 2


class Fault(Enum):
    """What is wrong with a stretch of file."""

    BROKEN = "broken"
    """Bytes that are no believable block, with a believable one after them."""
    UNFINISHED = "unfinished"
    """The same, up to the end of the file: typically a torn last write."""
    FOREIGN = "foreign"
    """A well-formed block of a type that this program does not write."""
    ENVELOPE = "envelope"
    """A packet whose data is proven by its CRC but whose block around it is not as written."""


class FaultRange(NamedTuple):
    """A stretch of file that is not as written: offset and length in bytes from the start of the file."""

    offset: int
    length: int
    fault: Fault


class FoundPacket(NamedTuple):
    """One enhanced packet that was found and proven: timestamps in UTC nanoseconds, `offset` of its block."""

    offset: int
    interface: int
    timestamp_ns: int
    direction: int
    data: bytes


def _option(code: int, value: bytes) -> bytes:
    return struct.pack("<HH", code, len(value)) + value + _PADDING[-len(value) % 4]


def _block(block_type: int, body: bytes) -> bytes:
    total = len(body) + 12
    return struct.pack("<II", block_type, total) + body + struct.pack("<I", total)


def section_header(application: str) -> bytes:
    """Return the block that opens a file, naming the writing application; section length unknown (-1)."""
    body = struct.pack("<IHHq", _BYTE_ORDER_MAGIC, 1, 0, -1)
    return _block(SECTION_HEADER, body + _option(4, application.encode()) + _option(_OPT_END, b""))


def interface_description(link_type: int, name: str) -> bytes:
    """Return the block that declares one interface with nanosecond time stamps and no length limit."""
    body = struct.pack("<HHI", link_type, 0, 0)
    return _block(
        INTERFACE_DESCRIPTION,
        body + _option(2, name.encode()) + _option(9, b"\x09") + _option(_OPT_END, b""),
    )


def enhanced_packet(interface: int, timestamp_ns: int, data: bytes, direction: Direction) -> bytes:
    """Return one packet block with its direction and a CRC-32 over `data`.

    `timestamp_ns` is UTC in nanoseconds, 0 to 2**64 - 1. Raises ValueError if `data` is longer than MAX_DATA bytes.
    """
    length = len(data)
    if length > MAX_DATA:
        raise ValueError(f"a record of {length} bytes is longer than the {MAX_DATA} a session file takes")
    padding = _PADDING[-length % 4]
    total = PACKET_FRAMING + length + len(padding)
    head = PACKET_HEAD.pack(ENHANCED_PACKET, total, interface, timestamp_ns >> 32, timestamp_ns & 0xFFFFFFFF, length, length)
    tail = PACKET_TAIL.pack(
        _OPT_EPB_FLAGS, 4, direction, _OPT_EPB_HASH, 5, _HASH_CRC32, crc32(data), _HASH_PADDING, _OPT_END, 0, total
    )
    return b"".join((head, data, padding, tail))


@dataclass(slots=True)
class Found:
    """Packets found in one window: where their data starts in that window, and how long it is, in bytes.

    `loose` holds the starts of those whose block was not exactly as `enhanced_packet` writes it.
    """

    starts: list[int] = field(default_factory=list)
    lengths: list[int] = field(default_factory=list)
    loose: list[int] = field(default_factory=list)


class Scanner:
    """Follows the block chain through a file that is handed over window by window.

    After each `scan`, `consumed` is the file offset from which the next window has to start. Windows must be longer
    than MAX_BLOCK (or final) so that every call makes progress. `faults` collects what was not believed.
    """

    def __init__(self, failed_crc_budget: int = FAILED_CRC_BUDGET) -> None:
        self.faults: list[FaultRange] = []
        self.consumed = 0
        self._bad_from: int | None = None
        self._packet_seen = False
        self._budget = failed_crc_budget

    def scan(self, data: bytes, base: int, final: bool) -> Found:
        """Find the packets in `data`, which lies at file offset `base`; `final` says that the file ends with it."""
        found = Found()
        position = self._walk(data, base, final, found)
        self.consumed = base + position
        if final and self._bad_from is not None:
            self.faults.append(FaultRange(self._bad_from, base + len(data) - self._bad_from, Fault.UNFINISHED))
            self._bad_from = None
        return found

    def _walk(self, data: bytes, base: int, final: bool, found: Found) -> int:
        """Return the position up to which `data` is dealt with. One tight loop: an hour's file has 400 000 packets."""
        size = len(data)
        view = memoryview(data)
        read_head, read_tail = PACKET_HEAD.unpack_from, PACKET_TAIL.unpack_from
        add_start, add_length = found.starts.append, found.lengths.append
        position = 0
        while position < size:
            if position + PACKET_FRAMING <= size:
                block_type, total, _, _, _, length, original = read_head(data, position)
                end = position + total
                padded = (length + 3) & ~3
                if (
                    block_type == ENHANCED_PACKET
                    and total == PACKET_FRAMING + padded
                    and length == original
                    and total <= MAX_BLOCK
                    and end <= size
                ):
                    start = position + 28
                    f_code, f_size, flags, h_code, h_size, kind, crc, pad, e_code, e_size, again = read_tail(
                        data, start + padded
                    )
                    if (
                        total == again
                        and (f_code, f_size, h_code, h_size, kind, e_code, e_size) == (2, 4, 3, 5, 2, 0, 0)
                        and flags <= 2
                        and pad == _HASH_PADDING
                        and (padded == length or not any(view[start + length : start + padded]))
                        and crc32(view[start : start + length]) == crc
                    ):
                        if self._bad_from is not None:
                            self._end_of_damage(base + position)
                        add_start(start)
                        add_length(length)
                        position = end
                        continue
            following = self._slow_step(data, base, position, final, found)
            if following is None:
                break
            position = following
        self._packet_seen = self._packet_seen or bool(found.starts)
        return position

    def _slow_step(self, data: bytes, base: int, position: int, final: bool, found: Found) -> int | None:
        """Deal with anything but a packet exactly as written; return where to go on, or None to ask for more bytes."""
        block_type, end = _outline(data, position)
        if end > len(data) and not final:
            return None
        whole = position < end <= len(data)
        if whole and block_type == ENHANCED_PACKET and self._loose_packet(data, position, end, found):
            if self._bad_from is not None:
                self._end_of_damage(base + position)
            self.faults.append(FaultRange(base + position, end - position, Fault.ENVELOPE))
            return end
        if whole and block_type != ENHANCED_PACKET and self._bad_from is None:
            opening = block_type in (SECTION_HEADER, INTERFACE_DESCRIPTION)
            if not opening or self._packet_seen or found.starts:
                self.faults.append(FaultRange(base + position, end - position, Fault.FOREIGN))
            return end
        if self._bad_from is None:
            self._bad_from = base + position
        if self._budget < 0:
            return len(data)
        candidate = _CANDIDATE.search(data, position + 1)
        if candidate is not None:
            return candidate.start()
        # A candidate may straddle the window's end, so the last bytes are looked at again with the next window.
        return len(data) if final else max(position + 1, len(data) - _CANDIDATE_SIZE + 1)

    def _loose_packet(self, data: bytes, position: int, end: int, found: Found) -> bool:
        """Accept a packet block with other options or reserved bits, as long as its CRC-32 proves the data."""
        if end - position < PACKET_HEAD.size + 4:
            return False
        length = PACKET_HEAD.unpack_from(data, position)[5]
        start = position + PACKET_HEAD.size
        expected = _crc_option(data, start + ((length + 3) & ~3), end - 4)
        if expected is None:
            return False
        if crc32(memoryview(data)[start : start + length]) != expected:
            self._budget -= length
            return False
        found.starts.append(start)
        found.lengths.append(length)
        found.loose.append(start)
        return True

    def _end_of_damage(self, offset: int) -> None:
        assert self._bad_from is not None
        self.faults.append(FaultRange(self._bad_from, offset - self._bad_from, Fault.BROKEN))
        self._bad_from = None


def _outline(data: bytes, position: int) -> tuple[int, int]:
    """Return (type, end) of the block at `position`; end is `position` itself if its lengths are not believable.

    An end beyond the data means that the rest is needed to tell.
    """
    if position + 12 > len(data):
        return 0, len(data) + 1
    block_type, total = struct.unpack_from("<II", data, position)
    end = position + total
    if total < 12 or total % 4 or total > MAX_BLOCK:
        return block_type, position
    if end <= len(data) and struct.unpack_from("<I", data, end - 4)[0] != total:
        return block_type, position
    return block_type, end


def _crc_option(data: bytes, position: int, end: int) -> int | None:
    """Return the CRC-32 found among the options in data[position:end], or None."""
    while position + 4 <= end:
        code, size = struct.unpack_from("<HH", data, position)
        if code == _OPT_END:
            return None
        if code == _OPT_EPB_HASH and size == 5 and position + 9 <= end and data[position + 4] == _HASH_CRC32:
            crc: int = struct.unpack_from("<I", data, position + 5)[0]
            return crc
        position += 4 + ((size + 3) & ~3)
    return None


def packets(data: bytes, scanner: Scanner | None = None) -> Iterator[FoundPacket]:
    """Yield every proven packet of a whole file held in memory; hand in a scanner to see its faults afterward."""
    found = (scanner or Scanner()).scan(data, 0, final=True)
    loose = set(found.loose)
    for start, length in zip(found.starts, found.lengths, strict=True):
        offset = start - PACKET_HEAD.size
        _, _, interface, high, low, _, _ = PACKET_HEAD.unpack_from(data, offset)
        flags = 0
        if start not in loose:
            flags = PACKET_TAIL.unpack_from(data, start + ((length + 3) & ~3))[2]
        yield FoundPacket(offset, interface, high << 32 | low, flags & 3, data[start : start + length])
