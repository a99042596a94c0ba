"""Decides when a part of the flight is over and can be judged, and notes figures and findings at that frame.

A judgement is due some seconds of vehicle time after a moment; it is made at the first frame heard then, from what had
been heard up to that frame. So live, replayed and cut in any way, the same figures come at the same frames.

This is the stage after the trackers, which nothing waits for: it may be given what it reads (`Heard`) whenever there is
time, and in another thread, since what it notes belongs to the frame a judgement was due at and never to when it was made.

A moment that proves wrong is taken back by its tracker; with it go the figures judged after it, and they are judged anew
when the right one comes.

A judgement or rule that raises says nothing, and its first failure is one journal entry; being a function of what is given
to it, it has no state that could be spoiled, and is tried again when next due: more may be known then. What raises around
them puts all judging aside for the rest of the session, like a tracker.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, replace

import numpy as np

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from server.analysis.analysis import unchanging
from server.analysis.figures.ascent import BURNOUTS, IGNITIONS, BurnoutFigure, IgnitionFigure
from server.analysis.figures.figure import Figures
from server.analysis.findings.finding import FlightFinding
from server.analysis.findings.rules import findings
from server.analysis.flight_log import FlightLog
from server.analysis.judgements.case import Case, Judgement
from server.analysis.judgements.schedule import COLUMNS, JUDGEMENTS, MERGED, SOURCES
from server.analysis.trackers.output import Instant, Told, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.design.pad_wind import PadWind, tells_wind, wind_of
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.flight.sensors.saturation import at_the_end
from server.telemetry.batch import Batch, Rows
from server.telemetry.journal import JournalEntry

# Moments whose judgement dates them better than the detector could: told once more, so that clocks, charts and lists count
# from the better instant.
FINER: Mapping[str, str] = {
    "lift_off": "lift-off",
    "burnout": "burnout at {} m",
    **{key: f"{kind.said} at {{}} m" for key, kind in BURNOUTS.items()},
    **{key: f"{kind.said} at {{}} m" for key, kind in IGNITIONS.items()},
}

LAST_MOMENT = "landing"  # of those that judgements follow; once it is judged nobody asks the log again


@dataclass(frozen=True)
class Heard:
    """A stretch of a session as judging reads it: the packets, the tables computed of them, frames, what trackers told.

    Nobody writes into its arrays: the loop and the thread that judges may both read them.
    """

    batch: Batch
    rows: Mapping[str, Rows]
    frames: Rows | None
    told: tuple[Told, ...]

    @classmethod
    def of(cls, batch: Batch, found: TrackerOutput) -> Heard:
        """Return a batch and what the trackers made of it."""
        return cls(batch, found.rows, found.frames, tuple(found.told))

    def after_notes(self, notes: Sequence[Told]) -> Heard:
        """Return it with what people wrote, before what trackers told at the same frame."""
        return replace(self, told=(*notes, *self.told)) if notes else self

    def part(self, start: int, stop: int) -> Heard:
        """Return the frames `start` to `stop`, by order, the last not included."""
        rows = {name: part for name, whole in self.rows.items() if len(part := whole.part(start, stop))}
        frames = None if self.frames is None else self.frames.part(start, stop)
        told = tuple(one for one in self.told if start <= one.order < stop)
        return Heard(self.batch.part(start, stop), rows, frames, told)


class Judging:
    """Keeps the flight log and makes judgements when they are due."""

    def __init__(self, dictionary: Dictionary, facts: SheetNumbers = NOTHING_TOLD) -> None:
        self._dictionary = dictionary
        self._roles, self._facts = RoleColumns(dictionary.roles), facts
        ranged = (role for role, channel in dictionary.roles.items() if channel.sensor_range is not None)
        self._ranged = frozenset(ranged)
        self._judgements = JUDGEMENTS
        self._sources = {name: source.bound_to(self._roles.roles) for name, source in SOURCES.items()}
        roles = {name: source.roles for name, source in self._sources.items() if not source.table}
        self._log = FlightLog({**COLUMNS, **roles}, MERGED)
        self._pad_wind: PadWind | None = None
        self._moments: dict[str, tuple[float, float]] = {}
        self._figures = Figures()
        self._findings: dict[str, FlightFinding] = {}
        self._judged_after: dict[str, str] = {}  # key of a figure -> the moment its judgement followed
        self._due: list[tuple[float, int, int]] = []  # due time, running number, place in the table
        self._count = 0
        self._failed: set[str] = set()
        self._is_aside = False

    @property
    def rows_kept(self) -> int:
        """How many rows the flight log holds: what a wait on the pad must not let grow."""
        return self._log.kept

    def copy(self) -> Judging:
        """Return another one in the same state; what never changes is shared."""
        return deepcopy(self, unchanging(self._dictionary))

    def take(self, heard: Heard, strict: bool = False) -> TrackerOutput:
        """Keep a stretch and judge what is due in it; `strict` lets exceptions through and leaves a ruin.

        The output holds entries only, in the order of the frames they belong to.
        """
        out, batch = TrackerOutput(), heard.batch
        if self._is_aside or not len(batch.frame_rx_s):
            return out
        try:
            self._take(heard, out)
        except Exception as error:
            if strict:
                raise
            out, self._is_aside = TrackerOutput(), True
            self._log.close()
            last = batch.first_order + len(batch.frame_rx_s) - 1
            at = Instant(last, float(batch.frame_rx_s[-1]), float(batch.frame_t[-1]))
            out.note_fault(at, "tracker judging", "the flight can no longer be judged", error)
        out.entries.sort(key=lambda item: item[0])
        return out

    def _take(self, heard: Heard, out: TrackerOutput) -> None:
        batch = heard.batch
        self._keep(heard)
        for order, entry, figure in sorted(heard.told, key=lambda one: one.order):
            self._judge_until(batch, order, out)
            if tells_wind(entry.topic, entry.body):
                self._take_wind(entry)
                continue
            if figure is not None:
                self._figures.put(figure)
            elif entry.body.get("withdrawn"):
                self._take_back(entry.key, Instant(order, entry.rx_s, entry.t), out)
            elif entry.body.get("on", True):
                self._take_moment(entry)
            self._find(Instant(order, entry.rx_s, entry.t), out)
        self._judge_until(batch, batch.first_order + len(batch.frame_t), out)
        if LAST_MOMENT in self._moments and not any(self._is_wanted(place) for _, _, place in self._due):
            self._log.close()

    def _take_wind(self, entry: JournalEntry) -> None:
        """Work with the wind measured at the pad; what is entered or cleared after lift-off belongs to another flight."""
        if "lift_off" not in self._moments:
            self._pad_wind = wind_of(entry.body)

    def _keep(self, heard: Heard) -> None:
        if heard.frames is not None:
            self._keep_table("frames", heard.frames)
        for name, source in self._sources.items():
            if source.table:
                rows = heard.rows.get(source.table)
                if rows is not None:
                    self._keep_table(name, rows)
                continue
            packets = dict.fromkeys(self._roles.roles[role].packet for role in source.roles if role in self._roles.roles)
            for packet in list(packets) if source.is_split else list(packets)[:1]:
                rows = heard.batch.rows.get(packet)
                if rows is not None:
                    columns = self._roles.columns(rows, source.roles, packet)
                    self._log.add(name, rows, {one: self._unclipped(one, v) for one, v in columns.items()})

    def _unclipped(self, role: str, values: Floats) -> Floats:
        """Return forces without those at an end of the sensor's range: they say no more than "at least so much"."""
        ends = self._roles.roles[role].sensor_range
        if ends is None or not role.startswith("accel."):
            return values
        at_end = at_the_end(values, *ends)
        return np.where(at_end, np.copysign(np.inf, values), values) if at_end.any() else values

    def _keep_table(self, name: str, rows: Rows) -> None:
        self._log.add(name, rows, {column: rows.numbers(column) for column in COLUMNS[name]})

    def _take_moment(self, entry: JournalEntry) -> None:
        if entry.key in self._moments:
            return
        t = entry.number("t")
        self._moments[entry.key] = (t, entry.number("height_m"))
        if entry.key == "lift_off":
            self._log.lift_off_s = t
        for place, judgement in enumerate(self._judgements):
            if judgement.after == entry.key:
                for delay in judgement.delays_s:
                    self._count += 1
                    heapq.heappush(self._due, (entry.t + delay, self._count, place))

    def _take_back(self, moment: str, at: Instant, out: TrackerOutput) -> None:
        """Forget a moment that was none, what was to be judged after it, and the figures that were."""
        self._moments.pop(moment, None)
        self._due = [one for one in self._due if self._judgements[one[2]].after != moment]
        heapq.heapify(self._due)
        for key in [key for key, after in self._judged_after.items() if after == moment]:
            del self._judged_after[key]
            if self._figures.drop(key):
                out.note(at, "figure", key, "info", "", {"withdrawn": True})

    def _judge_until(self, batch: Batch, order: int, out: TrackerOutput) -> None:
        """Make every judgement that is due at a frame before `order`."""
        while self._due:
            due_s, _, place = self._due[0]
            index = int(np.searchsorted(batch.frame_t, due_s))
            if index >= len(batch.frame_t) or batch.first_order + index >= order:
                return
            heapq.heappop(self._due)
            if self._is_wanted(place):
                self._judge(self._judgements[place], batch, index, out)

    def _is_wanted(self, place: int) -> bool:
        """Return whether a judgement that is due some time is still to be made: the moment that ends it has not come."""
        return self._judgements[place].until not in self._moments

    def _judge(self, judgement: Judgement, batch: Batch, index: int, out: TrackerOutput) -> None:
        at = Instant(batch.first_order + index, float(batch.frame_rx_s[index]), float(batch.frame_t[index]))
        mark = out.mark()
        try:
            self._note(judgement, at, out)
        except Exception as error:
            out.go_back(mark)
            self._fail(at, f"judgement {judgement.subject}", f"the {judgement.subject} could not be judged", error, out)
        self._find(at, out)

    def _note(self, judgement: Judgement, at: Instant, out: TrackerOutput) -> None:
        facts, wind = self._facts, self._pad_wind
        if wind is not None:
            facts = replace(facts, wind_m_s=wind.speed_m_s)
        case = Case(self._log, facts, self._moments, self._figures, at.order, at.t, self._ranged, wind)
        figure = judgement.judge(case)
        if figure is None or not self._figures.is_new(figure):
            return
        out.note_figure(at, figure)
        self._judged_after[figure.key] = judgement.after
        if figure.key in FINER:
            height_m, height = self._moments[figure.key][1], ""
            if isinstance(figure, BurnoutFigure | IgnitionFigure):
                height_m, height = figure.height_m, figure.height_text
            text = FINER[figure.key].format(height)
            out.note(at, "moment", figure.key, "info", text, {"t": figure.t, "height_m": height_m, "finer": True})
        self._figures.put(figure)

    def _find(self, at: Instant, out: TrackerOutput) -> None:
        """Note what is found anew or otherwise, and take back what is found no longer."""
        broken: list[str] = []

        def failed(rule: str, error: Exception) -> None:
            broken.append(rule)
            self._fail(at, f"rule {rule}", f'whether to find "{rule.replace("_", " ")}" could not be told', error, out)

        found = {finding.key: finding for finding in findings(self._figures, self._moments, failed)}
        for finding in found.values():
            if self._findings.get(finding.key) != finding:
                self._findings[finding.key] = finding
                out.note(at, "finding", finding.key, finding.severity, finding.text, finding.body())
        # A rule that raises says nothing, which is not the same as nothing found.
        for key in [key for key in self._findings if key not in found and not broken]:
            gone = self._findings.pop(key)
            out.note(at, "finding", key, "info", f"taken back: {gone.text}", {"t": gone.t, "withdrawn": True})

    def _fail(self, at: Instant, key: str, lost: str, error: Exception, out: TrackerOutput) -> None:
        """Note the first failure of a judgement or rule."""
        if key not in self._failed:
            self._failed.add(key)
            out.note_fault(at, key, lost, error)
