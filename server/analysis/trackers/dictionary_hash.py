"""Whether the vehicle was built from the dictionary it is read with: its start-up packet tells a hash."""

from __future__ import annotations

from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns, changes
from server.telemetry.batch import Batch

ADVICE = "Values and commands may mean something else on board. Build the firmware anew from this dictionary."


class DictionaryHashTracker:
    """Raises an alarm when the vehicle tells another hash than `ours`, and clears it when it tells ours again."""

    def __init__(self, roles: RoleColumns, ours: int) -> None:
        self._roles, self._ours = roles, ours
        self._told: float = ours

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Look at a batch."""
        found = self._roles.table_of(batch, "startup.dictionary_hash")
        if found is None:
            return
        rows, channel = found
        for row, told in changes(rows.numbers(channel.name), self._told):
            self._told = told
            self._note(Instant.of(rows, row), told, out)

    def _note(self, at: Instant, told: float, out: TrackerOutput) -> None:
        same = told == self._ours
        text = f"the vehicle was built from another dictionary (hash {int(told):08x}, ours is {self._ours:08x})"
        text = "the vehicle was built from this dictionary" if same else text
        body = {"state": "cleared" if same else "raised", "advice": ADVICE}
        out.note(at, "alarm", "dictionary", "info" if same else "warning", text, body)
