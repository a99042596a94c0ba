"""What happened in a session, for a list in order of time: each moment once by each who tells it, and whose word it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from server.telemetry.journal import JournalEntry

JUDGED = frozenset({"finding", "figure"})  # a report has places of their own for them
STATION, VEHICLE, OPERATOR = "station", "vehicle", "operator"


@dataclass(frozen=True)
class Event:
    """One line: the timeline second it happened at, whose word it is, how grave, what."""

    t: float
    by: str
    severity: str
    text: str


def events_of(entries: Sequence[JournalEntry]) -> list[Event]:
    """Return the events of a journal. A moment that was dated anew is told by its last word, where it then lies."""
    told = [entry for entry in entries if entry.text and entry.topic not in JUDGED]
    last = {entry.key: entry for entry in told if _is_dated(entry)}
    events = [
        Event(entry.number("t") if entry.topic == "moment" else entry.t, _by(entry), entry.severity, entry.text)
        for entry in told
        if not _is_dated(entry) or last[entry.key] is entry
    ]
    return sorted(events, key=lambda event: event.t)


def _is_dated(entry: JournalEntry) -> bool:
    """Return whether the station dates it: the vehicle's flags go on and off, and each time is a moment of its own."""
    return entry.topic == "moment" and "on" not in entry.body


def _by(entry: JournalEntry) -> str:
    is_said = entry.topic == "event" or (entry.topic == "phase" and entry.key == "vehicle")
    if is_said or (entry.topic == "moment" and "on" in entry.body):
        return VEHICLE
    return OPERATOR if entry.topic == "mark" else STATION
