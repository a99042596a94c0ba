"""What a batch led to, and where in the session each piece of it belongs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from server.analysis.figures.figure import Figure
from server.telemetry.batch import Batch, Rows, joined
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


TEXT_AT_MOST = 200
JUDGED_BY = frozenset({"moment", "figure"})  # topics of entries that judging goes by


class Fault(NamedTuple):
    """Something that raised: a sentence without its end, and the error."""

    text: str
    error: Exception


class Mark(NamedTuple):
    """How far an output had come."""

    tables: int
    entries: int


class Told(NamedTuple):
    """A moment or figure as judging reads it: the frame it belongs to, its entry, and the figure where it is one."""

    order: int
    entry: JournalEntry
    figure: Figure | None


def fault_text(lost: str, error: Exception) -> str:
    """Return the one sentence of a part of the station that raised; `lost` says what it could not do."""
    said = " ".join(f"{type(error).__name__}: {error}".split())[:TEXT_AT_MOST]
    return f"{lost}: {said}"


def fault_entry(at: Instant, key: str, lost: str, error: Exception) -> JournalEntry:
    """Return the one entry of a part of the station that raised."""
    body = {"error": type(error).__name__}
    return JournalEntry(at.rx_s, at.t, "fault", key, "caution", fault_text(lost, error), body)


@dataclass
class TrackerOutput:
    """Computed rows by table, journal entries with the order they belong to, and figures by the place of their entry.

    `faults` holds what raised meanwhile; each has its entry, and whoever uses the output logs them. `frames` (as
    `PacketKindsTracker` counts them) and `told` are for judging, once all trackers have had their turn.
    """

    rows: dict[str, Rows] = field(default_factory=dict)
    entries: list[tuple[int, JournalEntry]] = field(default_factory=list)
    figures: dict[int, Figure] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    frames: Rows | None = None
    told: list[Told] = field(default_factory=list)

    def close(self, frames: Rows | None) -> TrackerOutput:
        """Every tracker had its turn: keep what judging reads, and bring the entries into the order of their frames."""
        self.frames = frames
        self.told = [
            Told(order, entry, self.figures.get(place))
            for place, (order, entry) in enumerate(self.entries)
            if entry.topic in JUDGED_BY
        ]
        self.figures.clear()
        self.entries.sort(key=lambda item: item[0])
        return self

    def followed_by(self, later: TrackerOutput) -> TrackerOutput:
        """Return this output and that of the stretch after it as one."""
        tables = {name: [out.rows[name] for out in (self, later) if name in out.rows] for name in (*self.rows, *later.rows)}
        frames = [out.frames for out in (self, later) if out.frames is not None]
        return TrackerOutput(
            {name: joined(parts) for name, parts in tables.items()},
            self.entries + later.entries,
            faults=self.faults + later.faults,
            frames=joined(frames) if frames else None,
            told=self.told + later.told,
        )

    def mark(self) -> Mark:
        """Return how far it is, to go back to."""
        return Mark(len(self.rows), len(self.entries))

    def go_back(self, mark: Mark) -> None:
        """Drop everything that was added since."""
        del self.entries[mark.entries :]
        for place in [place for place in self.figures if place >= mark.entries]:
            del self.figures[place]
        for table in list(self.rows)[mark.tables :]:  # a table that was there before keeps its place
            del self.rows[table]

    def note(
        self, at: Instant, topic: str, key: str, severity: str, text: str, body: Mapping[str, object] = NOTHING
    ) -> None:
        """Add one journal entry."""
        self.entries.append((at.order, JournalEntry(at.rx_s, at.t, topic, key, severity, text, body)))

    def note_fault(self, at: Instant, key: str, lost: str, error: Exception) -> None:
        """Add the journal entry of something that raised."""
        self.faults.append(Fault(lost, error))
        self.entries.append((at.order, fault_entry(at, key, lost, error)))

    def note_figure(self, at: Instant, figure: Figure) -> None:
        """Add the journal entry of a figure: the one place where it becomes names and values."""
        self.figures[len(self.entries)] = figure
        self.note(at, "figure", figure.key, figure.severity, figure.text, figure.body())


class Tracker(Protocol):
    """Looks at batches in order and keeps all state between them."""

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Add to `out` everything new that `batch` allows."""
