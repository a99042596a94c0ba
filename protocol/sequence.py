"""Following the sequence counts of one packet type: what was lost, came twice, or came late.

Only the distance modulo 16384 can be seen (another format may count in 8, 16 or 32 bits). A silence long enough for a
whole wrap (at the packet's rate) makes the number lost unknowable; then the gap is reported without a number instead of
with a wrong one.
"""

from __future__ import annotations

from enum import Enum, auto

from protocol.packets import COUNT_MODULUS

LATE_WINDOW = 64


class Place(Enum):
    """Where a count stands relative to those before it."""

    NEXT = auto()
    AFTER_GAP = auto()
    REPEATED = auto()
    LATE = auto()
    JUMPED = auto()


class SequenceTracker:
    """The counts of one packet type. `step` takes each in arrival order; `missing` then tells the size of the gap."""

    def __init__(self, rate_hz: float = 0.0, modulus: int = COUNT_MODULUS) -> None:
        self._rate_hz = rate_hz
        self._modulus = modulus
        self._last: int | None = None
        self._last_ms = 0
        self._seen = 0  # bit n set: count (last - n) was received
        self.missing: int | None = 0
        self.wrapped = False

    def step(self, count: int, time_ms: int) -> Place:
        """Judge one count received with vehicle time `time_ms` (unwrapped milliseconds)."""
        self.missing, self.wrapped = 0, False
        if self._last is None:
            return self._advance(count, time_ms, 1, Place.NEXT)
        ahead = (count - self._last) % self._modulus
        if ahead == 1 and not self._may_have_wrapped(time_ms):
            return self._advance(count, time_ms, 1, Place.NEXT)
        if ahead == 0 and not self._may_have_wrapped(time_ms):
            return Place.REPEATED
        behind = self._modulus - ahead
        if behind < LATE_WINDOW and not self._may_have_wrapped(time_ms):
            return self._look_back(behind)
        if behind < self._modulus // 2 and not self._may_have_wrapped(time_ms):
            self.missing = None
            return self._advance(count, time_ms, LATE_WINDOW, Place.JUMPED)
        self.missing = None if self._may_have_wrapped(time_ms) else ahead - 1
        forgotten = LATE_WINDOW if self.missing is None else min(ahead, LATE_WINDOW)
        return self._advance(count, time_ms, forgotten, Place.AFTER_GAP)

    def old(self, count: int) -> Place:
        """Judge a count of a packet that is known to be old news: nothing is counted on from it."""
        behind = 0 if self._last is None else (self._last - count) % self._modulus
        return self._look_back(behind) if self._last is not None and behind < LATE_WINDOW else Place.LATE

    def _may_have_wrapped(self, time_ms: int) -> bool:
        return self._rate_hz > 0 and (time_ms - self._last_ms) * self._rate_hz > 1000 * self._modulus

    def _advance(self, count: int, time_ms: int, ahead: int, place: Place) -> Place:
        self.wrapped = self._last is not None and count < self._last and place is not Place.JUMPED
        self._seen = (self._seen << ahead | 1) & (1 << LATE_WINDOW) - 1
        self._last, self._last_ms = count, max(time_ms, self._last_ms)
        return place

    def _look_back(self, behind: int) -> Place:
        if self._seen >> behind & 1:
            return Place.REPEATED
        self._seen |= 1 << behind
        return Place.LATE
