"""The downlink's lag: how late what is heard arrives, and an alarm while it is more than anybody may decide on."""

from __future__ import annotations

import numpy as np

from protocol.dictionary import Dictionary
from protocol.events import VehicleRestarted
from server.analysis.trackers.output import Instant, TrackerOutput
from server.telemetry.batch import Batch, Rows
from server.telemetry.conditions import FRESH_S
from server.telemetry.lag import LagReference

KEY = "downlink lag"
LATE_S = FRESH_S  # what arrives later than this is too old to decide on the moment it arrives
# Our choice: what a port or a loaded computer held back comes at once and is over; a lag stays.
STAYS_S = 1.0
# Good news after two seconds, well below what raised it, so that a lag at the bound does not flicker.
FINE_S, FINE_FOR_S = 1.0, 2.0
WORSE = 2.0  # our choice: a lag that has doubled is a new thing to look at
ADVICE = "What is shown is that old: decide nothing by it. Safe all still leaves at once. Look at radio, cable and computer."


class LagTracker:
    """Follows the lag of all packets with a time; those that came out of order are known to be old and say nothing of it."""

    def __init__(self, dictionary: Dictionary) -> None:
        foreign = dictionary.framing is not None
        self._timed = [packet.name for packet in dictionary.packets.values() if packet.time or not foreign]
        self._references = [LagReference()]
        self._late_since_s: float | None = None
        self._fine_since_s: float | None = None
        self._told_s = 0.0
        self.now_s: float | None = None  # of the last packet, None before there was one

    def lag_s(self, t: float, rx_s: float) -> float:
        """Return the lag (s) of a row at timeline second `t` that came at `rx_s`, by all that has been heard since."""
        of_then = (r for r in reversed(self._references) if r.first_rx_s <= rx_s)
        return next(of_then, self._references[0]).lag_s(t, rx_s)

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Follow a batch."""
        rows = self._in_time(batch)
        restarts = [(order, rx_s) for order, rx_s, _, event in batch.events if isinstance(event, VehicleRestarted)]
        start = 0
        for order, rx_s in restarts:
            stop = int(np.searchsorted(rows.order, order))
            self._follow(rows, start, stop, out)
            self._references = [*self._references[-1:], LagReference(rx_s)]
            start = stop
        self._follow(rows, start, len(rows), out)

    def _in_time(self, batch: Batch) -> Rows:
        """Return order, t and arrival of the packets that tell the lag."""
        parts = [batch.rows[name] for name in self._timed if name in batch.rows]
        order = np.concatenate([np.zeros(0, np.int64), *[part.order[~part.late] for part in parts]])
        by = np.argsort(order, kind="stable")
        t = np.concatenate([np.zeros(0), *[part.t[~part.late] for part in parts]])[by]
        rx_s = np.concatenate([np.zeros(0), *[part.rx_s[~part.late] for part in parts]])[by]
        return Rows(order[by], t, rx_s, np.zeros(len(order), dtype=bool), {})

    def _follow(self, rows: Rows, start: int, stop: int, out: TrackerOutput) -> None:
        if start == stop:
            return
        lag_s = self._references[-1].take(rows.t[start:stop], rows.rx_s[start:stop])
        self.now_s = float(lag_s[-1])
        first = 0
        if self._late_since_s is None and not self._told_s:
            late = np.flatnonzero(lag_s > LATE_S)
            if not late.size:
                return
            first = int(late[0])
        for row in range(first, stop - start):
            self._look(float(lag_s[row]), Instant.of(rows, start + row), out)

    def _look(self, lag_s: float, at: Instant, out: TrackerOutput) -> None:
        if lag_s > LATE_S:
            self._fine_since_s = None
            if self._late_since_s is None:
                self._late_since_s = at.rx_s
            if lag_s >= self._told_s * WORSE and at.rx_s - self._late_since_s >= STAYS_S:
                self._told_s = lag_s
                text = f"the downlink lags by {lag_s:.0f} s: what arrives is that old"
                out.note(at, "alarm", KEY, "warning", text, {"state": "raised", "lag_s": lag_s, "advice": ADVICE})
            return
        self._late_since_s = None
        if not self._told_s:
            return
        if lag_s > FINE_S:
            self._fine_since_s = None
        elif self._fine_since_s is None:
            self._fine_since_s = at.rx_s
        elif at.rx_s - self._fine_since_s >= FINE_FOR_S:
            self._told_s, self._fine_since_s = 0.0, None
            out.note(at, "alarm", KEY, "info", "the downlink is in time again", {"state": "cleared", "lag_s": lag_s})
