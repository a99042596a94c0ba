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


STEPS = frozenset({"command"})  # what became of a command step by step; its outcome stands among the commands
SAME_WITHIN_S = 5.0
# What is one thing, told twice: by the station and by the vehicle, which says some in words and as its phase.
SUBJECTS = (
    ("lift-off", ("lift-off", "vehicle says: boost")),
    ("burnout", ("burnout", "vehicle says: coast")),
    ("apogee", ("apogee", "vehicle says: descent")),
    ("control enabled", ("control enabled",)),
    ("control disabled", ("control disabled",)),
    ("deployment", ("deployment",)),
    ("landed", ("landed", "vehicle says: landed")),
    ("startup", ("startup", "vehicle says: startup")),
    ("pad", ("phase pad", "vehicle says: pad")),
    ("ground test", ("phase ground test", "vehicle says: ground test")),
)


def told_events(entries: Sequence[JournalEntry]) -> list[Event]:
    """Return the events without the steps of commands."""
    return events_of([entry for entry in entries if entry.topic not in STEPS])


def once(events: Sequence[Event]) -> list[Event]:
    """Return events in order of time, what station and vehicle both tell in one line at the station's time.

    The vehicle's own words stand behind the station's where they say more than its phase.
    """
    kept: list[Event] = []
    open_at: dict[str, int] = {}
    for event in events:
        subject = next((name for name, begins in SUBJECTS if event.text.startswith(begins)), None)
        place = open_at.get(subject) if subject is not None else None
        if subject is None or place is None or event.t - kept[place].t > SAME_WITHIN_S:
            if subject is not None:
                open_at[subject] = len(kept)
            kept.append(event)
            continue
        kept[place] = _joined(kept[place], event)
    return sorted(kept, key=lambda event: event.t)


def _joined(one: Event, other: Event) -> Event:
    """Return two tellings of one thing as one: the station's first, what only names a phase left out."""
    first, second = (one, other) if one.by == STATION or other.by != STATION else (other, one)
    says_more = not second.text.startswith(("vehicle says: ", "phase ")) and second.text not in first.text
    if first.text.startswith(("vehicle says: ", "phase ")) and says_more:
        first, second, says_more = second, first, False
    by = first.by if first.by == second.by or second.by in first.by else f"{first.by}, {second.by}"
    joint = "; vehicle: " if first.by.startswith(STATION) and second.by == VEHICLE else "; "
    text = f"{first.text}{joint}{second.text}" if says_more else first.text
    return Event(first.t if first.by.startswith(STATION) else min(one.t, other.t), by, first.severity, text)


def _is_dated(entry: JournalEntry) -> bool:
    """Return whether the station dates it: the vehicle's flags go on and off, and each time is a moment of its own."""
    return entry.topic == "moment" and "on" not in entry.body


def _by(entry: JournalEntry) -> str:
    is_said = entry.topic == "event" or (entry.topic == "phase" and entry.key == "vehicle")
    if is_said or (entry.topic == "moment" and "on" in entry.body):
        return VEHICLE
    return OPERATOR if entry.topic == "mark" else STATION
