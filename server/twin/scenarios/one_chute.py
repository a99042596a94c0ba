"""Both charges fire, but the tail's parachute stays in its bag: everything comes down under the smaller one."""

from __future__ import annotations

from server.twin.scenario import Scenario

SCENARIO = Scenario(
    name="one-chute",
    title="The tail parachute does not open: a fast descent under one parachute",
    changes={"recovery.canopy_opens": (True, False)},
)
