"""One lateral motor's igniter is not connected."""

from __future__ import annotations

from server.twin.scenario import Scenario

SCENARIO = Scenario(
    name="cold-igniter",
    title="Lateral motor 3 has no continuity",
    changes={"firing.lateral_continuity": (True, True, False, True)},
)
