"""The primary header against published bytes and two readings of the standard by a CCSDS library."""

from __future__ import annotations

import struct

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st
from spacepackets.ccsds.spacepacket import PacketType as TheirType
from spacepackets.ccsds.spacepacket import SequenceFlags as TheirFlags
from spacepackets.ccsds.spacepacket import SpacePacketHeader

from protocol.errors import ShortBuffer
from protocol.packets import HEADER_SIZE, PacketType, PrimaryHeader, SequenceFlags, telemetry_header
from tests.protocol.helpers import SMALL, SMALL_VALUES, telemetry

TM, TC = PacketType.TELEMETRY, PacketType.TELECOMMAND
UN = SequenceFlags.UNSEGMENTED

# tests/SOURCES.md, space-packet: type, secondary header, APID, flags, count, data bytes, header bytes.
ROWS = [
    (TM, False, 0x001, UN, 0, 1, "00 01 C0 00 00 00"),
    (TM, True, 0x123, UN, 5, 32, "09 23 C0 05 00 1F"),
    (TC, True, 0x042, UN, 16383, 10, "18 42 FF FF 00 09"),
    (TM, False, 0x7FF, UN, 0, 7, "07 FF C0 00 00 06"),  # the idle packet
    (TM, False, 0x2AA, SequenceFlags.FIRST, 0x1555, 65536, "02 AA 55 55 FF FF"),
    (TM, False, 0x2AA, SequenceFlags.CONTINUATION, 0x1556, 256, "02 AA 15 56 00 FF"),
    (TM, False, 0x2AA, SequenceFlags.LAST, 0x1557, 100, "02 AA 95 57 00 63"),
]


@pytest.mark.parametrize(("type_", "secondary", "apid", "flags", "count", "length", "octets"), ROWS)
def test_published_headers(
    type_: PacketType, secondary: bool, apid: int, flags: SequenceFlags, count: int, length: int, octets: str
) -> None:
    header = PrimaryHeader(type=type_, secondary=secondary, apid=apid, flags=flags, count=count, data_length=length)
    assert header.pack() == bytes.fromhex(octets)
    assert PrimaryHeader.unpack(bytes.fromhex(octets)) == header


headers = st.builds(
    PrimaryHeader,
    type=st.sampled_from(PacketType),
    apid=st.integers(0, 2047),
    count=st.integers(0, 16383),
    data_length=st.integers(1, 65536),
    secondary=st.booleans(),
    flags=st.sampled_from(SequenceFlags),
    version=st.integers(0, 7),
)


@given(headers)
def test_every_header_comes_back(header: PrimaryHeader) -> None:
    assert PrimaryHeader.unpack(header.pack() + b"after") == header


@given(headers)
def test_agrees_with_a_ccsds_library_there_and_back(header: PrimaryHeader) -> None:
    theirs = SpacePacketHeader(
        packet_type=TheirType(header.type),
        apid=header.apid,
        seq_count=header.count,
        data_len=header.data_length - 1,
        sec_header_flag=header.secondary,
        seq_flags=TheirFlags(header.flags),
        ccsds_version=header.version,
    )
    assert bytes(theirs.pack()) == header.pack()
    read = SpacePacketHeader.unpack(header.pack())
    assert (read.apid, read.seq_count, read.data_len, int(read.packet_type), bool(read.sec_header_flag)) == (
        header.apid,
        header.count,
        header.data_length - 1,
        header.type,
        header.secondary,
    )
    assert int(read.seq_flags) == header.flags and read.packet_len == header.data_length + HEADER_SIZE


def test_a_whole_packet_reads_with_a_ccsds_library() -> None:
    fields = SMALL.packets["all"].pack(SMALL_VALUES)
    packet = cobs.decode(telemetry(1, 77, 123_456, fields)[:-1])[:-2]
    header = SpacePacketHeader.unpack(packet)
    assert header.packet_len == len(packet)
    assert (header.apid, header.seq_count, header.packet_type) == (1, 77, TheirType.TM)
    assert header.sec_header_flag and header.seq_flags == TheirFlags.UNSEGMENTED
    assert struct.unpack(">I", packet[6:10]) == (123_456,)


@pytest.mark.parametrize(
    ("field", "value", "message"),
    [
        ("apid", 2048, "apid must be 0..2047, got 2048"),
        ("apid", -1, "apid must be 0..2047, got -1"),
        ("count", 16384, "count must be 0..16383, got 16384"),
        ("data_length", 0, "data_length must be 1..65536, got 0"),
        ("data_length", 65537, "data_length must be 1..65536, got 65537"),
        ("version", 8, "version must be 0..7, got 8"),
    ],
)
def test_what_does_not_fit_is_refused(field: str, value: int, message: str) -> None:
    good = {"type": TM, "apid": 1, "count": 0, "data_length": 1}
    with pytest.raises(ValueError, match=message):
        PrimaryHeader(**{**good, field: value})


@pytest.mark.parametrize("size", range(HEADER_SIZE))
def test_a_short_header_tells_both_lengths(size: int) -> None:
    with pytest.raises(ShortBuffer) as caught:
        PrimaryHeader.unpack(bytes(size))
    assert (caught.value.needed, caught.value.got) == (6, size)


@given(st.integers(0, 2046), st.integers(0, 16383), st.integers(1, 244))
def test_the_hot_path_packs_the_same_header(apid: int, count: int, length: int) -> None:
    header = PrimaryHeader(type=TM, apid=apid, count=count, data_length=length)
    assert telemetry_header(apid, count, length) == header.pack()


def test_the_hot_path_wraps_the_count() -> None:
    assert telemetry_header(1, 16384, 5) == telemetry_header(1, 0, 5)
