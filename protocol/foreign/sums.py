"""The checksums of formats other than our own: what a line or record may end with, by name or as a CRC of any parameters.

`xor8` and `sum8` are common practice without a source. `crc16` is CRC-16/IBM-3740, the wire's own; `crc16-modbus` is
CRC-16/MODBUS (polynomial 0x8005 reflected, initial value 0xFFFF, check 0x4B37), `crc32` is CRC-32/ISO-HDLC (check
0xCBF43926), `crc8` is CRC-8/SMBUS (polynomial 0x07, check 0xF4), all by the catalogue of parametrised CRC algorithms, whose
parameters `CrcRules` has. `fletcher16` is Fletcher's sum modulo 255 (J. Fletcher, IEEE Transactions on Communications 30(1),
1982), `fletcher16-256` the same modulo 256 (RFC 1146); the second sum is the upper byte.
"""

from __future__ import annotations

from binascii import crc32
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, reduce
from operator import xor

from protocol.checksum import crc16


def xor8(data: bytes) -> int:
    """Return all bytes, exclusive-or."""
    return reduce(xor, data, 0)


def sum8(data: bytes) -> int:
    """Return the sum of all bytes, modulo 256."""
    return sum(data) & 0xFF


def _fletcher(data: bytes, modulus: int) -> int:
    one = two = 0
    for octet in data:
        one = (one + octet) % modulus
        two = (two + one) % modulus
    return two << 8 | one


@dataclass(frozen=True)
class CrcRules:
    """A CRC as the catalogue of parametrised CRC algorithms describes it; `width` in bits, 8, 16, ... 64."""

    width: int
    polynomial: int
    init: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    xorout: int = 0

    def word(self) -> str:
        """Return the rules in one word, for the dictionary's hash."""
        reflected = f"{int(self.reflect_in)}{int(self.reflect_out)}"
        return f"crc:{self.width}:{self.polynomial:x}:{self.init:x}:{reflected}:{self.xorout:x}"

    def of(self, data: bytes) -> int:
        """Return the CRC of some bytes."""
        mask, table = (1 << self.width) - 1, _crc_table(self)
        if self.reflect_in:
            state = _reversed(self.init, self.width)
            for octet in data:
                state = table[(state ^ octet) & 0xFF] ^ state >> 8
        else:
            state, shift = self.init, self.width - 8
            for octet in data:
                state = (table[state >> shift ^ octet] ^ state << 8) & mask
        if self.reflect_in != self.reflect_out:
            state = _reversed(state, self.width)
        return state ^ self.xorout


def _reversed(number: int, width: int) -> int:
    return int(f"{number:0{width}b}"[::-1], 2)


@cache
def _crc_table(rules: CrcRules) -> tuple[int, ...]:
    top, mask = 1 << rules.width - 1, (1 << rules.width) - 1
    backwards = _reversed(rules.polynomial, rules.width)
    table = []
    for octet in range(256):
        state = octet if rules.reflect_in else octet << rules.width - 8
        for _ in range(8):
            if rules.reflect_in:
                state = state >> 1 ^ (backwards if state & 1 else 0)
            else:
                state = (state << 1 ^ (rules.polynomial if state & top else 0)) & mask
        table.append(state)
    return tuple(table)


_MODBUS = CrcRules(16, 0x8005, 0xFFFF, True, True)
_SMBUS = CrcRules(8, 0x07)

# name -> (bytes, function)
SUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "none": (0, lambda data: 0),
    "xor8": (1, xor8),
    "sum8": (1, sum8),
    "crc8": (1, _SMBUS.of),
    "crc16": (2, crc16),
    "crc16-modbus": (2, _MODBUS.of),
    "crc32": (4, crc32),
    "fletcher16": (2, lambda data: _fletcher(data, 255)),
    "fletcher16-256": (2, lambda data: _fletcher(data, 256)),
}
