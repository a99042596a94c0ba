"""The ground's phase beside the vehicle's own claim; a lasting difference is an alarm."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from server.analysis.figures.control import PhaseDisagreementFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.flight.motion.phase import Phase
from server.flight.motion.phase_agreement import Disagreement, PhaseAgreement, as_meant
from server.telemetry.batch import Batch, Rows

ADVICE = "Believe neither alone: look at height and climb, and expect that a deployment may come late or not at all."


class PhaseAgreementTracker:
    """Goes through both phases' entries of a batch in order. Must come after the trackers that tell them."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles
        self._agreement = PhaseAgreement()
        self._again = False  # a motor lit in the air burns

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Compare each claim of a batch with what the ground saw then."""
        told = [
            (order, entry.t, Phase(str(entry.body["phase"])), "thrust" in entry.body)
            for order, entry in out.entries
            if entry.topic == "phase" and entry.key == "ground"
        ]
        told.sort(key=lambda one: one[0])
        found = self._roles.table_of(batch, "vehicle_phase")
        if found is None:
            for _, t, phase, again in told:
                self._ground(t, phase, again)
            return
        rows, channel = found
        values = rows.numbers(channel.name)
        changed = (np.flatnonzero(values[1:] != values[:-1]) + 1).tolist()
        cuts = np.searchsorted(rows.order, [order for order, *_ in told]).tolist()
        start = 0
        for stop, one in [*zip(cuts, told, strict=True), (len(rows), None)]:
            for first, last in pairwise([start, *(row for row in changed if start < row < stop), stop]):
                if first < last:
                    self._claims(rows, first, last, channel.text_of(float(values[first])) or "", out)
            if one is not None:
                self._ground(*one[1:])
            start = stop

    def _ground(self, t: float, phase: Phase, again: bool) -> None:
        self._again = again
        self._agreement.ground(t, phase)

    def _claims(self, rows: Rows, first: int, stop: int, word: str, out: TrackerOutput) -> None:
        """Take one claim repeated over some rows, all of them before the ground's next change."""
        agreement = self._agreement
        claim = as_meant(agreement.ground_phase, word, self._again)
        for row in range(first, stop):
            if agreement.agrees_with(claim):
                agreement.renew(rows.t[row:stop])
                return
            at = Instant.of(rows, row)
            change = agreement.vehicle(at.t, claim)
            if change is not None:
                self._note(at, change, out)

    def _note(self, at: Instant, change: Disagreement, out: TrackerOutput) -> None:
        if change.open:
            text = f"the vehicle says {change.claim}, the ground sees {change.ground.value}"
            body = {"state": "raised", "since_t": change.since_t, "advice": ADVICE}
            out.note(at, "alarm", "phase", "warning", text, body)
            out.note_figure(at, PhaseDisagreementFigure(t=change.since_t, vehicle=change.claim, ground=change.ground.value))
        else:
            text = f"vehicle and ground agree again: {change.ground.value}"
            out.note(at, "alarm", "phase", "info", text, {"state": "cleared"})
