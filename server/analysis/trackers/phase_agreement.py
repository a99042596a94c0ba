"""The ground's phase beside the vehicle's own claim; a lasting difference is an alarm."""

from __future__ import annotations

from server.analysis.figures.control import PhaseDisagreementFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.flight.motion.phase import Phase
from server.flight.motion.phase_agreement import Disagreement, PhaseAgreement, as_meant
from server.telemetry.batch import Batch

ADVICE = "Believe neither alone: look at height and climb, and expect that a deployment may come late or not at all."


class PhaseAgreementTracker:
    """Goes through both phases' entries of a batch in order. Must come after the trackers that tell them."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles
        self._agreement = PhaseAgreement()

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Compare each claim of a batch with what the ground saw then."""
        told = [
            (Instant(order, entry.rx_s, entry.t), 0, str(entry.body["phase"]))
            for order, entry in out.entries
            if entry.topic == "phase" and entry.key == "ground"
        ]
        steps = sorted([*told, *self._claims(batch)], key=lambda step: (step[0].order, step[1]))
        for at, who, word in steps:
            if who == 0:
                self._agreement.ground(at.t, Phase(word))
                continue
            change = self._agreement.vehicle(at.t, as_meant(self._agreement.ground_phase, word))
            if change is not None:
                self._note(at, change, out)

    def _claims(self, batch: Batch) -> list[tuple[Instant, int, str]]:
        found = self._roles.table_of(batch, "vehicle_phase")
        if found is None:
            return []
        rows, channel = found
        words = [channel.text_of(value) or "" for value in rows.numbers(channel.name).tolist()]
        return [(Instant.of(rows, row), 1, word) for row, word in enumerate(words)]

    def _note(self, at: Instant, change: Disagreement, out: TrackerOutput) -> None:
        if change.open:
            text = f"the vehicle says {change.claim}, the ground sees {change.ground.value}"
            body = {"state": "raised", "since_t": change.since_t, "advice": ADVICE}
            out.note(at, "alarm", "phase", "warning", text, body)
            out.note_figure(at, PhaseDisagreementFigure(t=change.since_t, vehicle=change.claim, ground=change.ground.value))
        else:
            text = f"vehicle and ground agree again: {change.ground.value}"
            out.note(at, "alarm", "phase", "info", text, {"state": "cleared"})
