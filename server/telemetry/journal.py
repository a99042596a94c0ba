"""The journal: everything of a session that is not a row of numbers.

The latest entry of a (topic, key) pair at a moment *is* the state of that thing at that moment; entries with a text are
also what a person reads as the list of events. Live and replay make their journals by the same code from the same
records, so they are equal entry for entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import nan
from typing import TypedDict

SEVERITIES = ("info", "caution", "warning")


class JournalShape(TypedDict):
    """A journal entry as the page reads it: `i` counts all entries of the session, `rx` is the arrival."""

    i: int
    rx: float
    t: float
    topic: str
    key: str
    severity: str
    text: str
    body: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One journal entry: arrival (session seconds), timeline t, what it is about, what happened, and details."""

    rx_s: float
    t: float
    topic: str
    key: str
    severity: str
    text: str
    body: Mapping[str, object] = field(default_factory=dict)

    def number(self, name: str) -> float:
        """Return a number of the body; NaN where it holds none of that name."""
        value = self.body.get(name)
        return float(value) if isinstance(value, int | float) else nan

    def as_dict(self, index: int) -> JournalShape:
        """Return the shape the page reads; `index` counts all entries of the session."""
        return {
            "i": index,
            "rx": self.rx_s,
            "t": self.t,
            "topic": self.topic,
            "key": self.key,
            "severity": self.severity,
            "text": self.text,
            "body": self.body,
        }
