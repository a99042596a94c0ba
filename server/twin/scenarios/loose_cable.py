"""A servo connector that was not pushed home: it shakes open in the coast, soon after control has started."""

from __future__ import annotations

from server.twin.scenario import Scenario

SCENARIO = Scenario(
    name="loose-cable",
    title="The servo connector opens in the coast: the fins stand still while control believes it steers",
    changes={"fins.connector_opens_after_burnout_s": 1.5},
)
