"""A quiet day: the flight as planned."""

from __future__ import annotations

from server.twin.scenario import Scenario

SCENARIO = Scenario(name="calm", title="A quiet day: the flight as planned")
