"""The ground's phase beside the vehicle's own claim; a lasting difference is an alarm."""

from __future__ import annotations

from server.analysis.trackers.found import Found, RoleColumns
from server.flight.motion.phase import Phase
from server.flight.motion.phase_agreement import VEHICLE_PHASES, Disagreement, PhaseAgreement
from server.telemetry.batch import Batch
from server.telemetry.journal import JournalEntry

ADVICE = "Believe neither alone: look at height and climb, and expect that a deployment may come late or not at all."


class AgreementTracker:
    """Goes through both phases' entries of a batch in order. Must come after the trackers that tell them."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles
        self._agreement = PhaseAgreement()

    def take(self, batch: Batch, out: Found) -> None:
        """Compare each claim of a batch with what the ground saw then."""
        told = [
            (order, 0, entry.rx_s, entry.t, str(entry.body["phase"]))
            for order, entry in out.entries
            if entry.topic == "phase" and entry.key == "ground"
        ]
        steps = sorted([*told, *self._claims(batch)], key=lambda step: step[:2])
        for order, who, rx_s, t, word in steps:
            if who == 0:
                self._agreement.ground(t, Phase(word))
                continue
            if self._agreement.ground_phase is Phase.LANDED and VEHICLE_PHASES.get(word) is Phase.PAD:
                word = Phase.LANDED.value  # switched on anew where it landed: nothing to be warned of
            change = self._agreement.vehicle(t, word)
            if change is not None:
                self._note(order, rx_s, t, change, out)

    def _claims(self, batch: Batch) -> list[tuple[int, int, float, float, str]]:
        found = self._roles.table_of(batch, "vehicle_phase")
        if found is None:
            return []
        rows, channel = found
        words = [channel.text_of(value) or "" for value in rows.columns[channel.name].tolist()]
        return [
            (order, 1, rx_s, t, word)
            for order, rx_s, t, word in zip(rows.order.tolist(), rows.rx_s.tolist(), rows.t.tolist(), words, strict=True)
        ]

    def _note(self, order: int, rx_s: float, t: float, change: Disagreement, out: Found) -> None:
        if change.open:
            text = f"the vehicle says {change.claim}, the ground sees {change.ground.value}"
            body = {"state": "raised", "since_t": change.since_t, "advice": ADVICE}
            out.note(order, JournalEntry(rx_s, t, "alarm", "phase", "warning", text, body))
            figure = {"t": change.since_t, "vehicle": change.claim, "ground": change.ground.value}
            out.note(order, JournalEntry(rx_s, t, "figure", "phase_disagreement", "info", "", figure))
        else:
            text = f"vehicle and ground agree again: {change.ground.value}"
            out.note(order, JournalEntry(rx_s, t, "alarm", "phase", "info", text, {"state": "cleared"}))
