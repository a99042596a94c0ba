"""A build for rehearsal arms and fires nothing outside a rehearsal: the station refuses, whatever else holds."""

from __future__ import annotations

import pytest

from tests.server.uplink.queue_world import World
from tests.server.uplink.test_command_queue import ready_world

ARMING = ({"command": "channel_arm", "channel": 2}, {"command": "recovery_arm", "channel": 1})
REFUSED = "Build for rehearsal, in a rehearsal"


def world_of(build: str, rehearsal: str | None, seconds: float = 1.5) -> World:
    """Return a world in which all is ready to arm but, perhaps, the build."""
    world = ready_world()
    world.vehicle.phase = "ground test"
    world.vehicle.recovery_continuity = [1, 1]
    world.vehicle.build, world.vehicle.rehearsal = build, rehearsal
    world.advance(seconds)
    return world


@pytest.mark.parametrize("command", ARMING, ids=lambda one: one["command"])
@pytest.mark.parametrize("rehearsal", [None, "off"])
def test_it_is_refused_by_name_outside_a_rehearsal(command: dict[str, object], rehearsal: str | None) -> None:
    world = world_of("rehearsal", rehearsal)
    refused = world.arm(**command)
    assert not refused.ok and REFUSED in refused.sentence
    assert world.vehicle.executed == []


@pytest.mark.parametrize("command", ARMING, ids=lambda one: one["command"])
def test_a_flight_build_and_one_that_rehearses_are_not(command: dict[str, object]) -> None:
    assert world_of("flight", None).arm(**command).ok
    assert world_of("rehearsal", "rehearsing").arm(**command).ok


def test_between_the_two_acts_the_end_of_the_rehearsal_counts() -> None:
    world = world_of("rehearsal", "rehearsing")
    armed = world.arm("channel_arm", channel=2)
    world.vehicle.rehearsal = "off"
    world.advance(1.0)
    refused = world.confirm(armed.id, "channel_arm", channel=2)
    assert not refused.ok and REFUSED in refused.sentence and world.vehicle.executed == []


def test_a_rehearsal_that_is_heard_no_more_is_none() -> None:
    world = world_of("rehearsal", "rehearsing")
    world.vehicle.rehearsal = None
    world.advance(3.0)
    assert REFUSED in world.arm("channel_arm", channel=2).sentence


def test_a_written_plan_is_refused_too() -> None:
    world = world_of("rehearsal", "off")
    refused = world.arm_plan([("channel_arm", {"channel": 2})])
    assert not refused.ok and REFUSED in refused.sentence


def test_nor_does_a_plan_go_on_when_the_rehearsal_has_ended() -> None:
    world = world_of("rehearsal", "rehearsing")
    plan = world.arm_plan([("channel_arm", {"channel": 2})])
    world.advance(1.0)
    assert plan.ok and world.confirm_plan(plan.id).ok
    world.vehicle.rehearsal = "off"
    world.advance(1.0)
    assert REFUSED in world.send_planned(plan.id, "channel_arm", channel=2).sentence
    world.advance(2.0)
    assert world.vehicle.executed == []


@pytest.mark.parametrize(("command", "args"), [("channel_safe", {"channel": 2}), ("ping", {}), ("board_inhibit", {})])
def test_what_makes_safe_is_never_held_back(command: str, args: dict[str, object]) -> None:
    world = world_of("rehearsal", "off")
    assert world.submit(command, **args).ok
    world.advance(1.5)
    assert [one.command for one in world.vehicle.executed] == [command]
    assert world.safe_all().ok
    world.advance(1.5)
    assert world.vehicle.executed[-1].command == "safe_all"
