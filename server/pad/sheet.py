"""A pad sheet as it stands: what each item says, who ticked what, and when the sheet is cleared. Pure; time is an argument.

An automatic item is *met*, *not met* or *unknown*: no number, none that is one, or none young enough. A manual item is
*open* until a person ticks it; where a number is asked for, one beyond its bounds makes it *not met*. Bad news counts at
once; good news only after `GOOD_AFTER_S` without a break, so that a number at its bound does not flicker.

When ticks are cleared: a tick is a person's word about the vehicle as it stands there, and no second flight may inherit it.

- At lift-off the sheet is *closed*: it keeps what it said just before and takes no more ticks, so that the recording
  answers what was known when the vehicle left.
- After landing a new round begins with every tick gone.
- When the vehicle restarts, on the pad or later, a new round begins as well: somebody has been at its switches, and what
  was true of keys, covers and parachutes before may not be true now.
- A person can begin a new round, after a scrub for example.

What was cleared is said on each item that had been ticked, and in the list of events.

The sheet advises. It never says that anybody may launch: the range safety officer decides, and every form of it says so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from protocol.dictionary import Dictionary
from server.design.pad_wind import QUANTITY, PadWind, wind_of
from server.pad.plan import Item, PadPlan
from server.telemetry.conditions import Check, Readings, check_condition

GOOD_AFTER_S = 2.0
TOLD_AFTER_S = 3.0  # how long an item must have been lost before it is an event; at lift-off half the sheet is, for a moment
REMEMBERED_S = 10.0  # how far back the sheet can say what it said just before the lift-off
# What no telemetry tells, so that a page knows its value by the journal alone: each change is kept, not only a new standing.
UNTOLD = frozenset({QUANTITY})
NUMBER_AT_MOST = 1e9  # also refuses what is no number, and whole numbers of a thousand digits
ADVICE = "This sheet advises. The range safety officer decides."


class Standing(StrEnum):
    """What an item says."""

    MET = "met"
    NOT_MET = "not met"
    UNKNOWN = "unknown"
    OPEN = "open"


class SheetState(StrEnum):
    """Whether the sheet still follows the vehicle."""

    OPEN = "open"
    CLOSED = "closed"


class SheetEvent(StrEnum):
    """What can happen to a sheet."""

    LIFT_OFF = "the vehicle has lifted off"
    LANDING = "the vehicle has landed"
    RESTART = "the vehicle restarted"
    AFRESH = "begun afresh by a person"


SHEET_TRANSITIONS: dict[SheetState, dict[SheetEvent, SheetState]] = {
    SheetState.OPEN: {
        SheetEvent.LIFT_OFF: SheetState.CLOSED,
        SheetEvent.LANDING: SheetState.OPEN,
        SheetEvent.RESTART: SheetState.OPEN,
        SheetEvent.AFRESH: SheetState.OPEN,
    },
    SheetState.CLOSED: {SheetEvent.LANDING: SheetState.OPEN, SheetEvent.RESTART: SheetState.OPEN},
}


@dataclass(frozen=True)
class Line:
    """One item as it stands. Seconds are session seconds, `at` is UTC as ISO 8601."""

    standing: Standing
    value: str = ""
    since_s: float = 0.0
    lost: bool = False  # an automatic item that has been met before in this round, and is not now
    by: str = ""
    at: str = ""
    number: float | None = None
    cleared: str = ""  # why the tick it had is gone

    def body(self) -> dict[str, object]:
        """Return what the session keeps of it."""
        return {
            "standing": self.standing.value,
            "value": self.value,
            "since_rx": self.since_s,
            "lost": self.lost,
            "by": self.by,
            "at": self.at,
            "number": self.number,
            "cleared": self.cleared,
        }


@dataclass(frozen=True)
class Change:
    """One journal entry the sheet wants: key "sheet" for the whole, "item NAME" for a line; `text` is for people."""

    key: str
    severity: str
    text: str
    body: Mapping[str, object]


class PadSheet:
    """One sheet over one session."""

    def __init__(self, plan: PadPlan, dictionary: Dictionary) -> None:
        self.plan, self._dictionary = plan, dictionary
        self.state, self.round, self.why = SheetState.OPEN, 1, ""
        self._items = {item.name: item for item in plan.items}
        self.lines = {item.name: blank_line(item.automatic) for item in plan.items}
        self._good_since: dict[str, float] = {}
        self._untold: dict[str, float] = {}  # items lost since then, not yet told as an event
        self._past: deque[tuple[float, dict[str, Line]]] = deque()
        self._changes: list[Change] = []

    # ------------------------------------------------------------ what the station sees

    def look(self, readings: Readings, now_s: float) -> None:
        """Look at every automatic item as of `now_s`; a closed sheet stays as it was."""
        if self.state is SheetState.CLOSED:
            return
        for item in self.plan.items:
            if item.automatic:
                self._look_at(item, readings, now_s)
        self._past.append((now_s, dict(self.lines)))
        while self._past[0][0] < now_s - REMEMBERED_S:
            self._past.popleft()

    def _look_at(self, item: Item, readings: Readings, now_s: float) -> None:
        seen, value = look_at(item, self._dictionary, readings, now_s)
        before = self.lines[item.name]
        if seen is not Standing.MET:
            self._good_since.pop(item.name, None)
        elif before.standing is not Standing.MET:
            if now_s - self._good_since.setdefault(item.name, now_s) < GOOD_AFTER_S:
                seen = before.standing
        if seen is before.standing:
            self.lines[item.name] = replace(before, value=value)
            if value != before.value and any(one.role in UNTOLD for one in item.conditions):
                self._put(item.name, self.lines[item.name])
            self._tell_lost(item, now_s)
            return
        was_met = before.standing is Standing.MET
        lost = seen is not Standing.MET and (was_met or before.lost)
        since_s = before.since_s if before.lost and lost else now_s  # not met, then unknown: lost since the first
        self._put(item.name, Line(seen, value, since_s, lost))
        if was_met:
            self._untold[item.name] = now_s
        if seen is Standing.MET:
            self._untold.pop(item.name, None)

    def _tell_lost(self, item: Item, now_s: float) -> None:
        """An item that was met and stays not met is an event; what is only unknown is told by the link's own alarm."""
        line = self.lines[item.name]
        if line.standing is Standing.NOT_MET and now_s - self._untold.get(item.name, now_s) >= TOLD_AFTER_S:
            del self._untold[item.name]
            self._put(item.name, line, f"Pad sheet: {item.title}: {line.value}, no longer {item.bound}", "caution")

    # ------------------------------------------------------------ acts of a person

    def tick(self, name: str, round: int, by: str, at: str, now_s: float, number: object = None) -> str | None:
        """Tick a manual item; return why not, or None when it is done."""
        problem = self._why_not(name, round)
        if problem:
            return problem
        item = self._items[name]
        value, words, standing = None, "", Standing.MET
        if item.number is not None:
            if isinstance(number, bool) or not isinstance(number, int | float) or not abs(number) <= NUMBER_AT_MOST:
                return f"'{item.title}' needs a number in {item.number.unit}"
            value = float(number)
            standing = Standing.MET if item.number.is_met(value) else Standing.NOT_MET
            words = f"{value:g} {item.number.unit}"
        line = Line(standing, words, now_s, by=by, at=at, number=value)
        text = f"Pad sheet: {by} ticked '{item.title}'" + (f": {words}, {standing.value}" if words else "")
        self._put(name, line, text, "info" if standing is Standing.MET else "caution")
        return None

    def untick(self, name: str, round: int, by: str, at: str, now_s: float) -> str | None:
        """Take a tick back; return why not, or None when it is done."""
        problem = self._why_not(name, round)
        if problem:
            return problem
        if self.lines[name].by == "":
            return "this item is not ticked"
        line = Line(Standing.OPEN, since_s=now_s, cleared=f"taken back by {by}")
        self._put(name, line, f"Pad sheet: {by} took the tick of '{self._items[name].title}' back")
        return None

    def begin_afresh(self, round: int, by: str, now_s: float) -> str | None:
        """Clear every tick at a person's wish; return why not, or None when it is done."""
        problem = self._why_closed(round)
        if problem is None:
            self.happen(SheetEvent.AFRESH, now_s, f"{by} wished it")
        return problem

    def _why_not(self, name: str, round: int) -> str | None:
        item = self._items.get(name)
        if item is None or item.automatic:
            return "there is no such item to tick on the pad sheet"
        return self._why_closed(round)

    def _why_closed(self, round: int) -> str | None:
        if self.state is SheetState.CLOSED:
            return "the vehicle has lifted off: the pad sheet stays as it was"
        if round != self.round:
            return "the pad sheet was cleared meanwhile; look at it again"
        return None

    # ------------------------------------------------------------ what happens to the vehicle

    def happen(self, event: SheetEvent, now_s: float, why: str = "", as_of_s: float | None = None) -> None:
        """Close the sheet or begin a new round, by the table; a lift-off at `as_of_s` keeps what was said before it."""
        following = SHEET_TRANSITIONS[self.state].get(event)
        if following is None:
            return
        self.state, self.why = following, why or event.value
        if following is SheetState.CLOSED:
            self._close(now_s if as_of_s is None else as_of_s)
            self._say("info", f"Pad sheet closed at lift-off: {self.summary()}", now_s)
            return
        ticked = self._clear(now_s)
        self.round += 1
        words = "begun anew" if not ticked else "cleared of 1 tick" if ticked == 1 else f"cleared of {ticked} ticks"
        self._say("caution" if ticked else "info", f"Pad sheet {words}: {self.why}", now_s)

    def _close(self, as_of_s: float) -> None:
        """Put back what the automatic items said last before the lift-off; noticing it takes a moment."""
        before = [lines for at_s, lines in self._past if at_s <= as_of_s] or [lines for _, lines in self._past][:1]
        for name, item in self._items.items():
            self._put(name, before[-1][name] if before and item.automatic else self.lines[name])
        self._past.clear()
        self._untold.clear()

    def _clear(self, now_s: float) -> int:
        """Return how many ticks went; what automatic items have been through counts no longer."""
        self._good_since.clear()
        self._untold.clear()
        self._past.clear()
        ticked = 0
        for name, item in self._items.items():
            line = self.lines[name]
            if line.by:
                ticked += 1
                cleared = f"was ticked by {line.by}; cleared: {self.why}"
                self._put(name, Line(Standing.OPEN, since_s=now_s, cleared=cleared))
            elif item.automatic or line.cleared:
                self._put(name, replace(blank_line(item.automatic), since_s=now_s))
        return ticked

    # ------------------------------------------------------------ what is told

    def begin(self, now_s: float) -> None:
        """Put the sheet and every line into the journal, as a session begins or goes on."""
        self._say("info", "", now_s)
        for name, line in self.lines.items():
            self._put(name, line)

    def keep_values(self) -> None:
        """Put every line into the journal with the value it has now, as a session ends."""
        for name, line in self.lines.items():
            self._put(name, line)

    def take_up(self, states: Mapping[str, Mapping[str, object]], same_text: bool, now_s: float) -> None:
        """Go on after a crash of the station from the journal's last entries by key.

        Ticks are kept only for the same text: what a person has ticked is the sentence that stood there.
        """
        kept = states.get("sheet", {})
        round = kept.get("round")
        self.round = round if isinstance(round, int) else 1
        if not same_text:
            self.round += 1
            self.why = "the sheet's text is another one"
            self._say("caution", f"Pad sheet begun anew: {self.why}", now_s)
            return
        self.state = SheetState.CLOSED if kept.get("state") == SheetState.CLOSED.value else SheetState.OPEN
        self.why = str(kept.get("why", ""))
        for name, item in self._items.items():
            line = line_of(states.get(f"item {name}", {}))
            if line is not None and (not item.automatic or self.state is SheetState.CLOSED):
                self.lines[name] = line

    @property
    def wind(self) -> PadWind | None:
        """The wind measured at the pad, None while no item that measures it is ticked."""
        named = (name for name, item in self._items.items() if item.number is not None and item.number.measures)
        found = [wind for name in named if (wind := wind_of(self.lines[name].body())) is not None]
        return found[-1] if found else None

    def summary(self) -> str:
        """Return the sheet in one line."""
        return summary_of(line.standing for line in self.lines.values())

    def take_changes(self) -> list[Change]:
        """Return what is to be kept since the last call, in order."""
        changes, self._changes = self._changes, []
        return changes

    def _put(self, name: str, line: Line, text: str = "", severity: str = "info") -> None:
        self.lines[name] = line
        number = self._items[name].number
        measures = {"measures": number.measures} if number is not None and number.measures else {}
        self._changes.append(Change(f"item {name}", severity, text, {**line.body(), **measures}))

    def _say(self, severity: str, text: str, now_s: float) -> None:
        body = {"state": self.state.value, "round": self.round, "why": self.why, "since_rx": now_s}
        self._changes.append(Change("sheet", severity, text, body))


def look_at(item: Item, dictionary: Dictionary, readings: Readings, now_s: float) -> tuple[Standing, str]:
    """Return what an automatic item says as of `now_s`, with the measured value in words.

    Of a family the worst counts: one that is not met, else one that is unknown.
    """
    checks = [check_condition(dictionary, one, {}, readings, now_s, item.age_s) for one in item.conditions]
    if item.flags:
        value = _flags_text(item, checks)
    else:
        worst = min(checks, key=lambda check: _rank(item, check))
        value = worst.value_text
    if any(check.known and not check.met for check in checks):
        return Standing.NOT_MET, value
    return (Standing.MET if all(check.met for check in checks) else Standing.UNKNOWN), value


def _flags_text(item: Item, checks: list[Check]) -> str:
    if not all(check.known for check in checks):
        return next(check.value_text for check in checks if not check.known)
    if len(checks) == 1:
        return "yes" if checks[0].value else "no"
    return f"{sum(check.met for check in checks)} of {len(checks)}"


def _rank(item: Item, check: Check) -> tuple[int, float]:
    """Order checks of one item from worst to best: not met, unknown, met; among those by how near the bound they are."""
    kind = 0 if check.known and not check.met else 1 if not check.known else 2
    nearness = 0.0 if check.value is None or not check.known else check.value
    return kind, -nearness if item.conditions[0].comparison == "at_most" else nearness


def summary_of(standings: Iterable[Standing]) -> str:
    """Return the state of a whole sheet in words: advice, no permission."""
    kept = list(standings)
    counts = [(standing, kept.count(standing)) for standing in (Standing.NOT_MET, Standing.UNKNOWN, Standing.OPEN)]
    parts = [f"{count} {standing.value}" for standing, count in counts if count]
    return f"{', '.join(parts)} of {len(kept)}" if parts else f"all {len(kept)} items met"


def line_of(body: Mapping[str, object]) -> Line | None:
    """Return a line as a session kept it, or None for what is no line; a recording may hold anything."""
    try:
        number = body.get("number")
        return Line(
            Standing(str(body["standing"])),
            str(body.get("value", "")),
            float(str(body.get("since_rx", 0.0))),
            bool(body.get("lost", False)),
            str(body.get("by", "")),
            str(body.get("at", "")),
            float(number) if isinstance(number, int | float) else None,
            str(body.get("cleared", "")),
        )
    except (KeyError, ValueError):
        return None


def blank_line(automatic: bool) -> Line:
    """Return an item of which nothing is known yet."""
    return Line(Standing.UNKNOWN, "not reported") if automatic else Line(Standing.OPEN)
