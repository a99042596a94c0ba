"""The worst radio: it loses, doubles, delays up to an hour, reorders, puts junk before frames and loses zeros."""

from __future__ import annotations

import heapq
import math
import random
from binascii import crc_hqx
from dataclasses import dataclass, field

from tests.attack.oracle import unstuffed

LONGEST_S = 3600.0
MANGLINGS = ("clean", "junk before", "first zero lost", "last zero lost", "bit flipped", "forged")
WEIGHTS = (70, 12, 5, 5, 4, 4)


def long_delay_s(rng: random.Random, least_s: float = 4.0) -> float:
    """Draw a delay: as many between 4 s and 40 s as between 40 s and 400 s, up to an hour."""
    return math.exp(rng.uniform(math.log(least_s), math.log(LONGEST_S)))


def mangled(frame: bytes, how: str, rng: random.Random) -> bytes:
    """Return a frame as it is heard."""
    if how == "junk before":
        return bytes(rng.randrange(1, 256) for _ in range(rng.choice([1, 2, 40, 300]))) + frame
    if how == "first zero lost":
        return frame[1:]
    if how == "last zero lost":
        return frame[:-1]
    if how == "bit flipped":
        at = rng.randrange(8, 8 * len(frame) - 8)
        return frame[: at // 8] + bytes([frame[at // 8] ^ 1 << at % 8]) + frame[at // 8 + 1 :]
    if how == "forged":
        return forged(frame, rng)
    return frame


def forged(frame: bytes, rng: random.Random, place: tuple[int, int] | None = None, add: int = 0) -> bytes:
    """Return a frame with something of its packet changed and a right CRC, as somebody without the key can make it.

    One byte behind the header, or the number at `place` (from, to), to which `add` is added.
    """
    content = bytearray(unstuffed(frame.strip(b"\0")) or b"")[:-2]
    if place is None:
        content[rng.randrange(6, len(content))] ^= rng.randrange(1, 256)
    else:
        size = place[1] - place[0]
        number = int.from_bytes(content[place[0] : place[1]], "big") + add
        content[place[0] : place[1]] = (number % 256**size).to_bytes(size, "big")
    return b"\0" + stuffed(bytes(content) + crc_hqx(bytes(content), 0xFFFF).to_bytes(2, "big")) + b"\0"


def stuffed(content: bytes) -> bytes:
    """Stuff content of less than 254 bytes (WIRE.md 1)."""
    return b"".join(bytes([len(piece) + 1]) + piece for piece in content.split(b"\0"))


@dataclass
class Air:
    """Frames on their way, by when they come."""

    rng: random.Random
    _flying: list[tuple[float, int, bytes, int]] = field(default_factory=list)
    _order: int = 0

    def put(self, frame: bytes, due_s: float, to: int) -> None:
        """Have a frame come at a time, to somebody."""
        self._order += 1
        heapq.heappush(self._flying, (due_s, self._order, frame, to))

    def take(self, now_s: float) -> list[tuple[float, bytes, int]]:
        """Return what has come by now, in order."""
        out = []
        while self._flying and self._flying[0][0] <= now_s:
            due_s, _, frame, to = heapq.heappop(self._flying)
            out.append((due_s, frame, to))
        return out
