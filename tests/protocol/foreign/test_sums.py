"""Checksums of other formats against the catalogue's check values and independent libraries."""

from __future__ import annotations

import random

import pytest
from crccheck.crc import Crc16Modbus, Crc32

from protocol.foreign.sums import SUMS


@pytest.mark.parametrize(
    ("name", "check"),
    [("none", 0), ("xor8", 0x31), ("sum8", 0xDD), ("crc16", 0x29B1), ("crc16-modbus", 0x4B37), ("crc32", 0xCBF43926)],
)
def test_check_sums_of_the_digits(name: str, check: int) -> None:
    """The CRCs: tests/SOURCES.md, crc-16, and the catalogue; xor and sum of "123456789" by hand."""
    size, function = SUMS[name]
    assert function(b"123456789") == check < max(1, 256**size)


def test_random_messages_against_libraries() -> None:
    rng = random.Random(1)
    for size in range(100):
        data = rng.randbytes(size)
        assert SUMS["crc16-modbus"][1](data) == Crc16Modbus.calc(data)
        assert SUMS["crc32"][1](data) == Crc32.calc(data)
