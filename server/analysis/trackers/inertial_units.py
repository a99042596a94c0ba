"""The inertial units: at rest which one drifts, in flight whether they agree; looked at every two seconds.

Samples wait until the clock unit (B, or A where there is no B) has sent `ROWS` more; then both units' samples heard up to
that row are judged together. So the result does not depend on where batches end.
"""

from __future__ import annotations

from math import degrees, sqrt
from typing import NamedTuple

import numpy as np

from protocol.arrays import Bools, Floats, Ints
from server.analysis.figures.pad import AccelUnitsFigure, GyroUnitsFigure, UnitDriftFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import Flying, RoleColumns
from server.flight.sensors.imu_pair import PairChange, PairWatch, PairWindow
from server.flight.sensors.imu_rest import ASCENT_S, GyroDrift, Samples
from server.flight.sensors.saturation import at_the_end
from server.telemetry.batch import Batch, Rows

ROWS = 50
KIND_WORDS = {"accel": "acceleration", "gyro": "rates"}
AXES = "xyz"
# Units that agree for a while and part anew are one trouble: the alarm is held for so long. Common practice, no source.
HELD_S = 10.0
ADVICE = "Let the vehicle stand still for a minute and look again; do not fly on a unit that wanders."

UNIT_ROLES = {unit: tuple(f"{kind}.{unit}.{axis}" for kind in ("accel", "gyro") for axis in AXES) for unit in "ab"}
"""The roles of each unit: force, then rates."""


class Queued(NamedTuple):
    """A unit's samples: frames, times, values of shape (n, 6), whether in flight, temperature."""

    order: Ints
    t: Floats
    values: Floats
    flying: Bools
    temperature: Floats

    def part(self, start: int, stop: int) -> Queued:
        """Return some of the samples."""
        cut = slice(start, stop)
        return Queued(self.order[cut], self.t[cut], self.values[cut], self.flying[cut], self.temperature[cut])

    def samples(self) -> Samples:
        """Return them as they are judged."""
        return Samples(self.t, self.values, self.flying, self.temperature)


FIGURES: dict[str, type[AccelUnitsFigure] | type[GyroUnitsFigure]] = {"accel": AccelUnitsFigure, "gyro": GyroUnitsFigure}


class InertialUnitsTracker:
    """Feeds both units to a `PairWatch`; `flying` tells for frame orders of the last batch whether the vehicle flew."""

    def __init__(self, roles: RoleColumns, flying: Flying) -> None:
        self._roles, self._flying = roles, flying
        self._fitted = [unit for unit in "ab" if all(role in roles.roles for role in UNIT_ROLES[unit])]
        self._watch = PairWatch()
        self._waiting: dict[str, list[Queued]] = {unit: [] for unit in self._fitted}
        self._count = 0
        self._drift: GyroDrift | None = None
        self._agree_from: dict[str, float] = {}  # kind -> since when they agree while that alarm is still held

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Queue a batch's samples and judge at every row that completes `ROWS`."""
        rows = None
        for unit in self._fitted:
            rows = self._queue(batch, unit)
        if rows is not None:  # of the clock unit, which is the last
            turns = range(ROWS - self._count % ROWS - 1, len(rows), ROWS)
            self._count += len(rows)
            if turns:
                self._judge_all([Instant.of(rows, row) for row in turns], out)

    def _queue(self, batch: Batch, unit: str) -> Rows | None:
        """Let a unit's samples wait, and return its rows."""
        found = self._roles.together(batch, UNIT_ROLES[unit])
        if found is None:
            return None
        rows, columns = found
        packet = self._roles.roles[f"accel.{unit}.x"].packet
        warmth = self._roles.columns(rows, (f"imu_temperature.{unit}",), packet)
        temperature = next(iter(warmth.values()), np.full(len(rows), np.nan))
        values = np.column_stack([self._unclipped(role, column) for role, column in columns.items()])
        self._waiting[unit].append(Queued(rows.order, rows.t, values, self._flying(rows.order), temperature))
        return rows

    def _unclipped(self, role: str, column: Floats) -> Floats:
        """Return a column without the values at an end of the sensor's range: what it was there is not known."""
        ends = self._roles.roles[role].sensor_range
        return column if ends is None else np.where(at_the_end(column, *ends), np.nan, column)

    def _judge_all(self, instants: list[Instant], out: TrackerOutput) -> None:
        """Judge at each instant what was heard up to its frame; what was heard after the last one waits on."""
        upto = [at.order for at in instants]
        given: dict[str, Samples] = {}
        cuts = {unit: [0] * len(upto) for unit in "ab"}
        for unit, waiting in self._waiting.items():
            if waiting:
                heard = _joined_samples(waiting)
                cuts[unit] = np.searchsorted(heard.order, upto, side="right").tolist()
                last = cuts[unit][-1]
                given[unit] = heard.part(0, last).samples()
                self._waiting[unit] = [heard.part(last, len(heard.order))]
        turns = self._watch.in_turns(given.get("a"), given.get("b"), zip(cuts["a"], cuts["b"], strict=True))
        for at, (windows, changes) in zip(instants, turns, strict=True):
            self._judge(at, windows, changes, out)

    def _judge(self, at: Instant, windows: list[PairWindow], changes: list[PairChange], out: TrackerOutput) -> None:
        if windows:
            self._note_windows(at, windows, out)
        for change in changes:
            self._note_change(at, change, out)
        for kind in [kind for kind, from_t in self._agree_from.items() if at.t >= from_t + HELD_S]:
            del self._agree_from[kind]
            text = f"the inertial units agree again in {KIND_WORDS[kind]}"
            out.note(at, "alarm", f"units {kind}", "info", text, {"state": "cleared"})
        drift = self._watch.drift()
        if drift is not None and (self._drift is None or (drift.unit, drift.axis) != (self._drift.unit, self._drift.axis)):
            self._drift = drift
            self._note_drift(at, drift, out)

    def _note_windows(self, at: Instant, windows: list[PairWindow], out: TrackerOutput) -> None:
        new = Rows(
            np.full(len(windows), at.order, dtype=np.int64),
            np.array([window.end_s for window in windows]),
            np.full(len(windows), at.rx_s),
            np.zeros(len(windows), dtype=bool),
            {
                "force_distance": np.sqrt(np.array([window.distance[0] for window in windows])),
                "rate_distance": np.sqrt(np.array([window.distance[1] for window in windows])),
            },
        )
        old = out.rows.get("ground_units")
        out.rows["ground_units"] = new if old is None else _joined(old, new)

    def _note_change(self, at: Instant, change: PairChange, out: TrackerOutput) -> None:
        word = KIND_WORDS[change.kind]
        if not change.open:
            self._agree_from[change.kind] = at.t
            return
        if self._agree_from.pop(change.kind, None) is None:
            text = f"the inertial units disagree in {word}"
            body = {"state": "raised", "advice": ADVICE, "since_t": change.since_s}
            out.note(at, "alarm", f"units {change.kind}", "warning", text, body)
        place = 0 if change.kind == "accel" else 1
        suspect = self._drift.unit if self._drift is not None and change.kind == "gyro" else None
        figure = FIGURES[change.kind](
            t=change.since_s,
            suspect=suspect,
            reason=f"apart in {word}{_turned(change)}" + ("" if suspect is None else ", after it drifted at rest"),
            distance=float(np.sqrt(change.window.distance[place])),
        )
        out.note_figure(at, figure)

    def _note_drift(self, at: Instant, drift: GyroDrift, out: TrackerOutput) -> None:
        which = f"inertial unit {drift.unit.upper()}" if drift.unit else "one of the inertial units"
        rate = degrees(drift.rate_rad_s2) * 60.0
        text = f"{which} drifts at rest: rate about {AXES[drift.axis]} wanders by {rate:+.1f} deg/s per minute"
        body = {"state": "raised", "advice": ADVICE}
        out.note(at, "alarm", "units drift", "warning", text, body)
        figure = UnitDriftFigure(
            t=at.t,
            suspect=drift.unit,
            reason=f"its rate about {AXES[drift.axis]} wanders by {rate:+.1f} deg/s per minute at rest",
            drift_rad_s2=drift.rate_rad_s2,
            sigma_rad_s2=drift.sigma_rad_s2,
        )
        out.note_figure(at, figure)


def _turned(change: PairChange) -> str:
    """Return what a difference in rates makes of the attitude over an ascent, in words; nothing for force."""
    if change.kind == "accel":
        return ""
    apart = sqrt(sum(rate * rate for rate in change.window.apart[3:]))
    rate = degrees(apart)
    return f" by {rate:.1f} deg/s, which turns the attitude by {rate * ASCENT_S:.0f} deg in {ASCENT_S:.0f} s"


def _joined_samples(parts: list[Queued]) -> Queued:
    return Queued(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _joined(one: Rows, two: Rows) -> Rows:
    return Rows(
        np.concatenate((one.order, two.order)),
        np.concatenate((one.t, two.t)),
        np.concatenate((one.rx_s, two.rx_s)),
        np.concatenate((one.late, two.late)),
        {name: np.concatenate((one.numbers(name), two.numbers(name))) for name in one.columns},
    )
