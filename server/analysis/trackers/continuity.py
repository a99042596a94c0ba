"""Channels without continuity on the pad: told once, when it lasts, and never of a channel that has fired."""

from __future__ import annotations

import re

import numpy as np

from protocol.arrays import Bools
from server.analysis.figures.pad import ContinuityFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.telemetry.batch import Batch, Rows

CHANNEL = re.compile(r"^(channel|recovery)\[(\d+)\]\.continuity$")
WORDS = {"channel": "lateral motor", "recovery": "recovery channel"}
ROWS_IN_A_ROW = 15
ON_PAD = "pad"


class ContinuityTracker:
    """Watches every continuity role while the vehicle says it is on the pad. Must come after the flags' tracker."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles
        self._watched = [(role, *match.groups()) for role in roles.roles if (match := CHANNEL.match(role))]
        self._runs = dict.fromkeys((role for role, _, _ in self._watched), 0)
        self._missing: dict[str, float] = {}
        self._on_pad = "vehicle_phase" not in roles.roles

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Look at a batch; the figure names every channel found so far."""
        changes = [(-1, self._on_pad)] + [
            (order, entry.body.get("phase") == ON_PAD)
            for order, entry in out.entries
            if entry.topic == "phase" and entry.key == "vehicle"
        ]
        changes.sort(key=lambda change: change[0])
        hits: list[tuple[int, Rows, int, str]] = []
        for role, kind, number in self._watched:
            found = self._roles.table_of(batch, role)
            if found is None or role in self._missing:
                continue
            rows, channel = found
            fired = self._roles.roles.get(f"{kind}[{number}].fired")
            if fired is not None and fired.packet == channel.packet:
                spent = rows.numbers(fired.name)
            else:
                spent = np.zeros(len(rows))
            waits = np.searchsorted([order for order, _ in changes], rows.order, side="right") - 1
            on_pad = np.array([on for _, on in changes])[waits]
            row = self._first(role, (rows.numbers(channel.name) == 0) & (spent == 0) & on_pad)
            if row is not None:
                hits.append((int(rows.order[row]), rows, row, role))
        self._on_pad = changes[-1][1]
        for _, rows, row, role in sorted(hits, key=lambda hit: (hit[0], hit[3])):
            self._missing[role] = float(rows.t[row])
            names = [f"{WORDS[kind]} {number}" for role, kind, number in self._watched if role in self._missing]
            figure = ContinuityFigure(t=min(self._missing.values()), missing=tuple(names))
            out.note_figure(Instant.of(rows, row), figure)

    def _first(self, role: str, open_: Bools) -> int | None:
        """Return the row at which a channel has been open for long enough."""
        run = self._runs[role]
        if not open_.any():
            self._runs[role] = 0
            return None
        for row, is_open in enumerate(open_.tolist()):
            run = run + 1 if is_open else 0
            if run >= ROWS_IN_A_ROW:
                return row
        self._runs[role] = run
        return None
