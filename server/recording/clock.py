"""Where the station's times come from, so that everything else takes time as an argument or from one of these."""

from __future__ import annotations

import time
from typing import Protocol

from server.timestamps import NS_PER_S


class Clock(Protocol):
    """The three clocks a station needs, all in integer nanoseconds."""

    def monotonic_ns(self) -> int:
        """Time that never steps; it orders records and drives every deadline."""
        ...

    def boottime_ns(self) -> int:
        """Like monotonic, but it also counts time asleep; the difference of the two betrays a suspend."""
        ...

    def wall_ns(self) -> int:
        """UTC since 1970-01-01; it may step at any moment and is only ever written down, never subtracted."""
        ...


class SystemClock:
    """The machine's own clocks.

    Source: clock_gettime(2). CLOCK_MONOTONIC stops in suspend on Linux, CLOCK_BOOTTIME does not. Where there is no
    CLOCK_BOOTTIME, `boottime_ns` is the monotonic clock and a suspend has to be seen by comparing with the wall clock.
    """

    def monotonic_ns(self) -> int:
        """Monotonic time in nanoseconds."""
        return time.monotonic_ns()

    def boottime_ns(self) -> int:
        """Time since boot in nanoseconds, time asleep included where the system can tell."""
        clock_id = getattr(time, "CLOCK_BOOTTIME", None)
        return time.monotonic_ns() if clock_id is None else time.clock_gettime_ns(clock_id)

    def wall_ns(self) -> int:
        """UTC in nanoseconds since 1970-01-01."""
        return time.time_ns()


class FakeClock:
    """Clocks that move only when told to, for tests and rehearsals.

    The start values are arbitrary but distinct, so that mixing up two clocks shows.
    """

    def __init__(
        self,
        monotonic_ns: int = 5_000 * NS_PER_S,
        boottime_ns: int = 6_000 * NS_PER_S,
        wall_ns: int = 1_750_000_000 * NS_PER_S,
    ) -> None:
        self._monotonic_ns = monotonic_ns
        self._boottime_ns = boottime_ns
        self._wall_ns = wall_ns

    def monotonic_ns(self) -> int:
        """Monotonic time in nanoseconds."""
        return self._monotonic_ns

    def boottime_ns(self) -> int:
        """Time since boot in nanoseconds, time asleep included."""
        return self._boottime_ns

    def wall_ns(self) -> int:
        """UTC in nanoseconds since 1970-01-01."""
        return self._wall_ns

    def advance(self, seconds: float) -> None:
        """Let all three clocks run on by `seconds`."""
        step_ns = round(seconds * NS_PER_S)
        self._monotonic_ns += step_ns
        self._boottime_ns += step_ns
        self._wall_ns += step_ns

    def suspend(self, seconds: float) -> None:
        """Sleep for `seconds`: the monotonic clock stands still, the other two go on."""
        step_ns = round(seconds * NS_PER_S)
        self._boottime_ns += step_ns
        self._wall_ns += step_ns

    def step_wall(self, seconds: float) -> None:
        """Set the wall clock forward (or back, if negative) by `seconds`; nothing else moves."""
        self._wall_ns += round(seconds * NS_PER_S)

    def reboot(self, seconds_down: float = 30.0) -> None:
        """Restart the machine: monotonic and boot time begin again near zero, the wall clock goes on."""
        self._monotonic_ns = NS_PER_S
        self._boottime_ns = NS_PER_S
        self._wall_ns += round(seconds_down * NS_PER_S)
