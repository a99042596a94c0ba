"""Interlocks and effects: comparing what telemetry says with what a command needs or promises.

Pure: telemetry is looked up through `Readings`, which knows the latest value of each role and when it arrived. A value
that is missing, stale or not finite never fulfills a condition.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, pi
from typing import Protocol

from protocol.commands import Command, Condition
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from protocol.fields import Channel
from protocol.units import conversion
from server.telemetry.computed_tables import COMPUTED_TABLES

# Our choice. The slowest telemetry that interlocks look at comes twice a second, so a value is believed through three lost
# packets and no longer; what a vehicle says of itself may be other 2 s later, and hazards are decided on it.
FRESH_S = 2.0
# Our choice: more than a packet waits for the ones before it on a busy radio; less is no news to a person.
SHOWN_LAG_S = 0.5
COMPUTED = {column.role: column for _, columns in COMPUTED_TABLES.values() for column in columns}
# How the station's own measurements are shown: factor from SI, decimals, unit.
GROUND_DISPLAY = {
    "ground.link_age": (1.0, 1, "s"),
    "ground.link_lag": (1.0, 1, "s"),
    "ground.link_loss": (100.0, 1, "%"),
    "ground.tilt": (180.0 / pi, 1, "deg"),
    "ground.pad_minutes_off": (1.0, 0, "min"),
    "ground.pad_minutes_on": (1.0, 0, "min"),
    "ground.warnings": (1.0, 0, ""),
    "site.wind": (1.0, 1, "m/s"),
    "units.force_apart": (1.0, 2, "m/s2"),
    "units.rate_apart": (180.0 / pi, 1, "deg/s"),
}


@dataclass(frozen=True, slots=True)
class Reading:
    """The latest value of a role, the session second it arrived, and how old it was then (`telemetry.lag`)."""

    value: float
    rx_s: float
    lag_s: float = 0.0

    @property
    def true_s(self) -> float:
        """The session second for which it holds: when it was sent, as far as can be told."""
        return self.rx_s - self.lag_s


class Readings(Protocol):
    """Where the latest values come from. `now_s` is in session seconds; ground roles are computed for that moment."""

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Return the latest reading of `role`, or None when there has been none."""
        ...


@dataclass(frozen=True, slots=True)
class Check:
    """One interlock looked at: met or not, with the measured value in words.

    What is not met is `known` when a fresh number says so; a pad sheet tells that from not knowing, an interlock need not.
    """

    name: str
    title: str
    met: bool
    value_text: str
    known: bool = True
    value: float | None = None

    def as_dict(self) -> dict[str, object]:
        """Return the shape the page shows."""
        return {"name": self.name, "title": self.title, "met": self.met, "value_text": self.value_text}


def check_conditions(
    dictionary: Dictionary,
    conditions: Sequence[Condition],
    args: Mapping[str, float],
    readings: Readings,
    now_s: float,
) -> list[Check]:
    """Look at each condition, in order, as of `now_s` (session seconds); `args` are the command's arguments by name."""
    return [check_condition(dictionary, condition, args, readings, now_s) for condition in conditions]


def effect_shown(
    dictionary: Dictionary,
    command: Command,
    args: Mapping[str, float],
    counter: int,
    readings: Readings,
    now_s: float,
    since_s: float,
) -> bool:
    """Tell whether telemetry from after `since_s`, its lag counted, shows every effect the dictionary names for `command`.

    A command without effects is never shown: there is nothing that could show it.
    """
    for condition in command.effects:
        if condition.only_if and not check_condition(dictionary, condition.only_if, args, readings, now_s).met:
            continue
        roles = dictionary.roles_matching(condition.role_for(args))
        if not roles:
            return False
        for role in roles:
            reading = readings.reading(role, now_s)
            if reading is None or reading.true_s <= since_s:
                return False
            if not _holds(condition, reading.value, args, counter, dictionary.roles.get(role)):
                return False
    return bool(command.effects)


def check_condition(
    dictionary: Dictionary,
    condition: Condition,
    args: Mapping[str, float],
    readings: Readings,
    now_s: float,
    fresh_s: float = FRESH_S,
) -> Check:
    """Look at one condition as of `now_s` (session seconds); a reading older than `fresh_s` says nothing."""
    role = condition.role_for(args)
    reading = readings.reading(role, now_s)
    if reading is None:
        return Check(condition.name, condition.title, False, "not reported", known=False)
    channel = dictionary.roles.get(role)
    text = value_text(role, reading.value, channel)
    age_s = now_s - reading.true_s
    if reading.lag_s > SHOWN_LAG_S:
        text = f"{text}, heard {now_s - reading.rx_s:.1f} s ago, {age_s:.1f} s old"
    elif not 0.0 <= age_s <= fresh_s:
        text = f"{text}, {age_s:.1f} s old"
    if not 0.0 <= age_s <= fresh_s:  # also refuses a time that is not a number or lies ahead
        return Check(condition.name, condition.title, False, text, known=False)
    met = _holds(condition, reading.value, args, 0, channel)
    return Check(condition.name, condition.title, met, text, isfinite(reading.value), reading.value)


def _holds(condition: Condition, value: float, args: Mapping[str, float], counter: int, channel: Channel | None) -> bool:
    """Compare; what cannot be compared (a text the channel does not have, a list too short) does not hold."""
    if not isfinite(value) or (condition.per is not None and args[condition.per] < 0):
        return False
    try:
        told = value if channel is None else channel.in_declared_unit(value)  # as the numbers of the file are
        return _compare(condition, told, condition.operand_for(args, counter), channel)
    except (ValueRefused, ValueError, TypeError, LookupError):
        return False


def _compare(condition: Condition, value: float, operand: object, channel: Channel | None) -> bool:
    if condition.comparison == "one_of":
        if not isinstance(operand, Iterable):
            raise TypeError("one_of compares with a list")
        return any(value == number_of(item, channel) for item in operand)
    target = number_of(operand, channel)
    if condition.comparison == "at_most":
        return value <= target
    if condition.comparison == "at_least":
        return value >= target
    return abs(value - target) <= condition.within


def number_of(operand: object, channel: Channel | None) -> float:
    """Return what a comparison's operand stands for in SI units: a number, or a text of the channel's.

    Raises ValueRefused, ValueError, TypeError or LookupError for what is neither.
    """
    if channel is not None:
        return channel.number_of(operand)
    if not isinstance(operand, str | int | float):
        raise TypeError(f"{operand!r} is no number")
    return float(operand)


def ground_display(role: str) -> tuple[float, int, str]:
    """Return how a value the station makes itself is shown: factor from SI, decimals, unit."""
    if role in GROUND_DISPLAY or role not in COMPUTED:
        return GROUND_DISPLAY.get(role, (1.0, 3, ""))
    column = COMPUTED[role]
    scale, _ = conversion(column.unit, column.display_unit) or (1.0, 0.0)  # none of them has an offset
    return scale, 2, "" if column.display_unit == "1" else column.display_unit


def value_text(role: str, value: float, channel: Channel | None) -> str:
    """Return a role's value in words: in the unit it is shown in, a flag with its name, an enum by its text."""
    if channel is None:
        scale, digits, unit = ground_display(role)
        return f"{value * scale:.{digits}f} {unit}".rstrip()
    if channel.kind == "enum":
        return channel.text_of(value) or f"{value:g}"
    if channel.kind == "flag":
        return f"{channel.name.replace('_', ' ')}: {'yes' if value else 'no'}"
    unit = "" if channel.display_unit == "1" else channel.display_unit
    return f"{value * channel.display_scale + channel.display_offset:.4g} {unit}".rstrip()
