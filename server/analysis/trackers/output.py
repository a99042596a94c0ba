"""What a batch led to, and where in the session each piece of it belongs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from server.analysis.figures.figure import Figure
from server.telemetry.batch import Rows
from server.telemetry.journal import JournalEntry

NOTHING: Mapping[str, object] = {}


class Instant(NamedTuple):
    """One frame: its order in the session, when it arrived (session seconds), and the timeline second it stands for."""

    order: int
    rx_s: float
    t: float

    @classmethod
    def of(cls, rows: Rows, row: int) -> Instant:
        """Return the instant of one row."""
        return cls(int(rows.order[row]), float(rows.rx_s[row]), float(rows.t[row]))


@dataclass
class TrackerOutput:
    """Computed rows by table, journal entries with the order they belong to, and figures by the place of their entry."""

    rows: dict[str, Rows] = field(default_factory=dict)
    entries: list[tuple[int, JournalEntry]] = field(default_factory=list)
    figures: dict[int, Figure] = field(default_factory=dict)

    def note(
        self, at: Instant, topic: str, key: str, severity: str, text: str, body: Mapping[str, object] = NOTHING
    ) -> None:
        """Add one journal entry."""
        self.entries.append((at.order, JournalEntry(at.rx_s, at.t, topic, key, severity, text, body)))

    def note_figure(self, at: Instant, figure: Figure) -> None:
        """Add the journal entry of a figure: the one place where it becomes names and values."""
        self.figures[len(self.entries)] = figure
        self.note(at, "figure", figure.key, figure.severity, figure.text, figure.body())
