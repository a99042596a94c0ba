"""A pad sheet out of a recording's journal, as it stood at the last lift-off, or else at the end; and blank ones.

A recording may hold anything: what is no sheet is none, what is no line is shown as unknown or open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from server.pad.plan import PadPlan
from server.pad.sheet import Line, SheetState, blank_line, line_of, summary_of
from server.telemetry.journal import JournalEntry

TOPIC = "pad_sheet"
AT_LIFT_OFF = "As it stood at lift-off"
AT_THE_END = "As it stood at the end of the recording"
BLANK = "Not filled in"


@dataclass(frozen=True)
class RecordedItem:
    """One item with its words and how it stood."""

    title: str
    bound: str
    why: str
    line: Line

    def cells(self) -> tuple[str, str, str, str, str]:
        """Return what a table shows: standing, title, value, bound, who and when or what became of it."""
        line = self.line
        told = f"{line.by}, {line.at}" if line.by else line.cleared or ("met before" if line.lost else "")
        return line.standing.value, self.title, line.value, self.bound, told


@dataclass(frozen=True)
class RecordedSheet:
    """A whole sheet as it stood."""

    title: str
    note: str
    when: str
    groups: tuple[tuple[str, tuple[RecordedItem, ...]], ...]
    facts: str = ""  # vehicle, site and day, where a session tells them

    @property
    def heading(self) -> str:
        """When it stood so, and how many items were what."""
        standings = [item.line.standing for _, items in self.groups for item in items]
        return f"{self.when}: {summary_of(standings)}."


def recorded_sheet(entries: Sequence[JournalEntry]) -> RecordedSheet | None:
    """Return the sheet of a session's journal, None when no sheet was shown in it."""
    kept = [entry for entry in entries if entry.topic == TOPIC]
    closed = [i for i, e in enumerate(kept) if e.key == "sheet" and e.body.get("state") == SheetState.CLOSED.value]
    states = {entry.key: entry.body for entry in kept[: closed[-1] + 1 if closed else len(kept)]}
    if "definition" not in states:
        return None
    definition = states["definition"]
    groups = tuple(
        (str(group.get("title", "")), tuple(_recorded_item(item, states) for item in _tables(group, "items")))
        for group in _tables(definition, "groups")
    )
    when = AT_LIFT_OFF if closed else AT_THE_END
    return RecordedSheet(str(definition.get("title", "")), str(definition.get("note", "")), when, groups)


def _recorded_item(item: Mapping[str, object], states: Mapping[str, Mapping[str, object]]) -> RecordedItem:
    line = line_of(states.get(f"item {item.get('name')}", {})) or blank_line(bool(item.get("automatic")))
    return RecordedItem(str(item.get("title", "")), str(item.get("bound", "")), str(item.get("why", "")), line)


def _tables(body: Mapping[str, object], key: str) -> list[Mapping[str, object]]:
    items = body.get(key)
    return [item for item in items if isinstance(item, Mapping)] if isinstance(items, list) else []


def blank_sheet(plan: PadPlan) -> RecordedSheet:
    """Return a sheet that nobody has filled in, to be looked over or printed."""
    groups = tuple(
        (group.title, tuple(RecordedItem(i.title, i.bound, i.why, blank_line(i.automatic)) for i in group.items))
        for group in plan.groups
    )
    return RecordedSheet(plan.title, plan.note, BLANK, groups)
