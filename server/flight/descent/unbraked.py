"""Whether the vehicle falls with nothing that slows it, told while it still falls; and how fast it sinks.

Only heights by the barometer are looked at: on recorded flights the filter's climb rate under a canopy swings by 60 m/s with
the forces of a vehicle that swings (tests/accuracy/README.md). A body without a brake loses half of g times the square of
the time since apogee, less what its own drag spares it; one under a canopy loses much less after a few seconds. Later, and
for two halves that tumble no faster than another vehicle does under its drogue, the rate over some seconds decides: against
twice the rate under one canopy where the sheet tells it, else against a rate that no canopy is made for. From high up there
is time for that, and a drogue may take four seconds to fill; low down the first seconds decide. A charge that waits as long
makes the same picture as none; it is told, and called off when the fall has slowed down.
"""

from __future__ import annotations

from collections import deque
from math import nan

from protocol.units import GRAVITY_M_S2

# Chosen from the equation of a fall against drag of the speed squared, with the figures of common practice (no source): a
# vehicle alone ends at 60 m/s and more, one under a drogue at 15 to 30 m/s. At these seconds the first has lost over nine
# tenths of what free fall loses, the second under eight and a half.
FIRST_S, LAST_S, OF_FREE_FALL = 4.0, 6.0, 0.86
LOW_M = 1000.0
RATE_OVER_S = 4.0
FASTEST_M_S = 50.0
TWICE = 2.0  # of the rate under one canopy
BRAKED_SHARE = 0.65  # of the rate that is too fast
SAMPLES = 3


class UnbrakedWatch:
    """Takes heights after apogee in order; `take` returns True or False when the word changes, else None.

    `one_canopy_m_s` is the rate (m/s, down) under one canopy by the sheet, None where it tells none.
    """

    def __init__(self, one_canopy_m_s: float | None = None) -> None:
        self._fast_m_s = FASTEST_M_S if one_canopy_m_s is None else min(FASTEST_M_S, TWICE * one_canopy_m_s)
        self._apogee = (nan, nan)
        self._kept: deque[tuple[float, float]] = deque()
        self._run = 0
        self._told_s = 0.0
        self.falls = False

    def begin(self, t_s: float, height_m: float) -> None:
        """Apogee was at a timeline second and a height."""
        self._apogee = (t_s, height_m)
        self._kept.clear()

    def take(self, t_s: float, height_m: float) -> bool | None:
        """Take one height (m) by the barometer; NaN is no sample."""
        if height_m != height_m:
            return None
        self._kept.append((t_s, height_m))
        while self._kept[-1][0] - self._kept[0][0] > RATE_OVER_S:
            self._kept.popleft()
        rate = self.rate_m_s
        changes = self._has_slowed(t_s, rate) if self.falls else self._is_unbraked(t_s, height_m, rate)
        self._run = self._run + 1 if changes else 0
        if self._run < SAMPLES:
            return None
        self._run, self.falls = 0, not self.falls
        self._told_s = t_s
        return self.falls

    @property
    def rate_m_s(self) -> float:
        """How fast it came down over the last seconds (m/s), between the means of their ends; NaN while too few."""
        kept = self._kept
        if len(kept) < 4 or kept[-1][0] - kept[0][0] < 0.75 * RATE_OVER_S:
            return nan
        third = max(1, len(kept) // 3)
        ends = [list(kept)[:third], list(kept)[-third:]]
        (t0, h0), (t1, h1) = ((sum(t for t, _ in end) / third, sum(h for _, h in end) / third) for end in ends)
        return (h0 - h1) / (t1 - t0)

    def _has_slowed(self, t_s: float, rate_m_s: float) -> bool:
        return t_s - self._told_s >= RATE_OVER_S and rate_m_s < BRAKED_SHARE * self._fast_m_s

    def _is_unbraked(self, t_s: float, height_m: float, rate_m_s: float) -> bool:
        since_s, lost_m = t_s - self._apogee[0], self._apogee[1] - height_m
        is_first = height_m < LOW_M and FIRST_S <= since_s <= LAST_S
        if is_first and lost_m > OF_FREE_FALL * 0.5 * GRAVITY_M_S2 * since_s * since_s:
            return True
        return rate_m_s > self._fast_m_s
