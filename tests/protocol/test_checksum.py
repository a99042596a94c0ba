"""The checksum against its catalogue entry, an independent library, and the errors it must catch."""

from __future__ import annotations

import random

import pytest
from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

from protocol.checksum import CRC_SIZE, append_crc, crc16, crc_holds

# tests/SOURCES.md, crc-16 (computed with crccheck and fastcrc): every message row.
ROWS = [
    (b"123456789", 0x29B1),  # the catalogue's check value, CRC-16/IBM-3740
    (b"", 0xFFFF),
    (b"\x00", 0xE1F0),
    (b"\x00\x00", 0x1D0F),
    (b"\xff", 0xFF00),
    (b"\xff\xff", 0x0000),
    (b"A", 0xB915),
    (bytes(32), 0xF14C),
    (b"\xff" * 32, 0x75F8),
    (bytes(range(32)), 0x23B3),
    (bytes(range(256)), 0x3FBD),
    (b"A" * 256, 0xEA0B),
    (b"\x55" * 1000, 0xA770),
    (bytes.fromhex("1801C0000000AA"), 0x37A0),
]


@pytest.mark.parametrize(("message", "crc"), ROWS)
def test_published_rows(message: bytes, crc: int) -> None:
    assert crc16(message) == crc
    assert append_crc(message) == message + crc.to_bytes(2, "big")
    assert crc16(append_crc(message)) == 0, "residue of the catalogue entry"
    assert crc_holds(append_crc(message))


@given(st.binary(max_size=300))
def test_agrees_with_an_independent_library(message: bytes) -> None:
    assert crc16(message) == Crc16Ibm3740.calc(message)


@pytest.mark.parametrize("length", [1, 2, 13, 60, 252])
def test_every_single_bit_flip_is_caught(length: int) -> None:
    sound = append_crc(random.Random(length).randbytes(length))
    for bit in range(8 * len(sound)):
        damaged = bytearray(sound)
        damaged[bit // 8] ^= 1 << bit % 8
        assert not crc_holds(damaged), bit


def test_every_double_bit_flip_of_a_frame_is_caught() -> None:
    """A linear code: a pair of flips passes exactly when both flips change the CRC alike; no two do in 254 bytes."""
    syndromes = set()
    zero = crc16(bytes(254))
    for bit in range(8 * 254):
        flipped = bytearray(254)
        flipped[bit // 8] ^= 1 << bit % 8
        syndromes.add(crc16(flipped) ^ zero)
    assert len(syndromes) == 8 * 254 and 0 not in syndromes


@given(st.binary(min_size=4, max_size=60), st.data())
def test_every_burst_up_to_16_bits_is_caught(message: bytes, data: st.DataObject) -> None:
    sound = int.from_bytes(append_crc(message), "big")
    size = len(message) + CRC_SIZE
    width = data.draw(st.integers(1, 16))
    burst = data.draw(st.integers(0, 2**width - 1)) | 1 | 1 << width - 1
    shift = data.draw(st.integers(0, 8 * size - width))
    assert not crc_holds((sound ^ burst << shift).to_bytes(size, "big"))


@pytest.mark.parametrize("short", [b"", b"\x00", b"\xff"])
def test_too_short_to_hold_a_crc(short: bytes) -> None:
    assert not crc_holds(short)


def test_takes_any_bytes_like_object() -> None:
    assert crc16(memoryview(b"123456789")) == crc16(bytearray(b"123456789")) == 0x29B1
