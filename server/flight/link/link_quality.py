"""How well the downlink is heard: share of packets lost, bytes per second, totals.

Loss is counted from sequence gaps (CCSDS 133.0-B sequence counts): lost / (lost + received) over the last ten whole
seconds of arrival time. A gap of unknown size counts as one packet lost.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

WINDOW_S = 10


@dataclass(frozen=True, slots=True)
class LinkSecond:
    """The link at the end of one whole second of arrival time.

    `loss` is the share of packets lost and `bytes_per_s` the mean over the last `WINDOW_S`; the counts run from the start.
    """

    second: int
    loss: float
    bytes_per_s: float
    received: int
    lost: int
    damaged: int
    repeated: int


@dataclass(slots=True)
class _Counts:
    received: int = 0
    lost: int = 0
    bytes: float = 0.0


class LinkQuality:
    """Counts arrivals in order; each time a second is over, `take` returns its figures."""

    def __init__(self) -> None:
        self._second: int | None = None
        self._first_second = 0
        self._now = _Counts()
        self._window: deque[tuple[int, _Counts]] = deque()
        self.received = self.lost = self.damaged = self.repeated = 0

    def take(self, rx_s: float, received: int, lost: int, damaged: int, repeated: int, size: float) -> LinkSecond | None:
        """Count what arrived at `rx_s` (seconds, ascending); return the second that ended before it, if one did."""
        second = int(rx_s)
        ended = None
        if self._second is None:
            self._second = self._first_second = second
        elif second > self._second:
            ended = self._end(self._second)
            self._second = second
        self._now.received += received
        self._now.lost += lost
        self._now.bytes += size
        self.received += received
        self.lost += lost
        self.damaged += damaged
        self.repeated += repeated
        return ended

    def loss_at(self, second: int) -> float:
        """Return the share lost (0 to 1) over the last `WINDOW_S` whole seconds up to `second`, the current one included."""
        counts = [c for s, c in self._window if s > second - WINDOW_S] + [self._now]
        lost, received = sum(c.lost for c in counts), sum(c.received for c in counts)
        return lost / (lost + received) if lost + received else 0.0

    def _end(self, over: int) -> LinkSecond:
        self._window.append((over, self._now))
        self._now = _Counts()
        while self._window and self._window[0][0] <= over - WINDOW_S:
            self._window.popleft()
        lost = sum(c.lost for _, c in self._window)
        received = sum(c.received for _, c in self._window)
        share = lost / (lost + received) if lost + received else 0.0
        # Seconds in which nothing came are in no window entry, but they have passed.
        rate = sum(c.bytes for _, c in self._window) / min(WINDOW_S, over - self._first_second + 1)
        return LinkSecond(over, share, rate, self.received, self.lost, self.damaged, self.repeated)
