"""Following one start of the vehicle: the sequence counts of each packet type, and its clock. Pure.

**Counts** tell what was lost, came twice, or came late. Only the distance modulo 16384 can be seen (another format may
count in 8, 16 or 32 bits). A silence long enough for a whole wrap (at the packet's rate) makes the number lost unknowable;
then the gap is reported without a number instead of with a wrong one.

**The clock** is held against the station's. A packet's *offset* is its arrival on the station's clock minus the vehicle time
in it. The least offset heard is the reference: nothing arrives before it was sent, so what arrives with a greater offset is
that much older, and the reference says how far the vehicle's clock must have come by any moment. Clocks drift, so the
reference may creep up by `DRIFT`.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, auto
from math import inf

from protocol.packets import COUNT_MODULUS, TIME_MODULUS_MS

LATE_WINDOW = 64
# Two crystals, each good to 50 parts in a million over a day in the sun: seconds by which the clocks may part in a second.
DRIFT = 100e-6
CLOCK_FALL_MS = 2000
# Our choice: more than the rounding of both clocks and the jitter of a port, less than any vehicle takes to start.
ROOM_S = 0.5
# Our choice: longer than a link holds back what it then delivers in one go, short enough that a vehicle whose clock was set
# back is not called old for long. Nothing but old news for this long is taken for a clock that has started anew.
ONLY_OLD_AT_MOST_S = 5.0
# Our choice: what a link still delivers of the start before. Two vehicles on one channel are told apart for no longer.
STRAGGLERS_FOR_S = 60.0


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


def drifting(offset_s: float, rx_s: float) -> float:
    """Return an offset (s) heard at `rx_s` on a scale on which a reference that creeps up by `DRIFT` stands still."""
    return offset_s - DRIFT * rx_s


def signed_step_ms(last_ms: int, wire_ms: int) -> int:
    """Return how far a 32-bit wire time is ahead of an unwrapped one, negative when it is behind."""
    half = TIME_MODULUS_MS // 2
    return (wire_ms - last_ms + half) % TIME_MODULUS_MS - half


class Start:
    """One start: `last_ms` is its newest unwrapped vehicle time, `began_s` the arrival with which it was first heard."""

    def __init__(self, epoch: int, trackers: Mapping[str, SequenceTracker], began_s: float | None) -> None:
        self.epoch = epoch
        self.trackers = trackers
        self.began_s = began_s
        self.boot_id: int | None = None
        self.last_ms: int | None = None
        self._least_s = inf  # as `drifting` gives it
        self._only_old_since_s: float | None = None

    def unwrapped(self, wire_ms: int) -> int:
        """Continue the 32-bit millisecond clock across its wrap (every 49.7 days)."""
        return wire_ms if self.last_ms is None else self.last_ms + signed_step_ms(self.last_ms, wire_ms)

    def hear(self, time_ms: int, rx_s: float | None, late: bool) -> None:
        """Take the time of a packet of this start that came at `rx_s`, None where arrivals are not known."""
        if not late:
            self.last_ms = time_ms if self.last_ms is None else max(time_ms, self.last_ms)
            self._only_old_since_s = None
        if rx_s is not None:
            self._least_s = min(self._least_s, drifting(rx_s - time_ms / 1000.0, rx_s))

    def fell(self, wire_ms: int) -> bool:
        """Whether a time lies further back than packets of one moment change places."""
        return self.last_ms is not None and signed_step_ms(self.last_ms, wire_ms) < -CLOCK_FALL_MS

    def may_follow(self, wire_ms: int, rx_s: float | None) -> bool:
        """Whether a start that came after what was heard of this one can have come as far as `wire_ms` by `rx_s`."""
        if rx_s is None or self.last_ms is None or self._least_s == inf:
            return True
        return (self.last_ms + wire_ms) / 1000.0 <= self._clock_s(rx_s) + ROOM_S

    def reached(self, wire_ms: int, rx_s: float) -> bool:
        """Whether the clock of this start had come as far as `wire_ms` by `rx_s`, as far as arrivals tell."""
        return self._least_s != inf and self.unwrapped(wire_ms) / 1000.0 <= self._clock_s(rx_s)

    def _clock_s(self, rx_s: float) -> float:
        return rx_s - (self._least_s + DRIFT * rx_s)

    def old_for_long(self, rx_s: float | None) -> bool:
        """Take note of old news at `rx_s`; tell whether there has been nothing else for longer than links hold back."""
        if rx_s is None:
            return False
        if self._only_old_since_s is None:
            self._only_old_since_s = rx_s
        return rx_s - self._only_old_since_s > ONLY_OLD_AT_MOST_S
