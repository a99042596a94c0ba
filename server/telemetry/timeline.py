"""One time axis for a session: vehicle time, continued across restarts of the vehicle.

Timeline seconds `t` are vehicle seconds since its first start that was heard. When the vehicle restarts its clock falls
to zero; the timeline goes on from the last t, advanced by the time that passed on the station's clock in between.
"""

from __future__ import annotations


class Timeline:
    """Turns (epoch, vehicle milliseconds, arrival second) into t, in order of arrival."""

    def __init__(self) -> None:
        self._bases: dict[int, float] = {}
        self.last_t = 0.0
        self.last_rx_s: float | None = None

    def place(self, epoch: int, time_ms: int, rx_s: float) -> float:
        """Return t (s) of one packet; packets come in order of arrival.

        `epoch` counts the vehicle's starts, `time_ms` is its clock since that start, `rx_s` the arrival in session seconds.
        """
        base = self._bases.get(epoch)
        if base is None:
            base = self._bases[epoch] = self._new_base(time_ms, rx_s)
        t = base + time_ms / 1000.0
        if t > self.last_t:
            self.last_t = t
        self.last_rx_s = rx_s
        return t

    def _new_base(self, time_ms: int, rx_s: float) -> float:
        if self.last_rx_s is None:
            return 0.0
        return self.last_t + max(rx_s - self.last_rx_s, 0.0) - time_ms / 1000.0

    def base(self, epoch: int) -> float:
        """Return the t (s) at which the vehicle clock of `epoch` stood at zero. Raises KeyError for one never placed."""
        return self._bases[epoch]
