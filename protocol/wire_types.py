"""The types a field can have on the wire: their bytes, what `struct` makes of them, and what it has no letter for.

Numbers are big-endian; `le` behind a type of more than one byte makes it little-endian (`u16le`, `f32le`, `bits32le`). What
`struct` cannot read in the order of the whole packet it hands over as bytes, which `FieldBytes` turns into numbers.
Also what becomes of a value on its way into a field: the nearest whole number, sixteen bits of a float, text and bytes cut.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from math import copysign, inf, isfinite, isnan, nan
from typing import Literal, Protocol

from protocol.errors import ValueRefused

Raw = float | bytes  # what a field holds, before scale, offset and bit groups
Order = Literal[">", "<"]
LITTLE = "le"
# name -> struct's letter; u24 and i24 have none
_LETTERS = {
    **{"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u24": "", "i24": "", "u32": "I", "i32": "i", "u64": "Q", "i64": "q"},
    **{"f16": "e", "f32": "f", "f64": "d"},
}
_BITS = {"bits8": "B", "bits16": "H", "bits32": "I"}


def _with_little(names: tuple[str, ...]) -> tuple[str, ...]:
    return names + tuple(f"{name}{LITTLE}" for name in names if not name.endswith("8"))


FLOAT_TYPES = _with_little(("f16", "f32", "f64"))
NUMBER_TYPES = _with_little(tuple(_LETTERS))
BITS_TYPES = _with_little(tuple(_BITS))
BOOL = "bool"  # one byte, 0 or 1; whatever is not 0 is read as true
# What a command's argument can be.
ARGUMENT_CODES = {name: _LETTERS[name] for name in ("u8", "i8", "u16", "i16", "u32", "i32", "f32", "f64")}


@cache
def bits_of(type_: str) -> int:
    """Return the bits of a number's or bit set's type."""
    return int("".join(letter for letter in type_ if letter.isdigit()))


def _range(type_: str) -> tuple[int, int]:
    bits = bits_of(type_)
    return (0, (1 << bits) - 1) if type_[0] == "u" else (-(1 << bits - 1), (1 << bits - 1) - 1)


INTEGER_RANGES = {name: _range(name) for name in NUMBER_TYPES if name not in FLOAT_TYPES} | {BOOL: (0, 1)}


def is_little(type_: str) -> bool:
    """Tell whether a type says itself that it is little-endian."""
    return type_.endswith(LITTLE)


def plain_type(type_: str) -> str:
    """Return a type without its byte order."""
    return type_.removesuffix(LITTLE)


def text_size(type_: str) -> int:
    """Return the bytes of `textN` or `bytesN`."""
    return int(type_.removeprefix("text").removeprefix("bytes"))


@dataclass(frozen=True)
class _Odd:
    """A number that `struct` hands over as bytes: how it is read and written."""

    size: int
    read: Callable[[bytes], float]
    write: Callable[[float], bytes]


@cache
def _coded(type_: str, order: Order) -> tuple[str, _Odd | None]:
    """Return the letters for `struct`, and what is to be done with the bytes they give."""
    plain = plain_type(type_)
    if plain.startswith(("text", "bytes")):
        return f"{text_size(plain)}s", None
    letter = "?" if plain == BOOL else _LETTERS.get(plain) or _BITS.get(plain, "")
    mine: Order = "<" if is_little(type_) else order
    if letter and mine == order:
        return letter, None
    size = bits_of(type_) // 8
    if letter:
        packed = struct.Struct(mine + letter)
        return f"{size}s", _Odd(size, lambda data: packed.unpack(data)[0], packed.pack)
    word: Literal["big", "little"] = "little" if mine == "<" else "big"
    signed = plain[0] == "i"
    return f"{size}s", _Odd(
        size,
        lambda data: int.from_bytes(data, word, signed=signed),
        lambda number: int(number).to_bytes(size, word, signed=signed),
    )


class FieldBytes(Protocol):
    """The fields of one packet as bytes, like `struct.Struct`."""

    @property
    def size(self) -> int:
        """How many bytes."""

    def pack(self, *raw: Raw) -> bytes:
        """Return the bytes of one raw value per field."""

    def unpack_from(self, buffer: bytes, offset: int = 0) -> tuple[Raw, ...]:
        """Return one raw value per field of the bytes at `offset`."""


def field_bytes(types: tuple[str, ...], order: Order) -> FieldBytes:
    """Return how fields of these types follow each other without gaps in a byte order."""
    coded = [_coded(type_, order) for type_ in types]
    whole = struct.Struct(order + "".join(code for code, _ in coded))
    odd = tuple((place, how) for place, (_, how) in enumerate(coded) if how is not None)
    return _OddBytes(whole, odd) if odd else whole


class _OddBytes:
    """Fields among which some are odd."""

    def __init__(self, whole: struct.Struct, odd: tuple[tuple[int, _Odd], ...]) -> None:
        self._whole = whole
        self._odd = odd
        self.size = whole.size

    def pack(self, *raw: Raw) -> bytes:
        """Return the bytes of one raw value per field."""
        items = list(raw)
        for place, how in self._odd:
            number = items[place]
            items[place] = number if isinstance(number, bytes) else how.write(number)
        return self._whole.pack(*items)

    def unpack_from(self, buffer: bytes, offset: int = 0) -> tuple[Raw, ...]:
        """Return one raw value per field of the bytes at `offset`."""
        items = list(self._whole.unpack_from(buffer, offset))
        for place, how in self._odd:
            items[place] = how.read(items[place])
        return tuple(items)


# ---------------------------------------------------------------- values into fields

F32_MAX: float = struct.unpack(">f", b"\x7f\x7f\xff\xff")[0]
F32_OVERFLOW = 2.0**128 - 2.0**103  # from here on IEEE 754 rounds to infinity: half a step above the greatest
F16_OVERFLOW = 65520.0  # the same for 16 bits
FLOAT_MAX = {"f16": 65504.0, "f32": F32_MAX, "f64": inf}


def nearest(steps: float, low: int, high: int) -> tuple[int, int]:
    """Return the whole number from low to high for `steps`, halves to even, and 1 if it is not what was asked for."""
    if isnan(steps):
        return (low if low < 0 else high), 1
    if steps in (inf, -inf) or not low <= round(steps) <= high:
        return (low if steps < 0.0 else high), 1
    return round(steps), 0


def singled(number: float) -> float:
    """Return a number as 32 bits hold it; what is too great is infinite."""
    if abs(number) >= F32_OVERFLOW:
        return copysign(inf, number)
    single: float = struct.unpack(">f", struct.pack(">f", number))[0]
    return single


def halved(number: float) -> float:
    """Return a number as 16 bits hold it, by way of 32 as a vehicle's `float` goes; what is too great is infinite.

    What is not a number keeps its sign and nothing else.
    """
    if not isfinite(number):
        return copysign(nan, number) if isnan(number) else number
    single = singled(number)
    if abs(single) >= F16_OVERFLOW:
        return copysign(inf, number)
    half: float = struct.unpack(">e", struct.pack(">e", single))[0]
    return half


def bytes_of(value: object, path: str, size: int) -> bytes:
    """Return at most `size` bytes, as they are or out of hexadecimal; raises ValueRefused."""
    try:
        told = bytes(value) if isinstance(value, bytes | bytearray) else bytes.fromhex(str(value))
    except ValueError:
        raise ValueRefused(path, value, "must be bytes in hexadecimal") from None
    if len(told) > size:
        raise ValueRefused(path, value, f"is longer than {size} bytes")
    return told


def cut_utf8(text: str, size: int) -> bytes:
    """Cut at a character boundary, so that a long text loses letters, never validity."""
    return text.encode("utf-8")[:size].decode("utf-8", "ignore").encode("utf-8")
