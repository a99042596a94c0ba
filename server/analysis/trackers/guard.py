"""The firmware's own guard: each time it fell back to its last valid state, which telemetry is too slow to show."""

from __future__ import annotations

from server.analysis.figures.control import GuardFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns, changes
from server.telemetry.batch import Batch

ADVICE = "The state was held, not measured, in that moment. Look in the onboard log for what the estimator was given then."


class GuardTracker:
    """Raises an alarm each time the vehicle's count of fallbacks has grown; it stays until the vehicle starts anew."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles
        self._count = 0.0

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Look at a batch."""
        found = self._roles.table_of(batch, "guard.count")
        if found is None:
            return
        rows, channel = found
        told = self._roles.columns(rows, ("guard.first_time", "guard.component"), channel.packet)
        for row, count in changes(rows.numbers(channel.name), self._count):
            at, grown, self._count = Instant.of(rows, row), count > self._count, count
            if not grown:
                if count == 0.0:
                    body = {"state": "cleared", "advice": ADVICE}
                    out.note(at, "alarm", "guard", "info", "the vehicle's guard has not acted since its start", body)
                continue
            component = self._component(told["guard.component"][row]) if "guard.component" in told else None
            first_s = float(told["guard.first_time"][row]) if "guard.first_time" in told else None
            figure = GuardFigure(t=at.t, count=int(count), first_time_s=first_s, component=component)
            out.note_figure(at, figure)
            out.note(at, "alarm", "guard", "warning", figure.sentence, {"state": "raised", "advice": ADVICE})

    def _component(self, value: float) -> str:
        return self._roles.roles["guard.component"].text_of(value) or f"{value:g}"
