"""The checksums of formats other than our own, by name: what a line or record may end with.

`xor8` and `sum8` are common practice without a source. `crc16` is CRC-16/IBM-3740, the wire's own; `crc16-modbus` is
CRC-16/MODBUS (polynomial 0x8005 reflected, initial value 0xFFFF, check 0x4B37), `crc32` is CRC-32/ISO-HDLC (check
0xCBF43926), both by the catalogue of parametrised CRC algorithms.
"""

from __future__ import annotations

from binascii import crc32
from collections.abc import Callable
from functools import reduce
from operator import xor

from protocol.checksum import crc16


def xor8(data: bytes) -> int:
    """Return all bytes, exclusive-or."""
    return reduce(xor, data, 0)


def sum8(data: bytes) -> int:
    """Return the sum of all bytes, modulo 256."""
    return sum(data) & 0xFF


def crc16_modbus(data: bytes) -> int:
    """Return the CRC-16/MODBUS."""
    crc = 0xFFFF
    for octet in data:
        crc ^= octet
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


# name -> (bytes, function)
SUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "none": (0, lambda data: 0),
    "xor8": (1, xor8),
    "sum8": (1, sum8),
    "crc16": (2, crc16),
    "crc16-modbus": (2, crc16_modbus),
    "crc32": (4, crc32),
}
