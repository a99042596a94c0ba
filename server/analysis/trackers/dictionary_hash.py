"""Whether the vehicle was built from the dictionary it is read with: its start-up packet tells a hash."""

from __future__ import annotations

from server.analysis.trackers.found import Found, RoleColumns, changes
from server.telemetry.batch import Batch
from server.telemetry.journal import JournalEntry

ADVICE = "Values and commands may mean something else on board. Build the firmware anew from this dictionary."


class DictionaryHashTracker:
    """Raises an alarm when the vehicle tells another hash than `ours`, and clears it when it tells ours again."""

    def __init__(self, roles: RoleColumns, ours: int) -> None:
        self._roles, self._ours = roles, ours
        self._told: float = ours

    def take(self, batch: Batch, out: Found) -> None:
        """Look at a batch."""
        found = self._roles.table_of(batch, "startup.dictionary_hash")
        if found is None:
            return
        rows, channel = found
        for row, told in changes(rows.columns[channel.name], self._told):
            self._told = told
            rx_s, t = float(rows.rx_s[row]), float(rows.t[row])
            out.entries.append((int(rows.order[row]), self._entry(rx_s, t, told)))

    def _entry(self, rx_s: float, t: float, told: float) -> JournalEntry:
        same = told == self._ours
        text = f"the vehicle was built from another dictionary (hash {int(told):08x}, ours is {self._ours:08x})"
        text = "the vehicle was built from this dictionary" if same else text
        body = {"state": "cleared" if same else "raised", "advice": ADVICE}
        return JournalEntry(rx_s, t, "alarm", "dictionary", "info" if same else "warning", text, body)
