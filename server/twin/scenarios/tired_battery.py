"""A battery that was used before and is old: little charge left, and a voltage that falls when the fins move."""

from __future__ import annotations

from server.twin.scenario import Scenario

SCENARIO = Scenario(
    name="tired-battery",
    title="An old battery, a quarter full: little time on the pad, and it sags when the fins move",
    changes={"battery.charge_at_start": 0.24, "battery.resistance_ohm": 0.42},
)
