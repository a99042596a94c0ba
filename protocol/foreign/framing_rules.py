"""How the lines or records of a vehicle that does not speak our wire are told apart and checked, as plain data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from protocol.foreign.sums import SUMS, CrcRules

Kind = Literal["text", "json", "binary"]
ByteOrder = Literal["big", "little"]
LengthCounts = Literal["payload", "record"]
Stuffing = Literal["none", "cobs", "slip"]


@dataclass(frozen=True)
class HeaderPart:
    """A part of a record's header: `id`, `length` or `count` as a number, `ignored` bytes, or `const` ones.

    `mask` picks the number's own bits out of its bytes (all of them at 0); `rest`, where it is not None, is what the others
    must be. `octets` are those of a `const`, or as many zeros as are ignored.
    """

    what: str
    type: str = ""
    mask: int = 0
    rest: int | None = None
    octets: bytes = b""

    @property
    def size(self) -> int:
        """Bytes of the part."""
        return int(self.type[1:]) // 8 if self.type else len(self.octets)

    @property
    def bits(self) -> int:
        """Bits of the number."""
        return self.mask.bit_count() if self.mask else 8 * self.size

    @property
    def shift(self) -> int:
        """Bits below the number."""
        return (self.mask & -self.mask).bit_length() - 1 if self.mask else 0

    def word(self) -> str:
        """Return the part in one word, for the dictionary's hash."""
        if not self.type:
            return f"{self.what}:{self.octets.hex() if self.what == 'const' else len(self.octets)}"
        masked = f":{self.mask:x}" if self.mask else ""
        return f"{self.what}:{self.type}{masked}" + ("" if self.rest is None else f":{self.rest:x}")


@dataclass(frozen=True, kw_only=True)
class FramingRules:
    """How lines or records are told apart and checked. `header` is in wire order, `time_modulus` in s, 0 for none."""

    kind: Kind
    checksum: str = "none"
    crc: CrcRules | None = None  # in place of a named checksum
    checksum_order: ByteOrder | None = None  # None: that of the record
    separator: str = ","
    start: str = ""
    tag_key: str = ""
    sync: bytes = b""
    order: ByteOrder = "big"
    header: tuple[HeaderPart, ...] = ()
    length_counts: LengthCounts = "payload"
    length_bias: int = 0
    stuffing: Stuffing = "none"
    checksum_with_sync: bool = False
    time_modulus: float = 0.0
    risk_accepted: bool = False

    @property
    def sum(self) -> tuple[int, Callable[[bytes], int]]:
        """The checksum: its bytes, and the function."""
        return SUMS[self.checksum] if self.crc is None else (self.crc.width // 8, self.crc.of)

    def part(self, what: str) -> HeaderPart | None:
        """Return the header's `id`, `length` or `count`, None where it has none."""
        return next((part for part in self.header if part.what == what), None)

    def wire_line(self) -> str:
        """Return what decides the bytes, for the dictionary's hash."""
        header = " ".join(part.word() for part in self.header)
        with_sync = " with-sync" if self.checksum_with_sync else ""
        if self.kind == "binary":
            ends = f"{self.sync.hex()} {self.order} {header}"
        else:
            ends = f"{self.separator!r} {self.start!r}" + (f" {self.tag_key!r}" if self.kind == "json" else "")
        checksum = self.checksum if self.crc is None else self.crc.word()
        more = f" bias:{self.length_bias}" if self.length_bias else ""
        more += f" {self.stuffing}" if self.stuffing != "none" else ""
        more += f" sum:{self.checksum_order}" if self.checksum_order is not None else ""
        more += f" modulus:{self.time_modulus!r}" if self.time_modulus else ""
        return f"framing {self.kind} {checksum} {ends} {self.length_counts}{with_sync}{more}"
