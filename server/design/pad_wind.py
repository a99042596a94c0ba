"""The wind that a person measured at the pad and wrote on the pad sheet: it goes before the site sheet's wind.

The pad sheet notes it in the session, so that a replay works with the same number as the pad did. What was entered counts
until the lift-off: no later wind is the wind that the vehicle met. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from server.design.sheet_numbers import NUMBERS, problem_of

QUANTITY = "site.wind"
"""What an item of a pad sheet says that its number measures (`measures`), and each of its notes repeats."""
UNIT = "m/s"
TOPIC = "pad_sheet"
_WIND = NUMBERS["wind_m_s"]


@dataclass(frozen=True)
class PadWind:
    """The wind in m/s and when it was entered: UTC as ISO 8601, "" where nobody noted it."""

    speed_m_s: float
    at: str

    @property
    def source(self) -> str:
        """Where it comes from, in words."""
        return f"measured at the pad, {self.speed_m_s:.1f} m/s" + (f", entered at {self.clock}" if self.at else "")

    @property
    def clock(self) -> str:
        """The time of day it was entered at."""
        return f"{self.at[11:16]} UTC"


def tells_wind(topic: str, body: Mapping[str, object]) -> bool:
    """Return whether a journal entry is one of an item that measures the wind: given, taken back or cleared."""
    return topic == TOPIC and body.get("measures") == QUANTITY


def wind_of(body: Mapping[str, object]) -> PadWind | None:
    """Return the wind an item's note tells, None where it is not ticked or no wind (`NUMBERS`). It may hold anything."""
    value, at = body.get("number"), body.get("at")
    if not body.get("by") or not isinstance(value, int | float) or problem_of(_WIND, value) is not None:
        return None
    return PadWind(float(value), at if isinstance(at, str) else "")


def wind_at_lift_off(entries: Iterable[tuple[str, str, Mapping[str, object]]]) -> PadWind | None:
    """Return what stood at the first lift-off of a journal's (topic, key, body) in order, or at its end without one."""
    wind: PadWind | None = None
    has_lifted_off = False
    for topic, key, body in entries:
        if topic == "moment" and key == "lift_off":
            has_lifted_off = not body.get("withdrawn")
        if tells_wind(topic, body) and not has_lifted_off:
            wind = wind_of(body)
    return wind
