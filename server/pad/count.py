"""The count to the launch: set, started, held, resumed and recycled by a person. Pure; time is an argument.

It fires nothing, and nothing that can fire looks at it: no command, interlock or trial may import it (a test holds that).
The range safety officer's voice rules, and every form of the count says so.

A hold point is a second before zero at which the count holds by itself, every time; it runs on only by a person's act, and
only when the item it belongs to is met. No red line of the pad sheet may stand when the count is started or resumed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import inf, isfinite

SET_S = 60.0  # invented: a minute is what a small field's voice count takes
SET_AT_LEAST_S, SET_AT_MOST_S = 1.0, 3600.0
CALLED_S = (60, 30, 10, 5, 4, 3, 2, 1)
ADVICE = "This count fires nothing. The range safety officer's voice rules."


class CountState(StrEnum):
    """Where the count stands."""

    SET = "set"
    RUNNING = "running"
    HELD = "held"
    PAST = "past zero"
    UNKNOWN = "unknown"
    FLOWN = "flown"


class CountEvent(StrEnum):
    """What can happen to it: a person's acts first."""

    ADJUST = "set"
    START = "start"
    HOLD = "hold"
    RESUME = "resume"
    RECYCLE = "recycle"
    HOLD_POINT = "hold point"
    ZERO = "zero"
    LIFT_OFF = "lift-off"
    LANDING = "landing"
    VEHICLE_RESTART = "the vehicle restarted"
    STATION_RESTART = "the station was restarted"


COUNT_TRANSITIONS: dict[CountState, dict[CountEvent, CountState]] = {
    CountState.SET: {
        CountEvent.ADJUST: CountState.SET,
        CountEvent.START: CountState.RUNNING,
        CountEvent.LIFT_OFF: CountState.FLOWN,
    },
    CountState.RUNNING: {
        CountEvent.HOLD: CountState.HELD,
        CountEvent.RECYCLE: CountState.HELD,
        CountEvent.HOLD_POINT: CountState.HELD,
        CountEvent.ZERO: CountState.PAST,
        CountEvent.LIFT_OFF: CountState.FLOWN,
        CountEvent.VEHICLE_RESTART: CountState.UNKNOWN,
        CountEvent.STATION_RESTART: CountState.HELD,
    },
    CountState.HELD: {
        CountEvent.ADJUST: CountState.HELD,
        CountEvent.RESUME: CountState.RUNNING,
        CountEvent.RECYCLE: CountState.HELD,
        CountEvent.LIFT_OFF: CountState.FLOWN,
        CountEvent.VEHICLE_RESTART: CountState.UNKNOWN,
        CountEvent.STATION_RESTART: CountState.HELD,
    },
    CountState.PAST: {
        CountEvent.HOLD: CountState.HELD,
        CountEvent.RECYCLE: CountState.HELD,
        CountEvent.LIFT_OFF: CountState.FLOWN,
        CountEvent.VEHICLE_RESTART: CountState.UNKNOWN,
        CountEvent.STATION_RESTART: CountState.UNKNOWN,
    },
    CountState.UNKNOWN: {CountEvent.RECYCLE: CountState.HELD, CountEvent.LIFT_OFF: CountState.FLOWN},
    CountState.FLOWN: {CountEvent.RECYCLE: CountState.HELD, CountEvent.LANDING: CountState.SET},
}
WORDS = {
    CountState.SET: "The count is not started",
    CountState.RUNNING: "The count is running",
    CountState.HELD: "The count is held",
    CountState.PAST: "The count is past zero",
    CountState.UNKNOWN: "The count is unknown: recycle it",
    CountState.FLOWN: "The vehicle has lifted off",
}
PERSONS = {CountEvent.ADJUST, CountEvent.START, CountEvent.HOLD, CountEvent.RESUME, CountEvent.RECYCLE}


@dataclass(frozen=True)
class HoldPoint:
    """One item of the pad sheet at which the count holds, `at_s` seconds before zero."""

    at_s: float
    title: str


@dataclass(frozen=True)
class Stops:
    """What keeps the count from running, as of now: titles of red lines, and of hold-point items that are not met."""

    red: Sequence[str] = ()
    unmet: Sequence[HoldPoint] = ()


@dataclass(frozen=True)
class CountChange:
    """One journal entry the count wants: key "state", or "second" for one that is called out."""

    key: str
    text: str
    body: Mapping[str, object]


class Count:
    """One count. `remaining_s` counts as of `at_s` (session seconds); it shrinks only while running or past zero."""

    def __init__(self, hold_points: Sequence[HoldPoint] = ()) -> None:
        self.state, self.set_s = CountState.SET, SET_S
        self._points = tuple(sorted(hold_points, key=lambda point: -point.at_s))
        self._remaining_s, self._at_s = SET_S, 0.0
        self._held_at_s = inf  # the last hold point that was reached; it and all before it have been held at
        self._called_s = inf  # the last second that was called out
        self._changes: list[CountChange] = []

    @property
    def is_moving(self) -> bool:
        """Whether it changes by itself."""
        return self.state in (CountState.RUNNING, CountState.PAST)

    def remaining_s(self, now_s: float) -> float:
        """Return the seconds before zero, negative after it; meaningless in the states UNKNOWN and FLOWN."""
        return self._remaining_s - (max(0.0, now_s - self._at_s) if self.is_moving else 0.0)

    # ------------------------------------------------------------ acts of a person

    def act(self, event: CountEvent, by: str, at: str, now_s: float, stops: Stops, seconds: object = None) -> str | None:
        """Carry out a person's act; return why not, or None when it is done."""
        self.look(now_s)  # what came by itself before the act counts before it
        if event not in PERSONS or event not in COUNT_TRANSITIONS[self.state]:
            return f"{WORDS[self.state][0].lower()}{WORDS[self.state][1:]}"
        if event is CountEvent.ADJUST:
            return self._adjust(by, at, now_s, seconds)
        remaining_s = self.remaining_s(now_s)
        if event in (CountEvent.START, CountEvent.RESUME):
            problem = self._why_not_run(remaining_s, stops)
            if problem:
                return problem
            self._go(event, remaining_s, now_s, "", by, at)
        elif event is CountEvent.RECYCLE:
            self._go(event, self.set_s, now_s, f"recycled by {by}", by, at)
        else:
            self._go(event, remaining_s, now_s, f"held by {by}", by, at)
        return None

    def _adjust(self, by: str, at: str, now_s: float, seconds: object) -> str | None:
        if isinstance(seconds, bool) or not isinstance(seconds, int | float):
            seconds = inf
        if not SET_AT_LEAST_S <= seconds <= SET_AT_MOST_S:
            return f"the count can be set to {SET_AT_LEAST_S:g} to {SET_AT_MOST_S:g} seconds before zero"
        self.set_s = float(round(seconds))
        self._go(CountEvent.ADJUST, self.set_s, now_s, f"set by {by}", by, at)
        return None

    def _why_not_run(self, remaining_s: float, stops: Stops) -> str | None:
        if remaining_s <= 0.0:
            return "the count is past zero: recycle it"
        if stops.red:
            return f"not met on the pad sheet: {', '.join(stops.red)}"
        waiting = [point for point in stops.unmet if point.at_s >= remaining_s]
        if waiting:
            return "hold point: " + ", ".join(f"{point.title} ({clock_text(point.at_s)})" for point in waiting)
        return None

    # ------------------------------------------------------------ what comes by itself

    def look(self, now_s: float) -> None:
        """Let time pass: hold at a hold point, call seconds, go past zero. Each takes place at its own moment."""
        while self.state is CountState.RUNNING:
            remaining_s = self.remaining_s(now_s)
            point = next((point for point in self._points if point.at_s < self._held_at_s), None)
            called = next((s for s in CALLED_S if s < self._called_s), None)
            due = max(0.0, point.at_s if point else 0.0, called or 0.0)
            if remaining_s > due:
                return
            moment_s = self._at_s + (self._remaining_s - due)
            if called is not None and called == due:
                self._called_s = float(called)
                self._changes.append(CountChange("second", "", {"seconds": called, "at_rx": moment_s}))
                if not (point and point.at_s == due):
                    continue
            if point and point.at_s == due:
                self._held_at_s = point.at_s
                why = f"hold point: {', '.join(one.title for one in self._points if one.at_s == point.at_s)}"
                self._go(CountEvent.HOLD_POINT, point.at_s, moment_s, why)
            else:
                self._go(CountEvent.ZERO, 0.0, moment_s)

    def happen(self, event: CountEvent, now_s: float) -> None:
        """Take what happened to vehicle or station, by the table; what it has no row for changes nothing."""
        self.look(now_s)
        if event in PERSONS or event not in COUNT_TRANSITIONS[self.state]:
            return
        restarts = event in (CountEvent.VEHICLE_RESTART, CountEvent.STATION_RESTART)
        remaining_s = self.set_s if event is CountEvent.LANDING else self.remaining_s(now_s)
        self._go(event, remaining_s, now_s, event.value if restarts else "")

    def take_up(self, body: Mapping[str, object], last_s: float, now_s: float) -> None:
        """Go on after a crash of the station from the journal's last state; `last_s` is when it was last there.

        A recording may hold anything: what is no count leaves a new one.
        """
        numbers = [body.get(key) for key in ("remaining_s", "at_rx", "set_s")]
        held_at = body.get("held_at_s")
        try:
            state = CountState(str(body.get("state")))
            remaining_s, at_s, set_s = (float(n) for n in numbers if isinstance(n, int | float))
        except ValueError:
            return
        if not (isfinite(remaining_s) and isfinite(at_s) and SET_AT_LEAST_S <= set_s <= SET_AT_MOST_S):
            return
        self.state, self.set_s = state, set_s
        self._remaining_s, self._at_s = remaining_s, at_s
        self._held_at_s = float(held_at) if isinstance(held_at, int | float) else inf
        # While the station was down nobody held: what it reached by then is looked at, and then it stands.
        self._called_s = remaining_s
        self.look(max(at_s, last_s))
        self._changes.clear()
        left_s = self.remaining_s(max(at_s, last_s))
        if CountEvent.STATION_RESTART in COUNT_TRANSITIONS[self.state]:
            self._go(CountEvent.STATION_RESTART, left_s, now_s, CountEvent.STATION_RESTART.value)
        else:
            self._say(now_s, "", "", "", "")

    # ------------------------------------------------------------ what is told

    def begin(self, now_s: float) -> None:
        """Put the count into the journal, as a session begins."""
        self._say(now_s, "", "", "", "")

    def take_changes(self) -> list[CountChange]:
        """Return what is to be kept since the last call, in order."""
        changes, self._changes = self._changes, []
        return changes

    def _go(self, event: CountEvent, remaining_s: float, at_s: float, why: str = "", by: str = "", at: str = "") -> None:
        self.state = COUNT_TRANSITIONS[self.state][event]
        self._remaining_s, self._at_s = remaining_s, at_s
        if event in (CountEvent.ADJUST, CountEvent.RECYCLE, CountEvent.LANDING):
            self._held_at_s = inf
        if event in (CountEvent.START, CountEvent.RESUME):
            self._called_s = remaining_s
            self._held_at_s = min([self._held_at_s, *(p.at_s for p in self._points if p.at_s >= remaining_s)])
        told = f"Count {clock_text(remaining_s)}: {EVENT_WORDS[event]}" + (f" by {by}" if by else f", {why}" if why else "")
        self._say(at_s, told, why, by, at, event.value)

    def _say(self, at_s: float, text: str, why: str, by: str, at: str, event: str = "") -> None:
        coming = [point.at_s for point in self._points if point.at_s < min(self._held_at_s, self._remaining_s)]
        body: dict[str, object] = {
            "state": self.state.value,
            "event": event,
            "remaining_s": self._remaining_s,
            "at_rx": at_s,
            "set_s": self.set_s,
            "held_at_s": self._held_at_s if isfinite(self._held_at_s) else None,
            "next_hold_s": max(coming, default=None),
            "why": why,
            "by": by,
            "at": at,
        }
        self._changes.append(CountChange("state", text, body))


EVENT_WORDS = {
    CountEvent.ADJUST: "set",
    CountEvent.START: "started",
    CountEvent.HOLD: "held",
    CountEvent.RESUME: "resumed",
    CountEvent.RECYCLE: "recycled and held",
    CountEvent.HOLD_POINT: "holds by itself",
    CountEvent.ZERO: "zero",
    CountEvent.LIFT_OFF: "the vehicle has lifted off",
    CountEvent.LANDING: "set anew after landing",
    CountEvent.VEHICLE_RESTART: "unknown",
    CountEvent.STATION_RESTART: "stands",
}


def clock_text(remaining_s: float) -> str:
    """Return the count as people write it: T-0:42; whole seconds, never ahead of the truth."""
    whole = -int(-remaining_s // 1) if remaining_s > 0 else int(-remaining_s)
    return f"T{'-' if remaining_s > 0 else '+'}{whole // 60}:{whole % 60:02d}"
