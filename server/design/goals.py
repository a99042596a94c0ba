"""What a flight is for: goals on the vehicle's sheet, each with a condition of one of a few kinds on what is recorded.

    [vehicle]
    on_trial = ["new tail fins", "both cameras on one board"]   parts that fly for the first time

    [[vehicle.goals]]
    what = "Control enabled for at least 2 s"
    kind = "on_for"                  one flag was on for so long without a break
    role = "control.enabled"
    at_least_s = 2.0

    kind = "seen"                    every one of these flags was on at some time of the flight
    roles = ["recovery[1].fired", "recovery[2].fired"]

    kind = "on_to_landing"           one flag was on from lift-off until it had landed
    role = "camera[2].recording"

    kind = "figure"                  a number of one of the flight's figures lies within bounds
    figure = "descent"
    number = "rate_m_s"
    at_most = 6.0                    or at_least, or both

This is no language: another kind is refused. Whether a role or figure is told is known only after the flight.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import isfinite

GOALS_AT_MOST = 12
TEXT_AT_MOST = 120


class GoalFault(Exception):
    """A goal cannot be read; the text is one sentence without its end."""


@dataclass(frozen=True)
class Goal:
    """One goal; which of the fields are filled depends on its kind."""

    what: str
    kind: str
    roles: tuple[str, ...] = ()
    at_least_s: float = 0.0
    figure: str = ""
    number: str = ""
    at_least: float | None = None
    at_most: float | None = None


@dataclass(frozen=True)
class Card:
    """What a flight is for."""

    goals: tuple[Goal, ...] = ()
    on_trial: tuple[str, ...] = ()


def card_of(vehicle: Mapping[str, object]) -> Card:
    """Return the goals and parts on trial of a vehicle's sheet; raises GoalFault."""
    goals, parts = vehicle.get("goals", []), vehicle.get("on_trial", [])
    if not isinstance(goals, list) or len(goals) > GOALS_AT_MOST:
        raise GoalFault(f"vehicle.goals must be at most {GOALS_AT_MOST} tables")
    if not isinstance(parts, list) or len(parts) > GOALS_AT_MOST:
        raise GoalFault(f"vehicle.on_trial must be a list of at most {GOALS_AT_MOST} texts")
    return Card(
        tuple(_goal(goal, f"vehicle.goals, number {i}") for i, goal in enumerate(goals, start=1)),
        tuple(_text(part, "vehicle.on_trial") for part in parts),
    )


def _goal(table: object, where: str) -> Goal:
    if not isinstance(table, Mapping):
        raise GoalFault(f"{where}: must be a table")
    what, kind = _text(table.get("what"), f"{where}, what"), table.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        raise GoalFault(f"{where}: the kind {kind!r} is not known; there are {', '.join(KINDS)}")
    keys, read = KINDS[kind]
    strange = [key for key in table if key not in ("what", "kind", *keys)]
    if strange:
        raise GoalFault(f"{where}: {strange[0]!r} is not a key of the kind {kind}")
    return read(what, kind, table, where)


def _on_for(what: str, kind: str, table: Mapping[str, object], where: str) -> Goal:
    seconds = _number(table.get("at_least_s"), f"{where}, at_least_s")
    if seconds is None or seconds <= 0:
        raise GoalFault(f"{where}, at_least_s: must be a number of seconds above 0")
    return Goal(what, kind, (_text(table.get("role"), f"{where}, role"),), at_least_s=seconds)


def _seen(what: str, kind: str, table: Mapping[str, object], where: str) -> Goal:
    roles = table.get("roles")
    if not isinstance(roles, list) or not 1 <= len(roles) <= GOALS_AT_MOST:
        raise GoalFault(f"{where}, roles: must be a list of roles")
    return Goal(what, kind, tuple(_text(role, f"{where}, roles") for role in roles))


def _on_to_landing(what: str, kind: str, table: Mapping[str, object], where: str) -> Goal:
    return Goal(what, kind, (_text(table.get("role"), f"{where}, role"),))


def _figure(what: str, kind: str, table: Mapping[str, object], where: str) -> Goal:
    figure, number = _text(table.get("figure"), f"{where}, figure"), _text(table.get("number"), f"{where}, number")
    low, high = (_number(table.get(key), f"{where}, {key}") for key in ("at_least", "at_most"))
    if low is None and high is None:
        raise GoalFault(f"{where}: needs at_least or at_most")
    return Goal(what, kind, figure=figure, number=number, at_least=low, at_most=high)


KINDS: dict[str, tuple[tuple[str, ...], Callable[[str, str, Mapping[str, object], str], Goal]]] = {
    "on_for": (("role", "at_least_s"), _on_for),
    "seen": (("roles",), _seen),
    "on_to_landing": (("role",), _on_to_landing),
    "figure": (("figure", "number", "at_least", "at_most"), _figure),
}


def _text(value: object, where: str) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > TEXT_AT_MOST or not value.isprintable():
        raise GoalFault(f"{where}: must be one line of 1 to {TEXT_AT_MOST} printable letters")
    return value


def _number(value: object, where: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e12 or not isfinite(value):
        raise GoalFault(f"{where}: must be a number")
    return float(value)
