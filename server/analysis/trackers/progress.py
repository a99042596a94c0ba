"""How the flight goes on between its moments, for whoever listens: leaning on the way up, sinking on the way down.

An entry of the topic "progress" has no text and stands in no list of events: it is there to be called out (`web/ears`) by
somebody who looks at the sky. The alarm "unbraked" is raised here too, as soon as a fall shows that nothing slows it.
"""

from __future__ import annotations

from math import inf, radians

import numpy as np

from protocol.arrays import Ints
from server.analysis.trackers.output import Instant, TrackerOutput
from server.design.sheet_numbers import SheetNumbers
from server.flight.descent.unbraked import UnbrakedWatch
from server.flight.motion.phase import Phase
from server.telemetry.batch import Batch, Rows

# Common practice, no source: the first that is worth a word, the limit at which many flight computers stop acting, half way
# over, and flat.
LEANS_DEG = (20, 35, 50, 70)
RISING = (Phase.BOOST, Phase.COAST)
FIRST_SINKING_S, SINKING_EVERY_S = 5.0, 10.0
ADVICE = "Heads up: look at the sky and at people below it. It may slow down yet; do not count on it."


class ProgressTracker:
    """Must come after the trackers of height and motion, whose rows and entries of the batch it reads."""

    def __init__(self, facts: SheetNumbers) -> None:
        self._one_canopy_m_s = facts.descent_one_m_s
        self._phase = Phase.PAD
        self._lean = 0  # how many of LEANS_DEG were told
        self._last_tilt = -inf
        self._due_s = inf
        self._watch = UnbrakedWatch(self._one_canopy_m_s)

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Tell what rows and phases of the batch show."""
        begun = self._phases(out)
        motion, vertical = out.rows.get("ground_motion"), out.rows.get("ground_vertical")
        if motion is not None:
            self._take_tilts(motion, begun, out)
        if vertical is not None:
            self._take_heights(vertical, begun, out)
        self._phase = begun[-1][2]

    def _phases(self, out: TrackerOutput) -> list[tuple[int, float, Phase]]:
        """Return the phases of the batch, the one before it first, with order and second of the frame each began at."""
        told = [
            (order, entry.t, Phase(str(entry.body["phase"])))
            for order, entry in out.entries
            if entry.topic == "phase" and entry.key == "ground"
        ]
        told.sort(key=lambda one: one[0])
        return [(-1, -inf, self._phase), *told]

    def _take_tilts(self, rows: Rows, begun: list[tuple[int, float, Phase]], out: TrackerOutput) -> None:
        tilt = rows.numbers("tilt")
        rises = np.array([phase in RISING for _, _, phase in begun])[_places(rows.order, begun)]
        before = np.concatenate([[self._last_tilt], tilt[:-1]])
        self._last_tilt = float(tilt[-1])
        leans = np.where(rises, np.fmin(tilt, before), -inf)  # twice in a row, so that one wrong sample leans nowhere
        azimuth = rows.numbers("azimuth")
        while self._lean < len(LEANS_DEG):
            past = np.flatnonzero(leans >= radians(LEANS_DEG[self._lean]))
            if not len(past):
                return
            row = int(past[0])
            while self._lean < len(LEANS_DEG) and leans[row] >= radians(LEANS_DEG[self._lean]):
                self._lean += 1
            body = {"tilt_rad": float(tilt[row]), "azimuth_rad": float(azimuth[row])}
            out.note(Instant.of(rows, row), "progress", "leaning", "info", "", body)

    def _take_heights(self, rows: Rows, begun: list[tuple[int, float, Phase]], out: TrackerOutput) -> None:
        told = [e for _, e in out.entries if (e.topic, e.key) == ("moment", "apogee") and e.text]
        apogee = [e for e in told if not e.body.get("withdrawn")]
        if apogee:
            self._watch.begin(apogee[-1].number("t"), apogee[-1].number("height_m"))
            self._due_s = apogee[-1].number("t") + FIRST_SINKING_S
        falls = np.array([phase is Phase.DESCENT for _, _, phase in begun])[_places(rows.order, begun)]
        raw = rows.numbers("height_raw")
        for row in np.flatnonzero(falls & np.isfinite(raw)).tolist():
            t, height_m = float(rows.t[row]), float(raw[row])
            self._fall(Instant.of(rows, row), height_m, out)
            rate_m_s = self._watch.rate_m_s
            if t >= self._due_s and rate_m_s == rate_m_s:
                self._due_s = t + SINKING_EVERY_S
                body = {"height_m": height_m, "climb_m_s": -rate_m_s}
                out.note(Instant.of(rows, row), "progress", "sinking", "info", "", body)
        self._rest(rows, begun, out)

    def _fall(self, at: Instant, height_m: float, out: TrackerOutput) -> None:
        changed = self._watch.take(at.t, height_m)
        if changed is None:
            return
        if changed:
            text = f"it falls with nothing that slows it, from {height_m:.0f} m"
            body = {"state": "raised", "advice": ADVICE, "height_m": height_m}
            out.note(at, "alarm", "unbraked", "warning", text, body)
        else:
            text = f"the fall has slowed down to {self._watch.rate_m_s:.0f} m/s"
            out.note(at, "alarm", "unbraked", "info", text, {"state": "cleared"})

    def _rest(self, rows: Rows, begun: list[tuple[int, float, Phase]], out: TrackerOutput) -> None:
        """Call the alarm off once it lies on the ground."""
        landed = [order for order, _, phase in begun[1:] if phase is Phase.LANDED]
        if landed and self._watch.falls:
            self._watch = UnbrakedWatch(self._one_canopy_m_s)
            row = min(int(np.searchsorted(rows.order, landed[0])), len(rows) - 1)
            out.note(Instant.of(rows, row), "alarm", "unbraked", "info", "it has come down", {"state": "cleared"})


def _places(orders: Ints, begun: list[tuple[int, float, Phase]]) -> Ints:
    """Return for each frame which of the phases holds at it."""
    starts = np.array([order for order, _, _ in begun])
    return np.asarray(np.searchsorted(starts, orders, side="right") - 1)
