"""How old a packet was when it arrived: its arrival held against the vehicle's clock. Pure.

Of each packet arrival minus timeline second is taken; the least of it heard since the vehicle's start is the reference,
which may creep up by the drift of both clocks (`protocol.sequence`). What arrives later than the reference says is that much
late: its lag. A lag that was there from the first byte is in the reference and cannot be seen here; a round trip shows it.
"""

from __future__ import annotations

from math import inf

import numpy as np

from protocol.arrays import Floats
from protocol.sequence import DRIFT


class LagReference:
    """The reference of one start of the vehicle. Times in s: `t` on the timeline, `rx_s` on the station's clock."""

    def __init__(self, first_rx_s: float = -inf) -> None:
        """`first_rx_s` is the arrival from which on it holds."""
        self.first_rx_s = first_rx_s
        self._least_s = inf

    def take(self, t: Floats, rx_s: Floats) -> Floats:
        """Take packets in order of arrival, shape (n,); return the lag of each (s) as it was known when it came."""
        offset_s = _creeping(t, rx_s)
        least_s = np.minimum.accumulate(np.concatenate(([self._least_s], offset_s)))[1:]
        if len(least_s):
            self._least_s = float(least_s[-1])
        return offset_s - least_s

    def lag_s(self, t: float, rx_s: float) -> float:
        """Return the lag (s) of what came at `rx_s`, by all that has been heard since."""
        if self._least_s == inf:
            return 0.0
        return max(0.0, float(_creeping(np.array([t]), np.array([rx_s]))[0]) - self._least_s)


def _creeping(t: Floats, rx_s: Floats) -> Floats:
    """Return the offsets on the scale on which a reference that creeps up by the drift stands still."""
    return (rx_s - t) - DRIFT * rx_s
