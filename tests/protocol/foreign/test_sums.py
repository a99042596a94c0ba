"""Checksums of other formats against the catalogue's check values and independent libraries."""

from __future__ import annotations

import random

import pytest
from crccheck.crc import ALLCRCCLASSES, Crc16Modbus, Crc32

from protocol.foreign.sums import SUMS, CrcRules


@pytest.mark.parametrize(
    ("name", "check"),
    [
        ("none", 0),
        ("xor8", 0x31),
        ("sum8", 0xDD),
        ("crc16", 0x29B1),
        ("crc16-modbus", 0x4B37),
        ("crc32", 0xCBF43926),
        ("crc8", 0xF4),
    ]
    + [("fletcher16", 0x1EDE), ("fletcher16-256", 0x15DD)],
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


def catalogue() -> dict[str, type[Crc16Modbus]]:
    """Return every CRC the library knows whose width is a whole number of bytes up to eight."""
    return {one.__name__: one for one in ALLCRCCLASSES if one._width in range(8, 65, 8)}


@pytest.mark.parametrize("name", catalogue())
def test_any_crc_by_the_catalogues_check_value_and_an_independent_library(name: str) -> None:
    one, rng = catalogue()[name], random.Random(name)
    rules = CrcRules(one._width, one._poly, one._initvalue, one._reflect_input, one._reflect_output, one._xor_output)
    assert rules.of(b"123456789") == one._check_result
    for size in range(0, 60, 7):
        data = rng.randbytes(size)
        assert rules.of(data) == one.calc(data)


@pytest.mark.parametrize(("text", "check"), [("abcde", 0xC8F0), ("abcdef", 0x2057), ("abcdefgh", 0x0627)])
def test_fletchers_sum_of_letters(text: str, check: int) -> None:
    """The usual examples of the sum modulo 255; a by-hand count gives the same."""
    assert SUMS["fletcher16"][1](text.encode()) == check
