"""The health of the state vector: which frames are not numbers, and every other way in which it cannot be believed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from protocol.arrays import Bools, Floats
from protocol.events import VehicleRestarted
from server.analysis.figures.control import NonfiniteFigure, StateVectorFigure
from server.analysis.roles import STATE_VECTOR
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.flight.sensors.health import nonfinite_names, nonfinite_rows
from server.flight.sensors.state_health import Episode, EpisodeChange, GroundEstimate, StateHealth
from server.telemetry.batch import Batch, Rows

NONFINITE_ADVICE = "The state vector held something that is not a number. On the pad: do not fly until it is explained."
# One frame is over before anybody has looked: its alarm stands so long after the last bad one. Common practice, no source.
HELD_S = 10.0
# What each kind of trouble is in words; the ones that are not finite are told frame by frame.
SENTENCES = {
    "frozen": "state vector frozen while the vehicle moves",
    "bounds": "state vector out of bounds",
    "jump": "state vector jumped",
    "divergence": "state vector parts from the ground's own estimate",
}
ADVICE = {
    "frozen": "The estimator stands still: on the pad restart the vehicle; in flight go by the ground's own height.",
    "bounds": "Believe the ground's own height and the sensors, not the state vector; on the pad do not fly on it.",
    "jump": "Something broke the estimate: go by the ground's own height, and look at that moment in the onboard log.",
    "divergence": "Believe neither alone: compare with pressure and acceleration, and expect control and deployment to err.",
}

Told = tuple[int, str, Rows, int, EpisodeChange]
"""A change with its place: frame order, packet, rows and the row in them."""


class StateVectorTracker:
    """Looks at every frame; `estimates` gives the ground's own estimate at the rows of the packet it is asked for."""

    def __init__(
        self, roles: RoleColumns, estimates: Callable[[str], tuple[Bools, GroundEstimate] | None] | None = None
    ) -> None:
        self._roles, self._estimates = roles, estimates
        names = {role: channel for role, channel in roles.roles.items() if role in STATE_VECTOR}
        self._packets = tuple(dict.fromkeys(names[role].packet for role in STATE_VECTOR if role in names))
        ranges = {role: channel.range for role, channel in names.items() if channel.range is not None}
        self._health = {packet: StateHealth(ranges) for packet in self._packets}
        self._told: dict[str, list[Episode]] = {}
        self._bad_t: dict[str, float] = {}  # packet -> last time it was not finite, while that alarm is raised

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Judge the state vectors of a batch."""
        changes: list[Told] = []
        for packet in self._packets:
            rows = batch.rows.get(packet)
            if rows is not None:
                columns = self._roles.columns(rows, STATE_VECTOR, packet)
                self._note_nonfinite(packet, rows, columns, out)
                changes += self._judge(packet, rows, columns, batch)
        # In order of arrival over all packets: the figures add up, and must add up alike however the data was cut.
        for _, packet, rows, row, change in sorted(changes, key=lambda item: item[0]):
            self._note(packet, rows, row, change, out)

    def _note_nonfinite(self, packet: str, rows: Rows, columns: dict[str, Floats], out: TrackerOutput) -> None:
        key = "nonfinite" if packet == self._packets[0] else f"nonfinite {packet}"
        looked_at = 0
        for row in nonfinite_rows(columns).tolist():
            self._let_go(packet, key, rows, looked_at, row, out)
            looked_at = row
            names = [self._roles.roles[role].name for role in nonfinite_names(columns, row)]
            text = f"state vector not finite: {', '.join(names)}"
            body = {"packet": packet, "components": names}
            # Kept frame by frame; the line for people is the alarm's, once.
            at = Instant.of(rows, row)
            out.note(at, "health", "nonfinite", "warning", "", body)
            if packet not in self._bad_t:
                alarm = {"state": "raised", "advice": NONFINITE_ADVICE}
                out.note(at, "alarm", key, "warning", text, alarm)
            self._bad_t[packet] = at.t
        self._let_go(packet, key, rows, looked_at, len(rows), out)

    def _let_go(self, packet: str, key: str, rows: Rows, start: int, stop: int, out: TrackerOutput) -> None:
        """Clear the alarm at the first of these rows that comes long enough after the last bad one."""
        last_t = self._bad_t.get(packet)
        if last_t is None:
            return
        late = np.flatnonzero(rows.t[start:stop] >= last_t + HELD_S)
        if len(late):
            del self._bad_t[packet]
            text = f"state vector finite again for {HELD_S:.0f} s"
            out.note(Instant.of(rows, start + int(late[0])), "alarm", key, "info", text, {"state": "cleared"})

    def _judge(self, packet: str, rows: Rows, columns: dict[str, Floats], batch: Batch) -> list[Told]:
        """Go through the rows, starting anew wherever the vehicle restarted; return changes with their place."""
        told = self._estimates(packet) if self._estimates is not None else None
        moving, ground = told if told is not None else (None, None)
        health = self._health[packet]
        restarts = [order for order, _, _, event in batch.events if isinstance(event, VehicleRestarted)]
        found: list[Told] = []
        cuts = [0, *np.searchsorted(rows.order, restarts).tolist(), len(rows)]
        for place, (start, stop) in enumerate(zip(cuts[:-1], cuts[1:], strict=True)):
            if place:
                health.restart()
            part = slice(start, stop)
            base = health.rows
            told_now = health.take(
                rows.t[part],
                {role: values[part] for role, values in columns.items()},
                None if moving is None else moving[part],
                None if ground is None else _part(ground, part),
            )
            for change in told_now:
                row = start + change.row - base
                found.append((int(rows.order[row]), packet, rows, row, change))
        return found

    def _note(self, packet: str, rows: Rows, row: int, change: EpisodeChange, out: TrackerOutput) -> None:
        episode = change.episode
        episodes = self._told.setdefault(packet, [])
        episodes[:] = [e for e in episodes if (e.kind, e.first_row) != (episode.kind, episode.first_row)] + [episode]
        at = Instant.of(rows, row)
        if episode.kind == "nonfinite":
            self._note_nonfinite_figure(at, out)
            return
        names = ", ".join(self._roles.roles[role].name for role in episode.components)
        text = f"{SENTENCES[episode.kind]}: {names}"
        body = {"t": episode.first_t, "frames": episode.frames, "components": list(episode.components)}
        if episode.open:
            raised = {**body, "state": "raised", "advice": ADVICE[episode.kind]}
            out.note(at, "alarm", f"state {episode.kind}", "warning", text, raised)
        else:
            over = f"{SENTENCES[episode.kind]}: over after {episode.frames} frames"
            out.note(at, "alarm", f"state {episode.kind}", "info", over, {**body, "state": "cleared"})
        finite = [e for e in episodes if e.kind != "nonfinite"]
        kinds = tuple(sorted({e.kind for e in finite}))
        out.note_figure(at, StateVectorFigure(t=min(e.first_t for e in finite), kinds=kinds, sentence=text))

    def _note_nonfinite_figure(self, at: Instant, out: TrackerOutput) -> None:
        """Keep how often, which, and since when it was not finite."""
        all_ = [e for episodes in self._told.values() for e in episodes if e.kind == "nonfinite"]
        names = {self._roles.roles[role].name: None for e in all_ for role in e.components}
        figure = NonfiniteFigure(
            t=min(e.first_t for e in all_), frames=sum(e.frames for e in all_), components=", ".join(names)
        )
        out.note_figure(at, figure)


def _part(ground: GroundEstimate, part: slice) -> GroundEstimate:
    return GroundEstimate(
        ground.height_m[part],
        ground.height_sigma_m[part],
        ground.climb_m_s[part],
        ground.climb_sigma_m_s[part],
        ground.other_formula_share,
    )
