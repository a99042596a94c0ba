"""Published vectors against the C code itself: RFC 4231, FIPS 180-4, the CRC catalogue, byte stuffing."""

from __future__ import annotations

import hashlib
import hmac
import random
from collections.abc import Iterator

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740

from server.firmware.process_link import Program
from tests.server.firmware.build import program

# RFC 4231, section 4: key, data, HMAC-SHA-256 (case 5 gives the leftmost 128 bits).
RFC_4231 = {
    1: (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    2: (b"Jefe", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
    3: (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    4: (bytes(range(1, 26)), b"\xcd" * 50, "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"),
    5: (b"\x0c" * 20, b"Test With Truncation", "a3b6167473100ee06e0c796c2955552b"),
    6: (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    7: (
        b"\xaa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. The key needs to be "
        b"hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
}
# tests/SOURCES.md, crc-16: the catalogue's check value, messages computed with crccheck and fastcrc.
CRC = {b"123456789": 0x29B1, b"": 0xFFFF, b"\0": 0xE1F0, b"\0\0": 0x1D0F, b"\xff": 0xFF00, b"A": 0xB915, b"\xff\xff": 0}
# tests/SOURCES.md, cobs: the rows that fit one frame; the last two are code FF and an Internet header.
STUFFED = {
    "00": "01 01",
    "00 00": "01 01 01",
    "00 11 00": "01 02 11 01",
    "11 22 00 33": "03 11 22 02 33",
    "11 22 33 44": "05 11 22 33 44",
    "11 00 00 00": "02 11 01 01 01",
    bytes(range(1, 255)).hex(" "): "FF " + bytes(range(1, 255)).hex(" "),
    "45 00 00 2C 4C 79 00 00 40 06 4F 37": "02 45 01 04 2C 4C 79 01 05 40 06 4F 37",
}


@pytest.fixture(scope="module", params=["host", "host-sanitized"])
def machine(request: pytest.FixtureRequest) -> Iterator[Program]:
    with Program(program("sandpiper", request.param)) as running:
        yield running


@pytest.mark.parametrize("case", RFC_4231)
def test_rfc_4231(machine: Program, case: int) -> None:
    key, data, tag = RFC_4231[case]
    got = machine.ask("H", len(key).to_bytes(2, "big") + key + data).hex()
    assert got.startswith(tag) and (len(tag) == 64 or case == 5)


def test_sha256_of_every_length_over_three_blocks(machine: Program) -> None:
    """`abc` and the empty message are FIPS 180-4's; the rest is checked against OpenSSL through hashlib."""
    assert machine.ask("S", b"abc").hex() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    for size in range(200):
        data = random.Random(size).randbytes(size)
        assert machine.ask("S", data) == hashlib.sha256(data).digest(), size
        assert machine.ask("H", b"\0\x20" + b"k" * 32 + data) == hmac.digest(b"k" * 32, data, "sha256"), size


@pytest.mark.parametrize("message", CRC)
def test_crc_of_the_catalogue(machine: Program, message: bytes) -> None:
    assert int.from_bytes(machine.ask("C", message), "big") == CRC[message]


def test_crc_of_random_messages(machine: Program) -> None:
    rng = random.Random(3)
    for size in range(256):
        data = rng.randbytes(size)
        assert int.from_bytes(machine.ask("C", data), "big") == Crc16Ibm3740.calc(data)


@pytest.mark.parametrize("content", STUFFED)
def test_stuffing_vectors_both_ways(machine: Program, content: str) -> None:
    plain, stuffed = bytes.fromhex(content), bytes.fromhex(STUFFED[content])
    assert machine.ask("E", plain) == b"\0" + stuffed + b"\0"
    assert machine.ask("D", stuffed) == b"\x01" + plain


def test_stuffing_of_every_length_and_of_what_is_too_long(machine: Program) -> None:
    rng = random.Random(4)
    for size in range(1, 255):
        for data in (rng.randbytes(size), b"\x01" * size, b"\0" * size):
            assert machine.ask("E", data) == b"\0" + cobs.encode(data) + b"\0"
    assert machine.ask("E", b"") == b"" == machine.ask("E", b"\x01" * 255)


def test_unstuffing_says_what_the_ground_says_of_damage(machine: Program) -> None:
    rng = random.Random(5)
    broken = 0
    for _ in range(3000):
        data = bytearray(cobs.encode(bytes(rng.choice([0, 1, 255]) for _ in range(rng.randrange(1, 255)))))
        data[rng.randrange(len(data))] = rng.randrange(1, 256)
        try:
            wanted = b"\x01" + cobs.decode(bytes(data))
        except cobs.DecodeError:
            wanted, broken = b"", broken + 1
        assert machine.ask("D", bytes(data)) == wanted
    assert 500 < broken < 2900
