"""Decides when a part of the flight is over and can be judged, and notes figures and findings at that frame.

A judgement is due some seconds of vehicle time after a moment; it is made at the first frame heard then, from what had
been heard up to that frame. So live, replayed and cut in any way, the same figures come at the same frames.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping

import numpy as np

from server.analysis.findings import Finding, findings
from server.analysis.flight_log import FlightLog
from server.analysis.judgements.case import Case, Judgement, SeriesSource
from server.analysis.trackers.found import Found, RoleColumns
from server.analysis.trackers.kinds import KindsTracker
from server.design.sheet_numbers import SheetNumbers
from server.telemetry.batch import Batch
from server.telemetry.journal import JournalEntry

# Moments whose judgement dates them better than the detector could: told once more, so that clocks and charts count from
# the better instant.
FINER = frozenset({"lift_off", "burnout"})

LAST_MOMENT = "landing"  # of those that judgements follow; once it is judged nobody asks the log again


class Judging:
    """Keeps the flight log and makes judgements when they are due. Must come after the trackers that tell moments."""

    def __init__(
        self,
        roles: RoleColumns,
        facts: SheetNumbers,
        sources: Mapping[str, SeriesSource],
        columns: Mapping[str, tuple[str, ...]],
        judgements: tuple[Judgement, ...],
        kinds: KindsTracker,
    ) -> None:
        self._kinds = kinds
        self._roles, self._facts = roles, facts
        self._sources, self._judgements = sources, judgements
        self._log = FlightLog(columns)
        self._moments: dict[str, tuple[float, float]] = {}
        self._figures: dict[str, Mapping[str, object]] = {}
        self._findings: dict[str, Finding] = {}
        self._due: list[tuple[float, int, int]] = []  # due time, running number, place in the table
        self._count = 0

    @property
    def rows_kept(self) -> int:
        """How many rows the flight log holds: what a wait on the pad must not let grow."""
        return self._log.kept

    def take(self, batch: Batch, out: Found) -> None:
        """Keep a batch and judge what is due in it."""
        self._keep(batch, out)
        told = [item for item in out.entries if item[1].topic in ("moment", "figure")]
        for order, entry in sorted(told, key=lambda item: item[0]):
            self._judge_until(batch, order, out)
            if entry.topic == "figure":
                self._figures[entry.key] = entry.body
            elif entry.body.get("on", True):
                self._take_moment(entry)
            self._find(order, entry.t, entry.rx_s, out)
        self._judge_until(batch, batch.first_order + len(batch.frame_t), out)
        if LAST_MOMENT in self._moments and not self._due:
            self._log.close()

    def _keep(self, batch: Batch, out: Found) -> None:
        if self._kinds.frames is not None:
            self._log.add("frames", self._kinds.frames, self._kinds.frames.columns)
        for name, source in self._sources.items():
            if source.table:
                rows = out.rows.get(source.table)
                if rows is not None:
                    self._log.add(name, rows, rows.columns)
                continue
            for role in source.roles:
                if role in self._roles.roles:
                    found = self._roles.table_of(batch, role)
                    if found is not None:
                        rows, channel = found
                        self._log.add(name, rows, self._roles.columns(rows, source.roles, channel.packet))
                    break

    def _take_moment(self, entry: JournalEntry) -> None:
        if entry.key in self._moments:
            return
        t = float(entry.body["t"])
        self._moments[entry.key] = (t, float(entry.body.get("height_m", np.nan)))
        if entry.key == "lift_off":
            self._log.lift_off_s = t
        for place, judgement in enumerate(self._judgements):
            if judgement.after == entry.key:
                for delay in judgement.delays_s:
                    self._count += 1
                    heapq.heappush(self._due, (entry.t + delay, self._count, place))

    def _judge_until(self, batch: Batch, order: int, out: Found) -> None:
        """Make every judgement that is due at a frame before `order`."""
        while self._due:
            due_s, _, place = self._due[0]
            index = int(np.searchsorted(batch.frame_t, due_s))
            if index >= len(batch.frame_t) or batch.first_order + index >= order:
                return
            heapq.heappop(self._due)
            self._judge(self._judgements[place], batch, index, out)

    def _judge(self, judgement: Judgement, batch: Batch, index: int, out: Found) -> None:
        order, t, rx_s = batch.first_order + index, float(batch.frame_t[index]), float(batch.frame_rx_s[index])
        case = Case(self._log, self._facts, self._moments, self._figures, order, t)
        for figure in judgement.judge(case):
            if self._figures.get(figure.key) != figure.body:
                self._figures[figure.key] = figure.body
                out.note(order, JournalEntry(rx_s, t, "figure", figure.key, "info", figure.text, figure.body))
                if figure.key in FINER:
                    body = {"t": figure.body["t"], "height_m": self._moments[figure.key][1]}
                    out.note(order, JournalEntry(rx_s, t, "moment", figure.key, "info", "", body))
        self._find(order, t, rx_s, out)

    def _find(self, order: int, t: float, rx_s: float, out: Found) -> None:
        for finding in findings(self._figures, self._moments):
            if self._findings.get(finding.key) != finding:
                self._findings[finding.key] = finding
                out.note(
                    order, JournalEntry(rx_s, t, "finding", finding.key, finding.severity, finding.text, finding.body())
                )
