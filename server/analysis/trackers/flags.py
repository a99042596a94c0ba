"""What the vehicle says of itself in words and bits: its phase, control, deployment, separation, events."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns, changes
from server.telemetry.batch import Batch
from server.telemetry.journal import SEVERITIES

EDGES = {
    "control.enabled": ("control_enabled", "control enabled", "control disabled"),
    "deployment": ("deployment", "deployment commanded", None),
    "separation": ("separation", "separation switch open", "separation switch closed"),
}
STAGING = re.compile(r"(motor|stage)\[(.+)\]\.(ignited|separated)")


def _edges(roles: Iterable[str]) -> dict[str, tuple[str, str, str | None]]:
    """Return moment and words of every flag: the ones every vehicle may have, and those of its stages and motors."""
    staging = {role: found for role in roles if (found := STAGING.fullmatch(role))}
    said = {"ignited": "the vehicle says that {} {} lit", "separated": "the vehicle says that {} {} separated"}
    return EDGES | {
        role: (f"{one[1]}_{one[2]}_{one[3]}", said[one[3]].format(one[1], one[2]), None) for role, one in staging.items()
    }


class FlagTracker:
    """Turns changes of phase and flags, and event texts, into journal entries."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles
        self._edges = _edges(roles.roles)
        self._edge_state: dict[str, float] = {}
        self._phase: float | None = None
        self._event_count = 0

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Look at a batch."""
        self._follow_phase(batch, out)
        self._follow_edges(batch, out)
        self._take_texts(batch, out)

    def _follow_phase(self, batch: Batch, out: TrackerOutput) -> None:
        found = self._roles.table_of(batch, "vehicle_phase")
        if found is None:
            return
        rows, channel = found
        for row, value in changes(rows.numbers(channel.name), self._phase):
            self._phase = value
            phase = channel.text_of(value) or f"{value:g}"
            out.note(Instant.of(rows, row), "phase", "vehicle", "info", f"vehicle says: {phase}", {"phase": phase})

    def _follow_edges(self, batch: Batch, out: TrackerOutput) -> None:
        for role, (key, on_text, off_text) in self._edges.items():
            found = self._roles.table_of(batch, role)
            if found is None:
                continue
            rows, channel = found
            for row, value in changes(rows.numbers(channel.name), self._edge_state.get(role, 0.0)):
                self._edge_state[role] = value
                text = on_text if value else off_text
                if text is not None:
                    at = Instant.of(rows, row)
                    out.note(at, "moment", key, "info", text, {"t": at.t, "on": bool(value)})

    def _take_texts(self, batch: Batch, out: TrackerOutput) -> None:
        found = self._roles.table_of(batch, "event.text")
        if found is None:
            return
        rows, channel = found
        severity = self._roles.roles.get("event.severity")
        levels = rows.numbers(severity.name) if severity and severity.packet == channel.packet else np.zeros(len(rows))
        for row, text in enumerate(rows.texts(channel.name)):
            level = SEVERITIES[min(int(levels[row]), 2)] if levels[row] >= 0 else "info"
            self._event_count += 1
            out.note(Instant.of(rows, row), "event", f"e{self._event_count}", level, text)
