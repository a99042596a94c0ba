"""What alarms stand, in the order in which a person should look at them, and which of them a person has acknowledged.

An alarm is the latest entry of its key under the topic "alarm"; each entry "raised" is a new thing to be looked at (it has
begun, or has become worse), which its arrival (`rx_s`) names. An acknowledgment is an entry of the same key under the topic
"acknowledged" that names that arrival: whatever is raised later, or anew, is not acknowledged by it. Both come from the
journal, so that live, replay and summary tell the same; `web/session/alarms.js` folds them in the same way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from server.telemetry.journal import SEVERITIES, JournalEntry

TOPIC = "acknowledged"


@dataclass(frozen=True)
class Alarm:
    """One alarm that stands: its entry, and the acknowledgment of it, if there is one."""

    entry: JournalEntry
    acknowledged: JournalEntry | None

    @property
    def key(self) -> str:
        """What the alarm is about."""
        return self.entry.key


class AlarmBoard:
    """Folds journal entries into the alarms that stand."""

    def __init__(self) -> None:
        self._raised: dict[str, JournalEntry] = {}
        self._acknowledged: dict[str, JournalEntry] = {}

    def take(self, entries: Iterable[JournalEntry]) -> None:
        """Take entries in the order of the journal."""
        for entry in entries:
            if entry.topic == TOPIC:
                self._acknowledged[entry.key] = entry
            elif entry.topic == "alarm":
                if entry.body.get("state") == "raised":
                    self._raised[entry.key] = entry
                else:
                    self._raised.pop(entry.key, None)

    def standing(self) -> list[Alarm]:
        """Return what stands: warnings before cautions, of each the ones not acknowledged first, newest first."""
        alarms = [Alarm(entry, self._acknowledgment(entry)) for entry in self._raised.values()]
        return sorted(alarms, key=_rank)

    def _acknowledgment(self, raised: JournalEntry) -> JournalEntry | None:
        entry = self._acknowledged.get(raised.key)
        return entry if entry is not None and entry.body.get("raised_rx") == raised.rx_s else None

    def to_acknowledge(self, wanted: Iterable[Mapping[str, object]]) -> list[JournalEntry]:
        """Return of what a person saw (key and arrival of each) that which still stands just so, not yet acknowledged."""
        seen = [(one.get("key"), one.get("raised_rx")) for one in wanted]
        waiting = [alarm.entry for alarm in self.standing() if alarm.acknowledged is None]
        return [entry for entry in waiting if (entry.key, entry.rx_s) in seen]


def _rank(alarm: Alarm) -> tuple[int, bool, float]:
    severity = alarm.entry.severity
    worst = SEVERITIES.index(severity) if severity in SEVERITIES else len(SEVERITIES)
    return (-worst, alarm.acknowledged is not None, -alarm.entry.rx_s)
