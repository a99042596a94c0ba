"""Fins linked the wrong way round: what should stop the roll drives it."""

from __future__ import annotations

from server.twin.scenario import Scenario

SCENARIO = Scenario(
    name="reversed-roll",
    title="Roll reversal: the fins turn the vehicle the other way than the firmware believes",
    changes={"fins.effectiveness": -0.25},
)
