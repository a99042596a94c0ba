"""The container: checked against two independent readers (python-pcapng, tshark), then damaged in every way."""

from __future__ import annotations

import io
import shutil
import struct
import subprocess
import zlib
from pathlib import Path

import pcapng
import pcapng.blocks
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.recording.pcapng import (
    LINK_USER0,
    LINK_USER1,
    MAX_BLOCK,
    MAX_DATA,
    PACKET_FRAMING,
    Direction,
    Fault,
    Scanner,
    enhanced_packet,
    interface_description,
    packets,
    section_header,
)

NOON_NS = 1_750_000_000_123_456_789
INTERFACES = interface_description(LINK_USER0, "bytes") + interface_description(LINK_USER1, "notes")
OPENING = section_header("Blockhouse") + INTERFACES
PAYLOADS = [b"\x01\x02\x03", b'{"a":1}', b"", b"\x00" * 8, bytes(range(256)), b"last"]
ROUTES = [
    (0, Direction.INBOUND),
    (1, Direction.UNKNOWN),
    (0, Direction.OUTBOUND),
    (0, Direction.INBOUND),
    (0, Direction.INBOUND),
    (1, Direction.UNKNOWN),
]
BLOCKS = [
    enhanced_packet(interface, NOON_NS + number, data, direction)
    for number, (data, (interface, direction)) in enumerate(zip(PAYLOADS, ROUTES, strict=True))
]
FILE = OPENING + b"".join(BLOCKS)


def scan(data: bytes) -> tuple[list[bytes], list[tuple[int, int, Fault]]]:
    scanner = Scanner()
    found = [packet.data for packet in packets(data, scanner)]
    return found, [tuple(fault) for fault in scanner.faults]


@pytest.mark.filterwarnings("ignore:Field type should not be:DeprecationWarning")
def test_python_pcapng_reads_the_same_blocks_and_options() -> None:
    """Oracle: python-pcapng, a reader written by others."""
    section, first, second, *rest = list(pcapng.FileScanner(io.BytesIO(FILE)))
    assert section.options["shb_userappl"] == "Blockhouse"
    assert section.version == (1, 0)
    assert [(block.link_type, block.options["if_name"], block.snaplen) for block in (first, second)] == [
        (147, "bytes", 0),
        (148, "notes", 0),
    ]
    assert [block.timestamp_resolution for block in (first, second)] == [1e-9, 1e-9]
    assert all(isinstance(block, pcapng.blocks.EnhancedPacket) for block in rest)
    assert [block.packet_data for block in rest] == PAYLOADS
    assert [block.interface_id for block in rest] == [route[0] for route in ROUTES]
    assert [(block.timestamp_high << 32) + block.timestamp_low for block in rest] == [NOON_NS + n for n in range(6)]
    words = ("NA", "inbound", "outbound")
    assert [block.options["epb_flags"].inout for block in rest] == [words[direction] for _, direction in ROUTES]
    for block, data in zip(rest, PAYLOADS, strict=True):
        algorithm, value = block.options["epb_hash"]
        assert algorithm == 2 and value == struct.pack("<I", zlib.crc32(data))


def test_tshark_reads_it_without_complaint(tmp_path: Path) -> None:
    """Oracle: tshark. Count, order, link types, directions, time stamps; nothing malformed."""
    assert shutil.which("tshark"), "tshark is needed for this test"
    path = tmp_path / "container.pcapng"
    path.write_bytes(FILE)
    fields = ["frame.number", "frame.interface_name", "frame.encap_type", "frame.packet_flags_direction"]
    fields += ["frame.time_epoch", "frame.len", "_ws.malformed"]
    command = ["tshark", "-r", str(path), "-T", "fields", *(part for name in fields for part in ("-e", name))]
    run = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    complaints = [line for line in run.stderr.splitlines() if "Running as user" not in line]
    assert complaints == []
    rows = [line.split("\t") for line in run.stdout.splitlines()]
    assert [row[0] for row in rows] == ["1", "2", "3", "4", "5", "6"]
    assert [row[1] for row in rows] == [("bytes", "notes")[interface] for interface, _ in ROUTES]
    # tshark's own numbers for USER0 and USER1 follow each other.
    assert len({row[2] for row in rows}) == 2
    assert int(rows[1][2]) == int(rows[0][2]) + 1
    assert [int(row[3], 0) for row in rows] == [int(direction) for _, direction in ROUTES]
    assert [row[4] for row in rows] == [f"1750000000.{123_456_789 + n}" for n in range(6)]
    assert [int(row[5]) for row in rows] == [len(data) for data in PAYLOADS]
    assert [row[6] for row in rows] == [""] * 6


def test_blocks_are_aligned_and_carry_their_length_at_both_ends() -> None:
    for block in [*BLOCKS, section_header("x"), interface_description(147, "abc")]:
        assert len(block) % 4 == 0
        assert struct.unpack("<I", block[4:8]) == struct.unpack("<I", block[-4:]) == (len(block),)


def test_undamaged_file_is_read_whole() -> None:
    scanner = Scanner()
    read = list(packets(FILE, scanner))
    assert [packet.data for packet in read] == PAYLOADS
    assert [(packet.interface, packet.direction) for packet in read] == ROUTES
    assert [packet.timestamp_ns for packet in read] == [NOON_NS + n for n in range(6)]
    assert scanner.faults == []
    assert scanner.consumed == len(FILE)


def test_every_truncation_keeps_all_whole_packets() -> None:
    ends = [len(OPENING) + sum(map(len, BLOCKS[:count])) for count in range(len(BLOCKS) + 1)]
    for size in range(len(OPENING), len(FILE)):
        found, faults = scan(FILE[:size])
        whole = sum(end <= size for end in ends) - 1
        assert found == PAYLOADS[:whole]
        torn = size - ends[whole]
        assert faults == ([(ends[whole], torn, Fault.UNFINISHED)] if torn else [])


def test_every_bit_flip_in_a_packet_is_seen_and_costs_at_most_that_packet() -> None:
    """Time stamp, interface and direction are outside the packet's CRC; the session file compares those (see there)."""
    start = len(OPENING) + len(BLOCKS[0])
    end = start + len(BLOCKS[1])
    for bit in range(start * 8, end * 8):
        damaged = bytearray(FILE)
        damaged[bit // 8] ^= 1 << bit % 8
        found, faults = scan(bytes(damaged))
        assert [data for data in found if data != PAYLOADS[1]] == PAYLOADS[:1] + PAYLOADS[2:], bit
        inside = bit // 8 - start
        covered_elsewhere = 8 <= inside < 20 or 40 <= inside < 41
        assert faults or covered_elsewhere, (bit, inside)


def test_damage_is_bounded_and_later_packets_are_found() -> None:
    start = len(OPENING) + len(BLOCKS[0])
    damaged = bytearray(FILE)
    damaged[start : start + len(BLOCKS[1])] = b"\xff" * len(BLOCKS[1])
    assert scan(bytes(damaged)) == (PAYLOADS[:1] + PAYLOADS[2:], [(start, len(BLOCKS[1]), Fault.BROKEN)])


@pytest.mark.parametrize("lost", [1, 2, 3, 5, 64])
def test_bytes_cut_out_or_put_in_cost_one_packet(lost: int) -> None:
    """After such damage blocks no longer lie on multiples of four."""
    start = len(OPENING) + 20
    cut_out = FILE[:start] + FILE[start + lost :]
    put_in = FILE[:start] + b"\x06" * lost + FILE[start:]
    for damaged in (cut_out, put_in):
        found, faults = scan(damaged)
        assert found in (PAYLOADS[1:], PAYLOADS[2:])
        assert [fault for _, _, fault in faults] == [Fault.BROKEN]


def test_foreign_blocks_are_passed_over_and_named() -> None:
    statistics = struct.pack("<IIIIII", 5, 24, 0, 0, 0, 24)
    position = len(OPENING) + len(BLOCKS[0])
    found, faults = scan(FILE[:position] + statistics + FILE[position:])
    assert found == PAYLOADS
    assert faults == [(position, 24, Fault.FOREIGN)]


def test_packet_with_other_options_is_believed_if_its_crc_is_right() -> None:
    """As another tool writes it: a comment first, then the hash."""
    data = b"abcd"
    options = struct.pack("<HH4s", 1, 4, b"note") + struct.pack("<HHBI3xHH", 3, 5, 2, zlib.crc32(data), 0, 0)
    total = 32 + len(data) + len(options)
    block = struct.pack("<7I", 6, total, 0, 0, 7, 4, 4) + data + options + struct.pack("<I", total)
    found, faults = scan(OPENING + block + BLOCKS[0])
    assert found == [data, PAYLOADS[0]]
    assert faults == [(len(OPENING), total, Fault.ENVELOPE)]
    bad = block.replace(b"abcd", b"abce")
    assert scan(OPENING + bad + BLOCKS[0])[0] == [PAYLOADS[0]]


def test_packet_without_hash_is_not_believed() -> None:
    block = struct.pack("<7I", 6, 36, 0, 0, 7, 4, 4) + b"abcd" + struct.pack("<I", 36)
    assert scan(OPENING + block + BLOCKS[0]) == ([PAYLOADS[0]], [(len(OPENING), 36, Fault.BROKEN)])


def test_lengths_are_capped() -> None:
    largest = enhanced_packet(0, 0, b"x" * MAX_DATA, Direction.INBOUND)
    assert len(largest) <= MAX_BLOCK
    assert scan(OPENING + largest)[0] == [b"x" * MAX_DATA]
    with pytest.raises(ValueError, match="longer than"):
        enhanced_packet(0, 0, b"x" * (MAX_DATA + 1), Direction.INBOUND)
    total = MAX_BLOCK + 4
    data = b"y" * (total - PACKET_FRAMING)
    oversized = bytearray(struct.pack("<7I", 6, total, 0, 0, 0, len(data), len(data)) + data)
    oversized += struct.pack("<HHIHHBI3xHHI", 2, 4, 1, 3, 5, 2, zlib.crc32(data), 0, 0, total)
    assert len(oversized) == total
    found, faults = scan(OPENING + bytes(oversized) + BLOCKS[0])
    assert found == [PAYLOADS[0]]
    assert faults == [(len(OPENING), total, Fault.BROKEN)]


@pytest.mark.parametrize("step", [1, 3, 64, 333])
@pytest.mark.parametrize("damage", ["none", "flip", "hole"])
def test_windows_of_any_size_give_the_same_result(step: int, damage: str) -> None:
    data = bytearray(FILE * 2)
    if damage == "flip":
        data[len(OPENING) + 30] ^= 1
    elif damage == "hole":
        data[len(OPENING) + 30 : len(OPENING) + 130] = b"\x06\0\0\0" * 25
    data = bytes(data)
    whole = Scanner()
    expected = whole.scan(data, 0, True)
    scanner, seen, base, size = Scanner(), [], 0, step
    while True:
        window = data[base : base + size]
        final = base + size >= len(data)
        found = scanner.scan(window, base, final)
        seen += [base + start for start in found.starts]
        if final:
            break
        # A window that holds no whole block yields nothing; the reader's windows are longer than any block.
        size = size + step if scanner.consumed == base else step
        base = scanner.consumed
    assert seen == expected.starts
    assert scanner.faults == whole.faults


def test_a_crafted_file_of_failing_checksums_is_given_up() -> None:
    bad = bytearray(enhanced_packet(0, 0, b"z" * 4000, Direction.INBOUND))
    bad[100] ^= 1
    scanner = Scanner(failed_crc_budget=10_000)
    found = scanner.scan(OPENING + bytes(bad) * 10 + BLOCKS[0], 0, True)
    assert found.starts == []
    assert [fault for _, _, fault in scanner.faults] == [Fault.UNFINISHED]


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_no_garbage_makes_the_scanner_raise_or_invent(data: st.DataObject) -> None:
    """Real blocks and garbage in any order: what is found is a subset of what was written, all of it if undamaged."""
    pieces = data.draw(
        st.lists(st.one_of(st.sampled_from(BLOCKS), st.binary(max_size=80), st.sampled_from([b"\x06\0\0\0", OPENING])))
    )
    found, faults = scan(b"".join(pieces))
    whole = [piece for piece in pieces if piece in BLOCKS]
    written = [PAYLOADS[BLOCKS.index(piece)] for piece in whole]
    if len(whole) == len(pieces):
        assert (found, faults) == (written, [])
    assert len(found) <= len(written)
    assert all(payload in PAYLOADS for payload in found)
    covered = sum(length for _, length, _ in faults)
    assert covered <= sum(map(len, pieces))
