"""Has the computer slept, or was its wall clock set? Found by comparing three clocks with how they stood before."""

from __future__ import annotations

from dataclasses import dataclass

from server.recording.clock import Clock
from server.timestamps import NS_PER_S

# Our choice: far above what reading three clocks one after the other, or slewing them, takes them apart; far below any
# sleep that a person would call one.
CLOCK_JUMP_S = 1.0


@dataclass(frozen=True, slots=True)
class ClockJumps:
    """What the clocks did since the last look, in seconds; None where nothing worth a word."""

    slept_s: float | None = None
    stepped_s: float | None = None


class ClockWatch:
    """Remembers how far the clocks are apart. The monotonic clock stands still while the computer sleeps, boot time not."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._suspended_ns = clock.boottime_ns() - clock.monotonic_ns()
        self._wall_ns = clock.wall_ns() - clock.monotonic_ns()

    def look(self) -> ClockJumps:
        """Return what has happened since the last look; a sleep is no step of the wall clock."""
        monotonic_ns = self._clock.monotonic_ns()
        slept_s = (self._clock.boottime_ns() - monotonic_ns - self._suspended_ns) / NS_PER_S
        stepped_s = (self._clock.wall_ns() - monotonic_ns - self._wall_ns) / NS_PER_S
        slept, was_set = slept_s > CLOCK_JUMP_S, abs(stepped_s - max(slept_s, 0.0)) > CLOCK_JUMP_S
        if slept:
            self._suspended_ns += round(slept_s * NS_PER_S)
        if abs(stepped_s) > CLOCK_JUMP_S:
            self._wall_ns += round(stepped_s * NS_PER_S)
        return ClockJumps(slept_s if slept else None, stepped_s if was_set else None)
