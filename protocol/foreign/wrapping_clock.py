"""A vehicle's clock that begins anew long before the wire's own does, a 32-bit count of microseconds for example.

Where it falls, arrivals decide: a wrap when the time since the newest one heard is what the wrapped clock says has passed,
else it is the clock of a new start. Without arrivals a fall by more than half the modulus is a wrap.
"""

from __future__ import annotations

from protocol.packets import TIME_MODULUS_MS
from protocol.sequence import CLOCK_FALL_MS

ROOM_MS = 2000.0  # by which arrivals and the vehicle's clock may disagree: what links hold back (our choice)
DRIFT = 0.01  # of the time between two packets: far worse than any clock


class WrappingClock:
    """Continues a clock over its wraps."""

    def __init__(self, modulus_s: float) -> None:
        self._modulus_ms = modulus_s * 1000.0
        self._before_ms = 0.0  # what the wraps so far add up to
        self._newest_ms = -1.0  # of the clock itself
        self._rx_s: float | None = None

    def continued(self, told_ms: int, rx_s: float | None) -> int:
        """Return the time of this start (ms, modulo 2^32) for a clock's, heard at `rx_s` (None: not known)."""
        if self._newest_ms < 0.0:
            self._take(told_ms, rx_s)
            return told_ms
        if self._before_ms and told_ms - self._newest_ms > self._modulus_ms / 2.0:  # late, from before the wrap
            return round(self._before_ms - self._modulus_ms + told_ms) % TIME_MODULUS_MS
        wraps = self._wraps(told_ms, rx_s)
        if wraps:
            self._before_ms += wraps * self._modulus_ms
        elif self._newest_ms - told_ms > CLOCK_FALL_MS:
            self._before_ms = 0.0  # a new start; what it means is the link's to say
        if wraps or told_ms > self._newest_ms or self._newest_ms - told_ms > CLOCK_FALL_MS:
            self._take(told_ms, rx_s)
        return round(self._before_ms + told_ms) % TIME_MODULUS_MS

    def _take(self, told_ms: float, rx_s: float | None) -> None:
        self._newest_ms, self._rx_s = told_ms, rx_s

    def _wraps(self, told_ms: float, rx_s: float | None) -> int:
        """Return how often the clock has begun anew since the newest time heard."""
        step = told_ms - self._newest_ms
        if rx_s is None or self._rx_s is None:
            return 1 if step < -self._modulus_ms / 2.0 else 0
        passed = (rx_s - self._rx_s) * 1000.0
        wraps = max(0, round((passed - step) / self._modulus_ms))
        apart = abs(step + wraps * self._modulus_ms - passed)
        return wraps if apart <= ROOM_MS + DRIFT * passed else 0
