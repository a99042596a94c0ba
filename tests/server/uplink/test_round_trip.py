"""The gate of every first act and second act: the vehicle answered lately and soon, and what is heard is not late."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.dictionary_file import load_dictionary
from server.telemetry.conditions import Reading
from server.uplink.round_trip import ASKED_WITHIN_S, RoundTrips
from tests.server.uplink.queue_world import B, Sent, World, ready_world

PLAN = [("channel_arm", {"channel": 1.0})]
ASKED = "Vehicle answered within 2 s, asked in the last 10 s"


def unanswered() -> World:
    """Return a world ready for everything, but for a ping that was answered."""
    world = ready_world()
    world.trip_s = None
    world.queue.trips.forget()
    return world


def sent(world: World) -> list[str]:
    return [world.views[world.generation, item.id]["command"] for item in world.log if isinstance(item, Sent)]


def test_without_an_answered_ping_nothing_that_needs_two_acts_is_ready() -> None:
    world = unanswered()
    none = f"not ready: {ASKED} (it has not answered a ping yet)"
    assert world.arm("channel_arm", channel=1).sentence == none
    assert world.arm("fin_move", fin=1, angle=0.1).sentence == none
    assert world.arm_plan(PLAN).sentence == none
    assert sent(world) == []


def test_a_ping_that_could_not_be_sent_is_said_to_be_the_reason() -> None:
    """Seen with read-only settings: "it has not answered a ping yet", and the vehicle was looked at for it."""
    world = unanswered()
    world.disk.failures = -1
    for _ in range(2):
        world.queue.ask_for_trip(world.now_s)
        world.carry_out()
        world.advance(0.5)
        assert sent(world) == []
        said = world.arm("channel_arm", channel=1).sentence
        assert said.startswith(f"not ready: {ASKED} (no ping was sent: ") and "disk" in said, said
    world.disk.failures = 0
    world.queue.ask_for_trip(world.now_s)
    world.carry_out()
    world.advance(1.0)
    assert world.arm("channel_arm", channel=1).ok


def test_any_answered_command_measures_the_way() -> None:
    world = unanswered()
    assert world.submit("camera_power", camera=1, on=1).ok
    world.advance(0.6)
    assert world.queue.trips.trip_s is not None and world.queue.trips.trip_s < 0.5
    armed = world.arm("channel_arm", channel=1)
    assert armed.ok
    assert [c.name for c in armed.checks][-4:] == ["link_lag", "round_trip", "addressee", "alone"]


def test_the_stations_own_ping_is_in_nobodys_way() -> None:
    world = unanswered()
    assert world.queue.ask_for_trip(world.now_s)
    world.carry_out()
    assert not world.queue.ask_for_trip(world.now_s), "one at a time"
    world.advance(0.6)
    assert sent(world) == ["ping"] and world.queue.trips.trip_s is not None
    armed = world.arm("channel_arm", channel=2)
    assert armed.ok
    world.advance(0.4)
    assert world.queue.ask_for_trip(world.now_s)
    world.carry_out()
    assert world.confirm(armed.id, "channel_arm", channel=2).ok
    world.advance(1.0)
    assert world.views[world.generation, str(armed.id)]["state"] == "verified"


def test_nobody_is_asked_without_a_holder_a_link_or_while_making_safe() -> None:
    world = unanswered()
    world.safe_all()
    assert not world.queue.ask_for_trip(world.now_s)
    world.advance(2.0)
    world.link_lost()
    assert not world.queue.ask_for_trip(world.now_s)
    world.link_found()
    world.advance(0.5)
    world.authority.leave("Ada 1"), world.authority.leave(B)
    world.queue.on_holder(None, world.now_s)
    assert not world.queue.ask_for_trip(world.now_s)


def test_a_round_trip_that_is_too_long_refuses_until_a_shorter_one() -> None:
    world = unanswered()
    world.queue.trips.note(world.now_s - 30.1, world.now_s)
    assert world.arm("channel_arm", channel=1).sentence == f"not ready: {ASKED} (30.10 s there and back)"
    world.queue.trips.note(world.now_s - 2.0, world.now_s)
    assert world.arm("channel_arm", channel=1).ok


def test_an_answer_that_comes_late_does_not_take_the_place_of_a_newer_one() -> None:
    world = unanswered()
    world.queue.trips.note(5.0, 5.2)
    world.queue.trips.note(1.0, 9.0)
    assert world.queue.trips.trip_s == pytest.approx(0.2)


def test_a_round_trip_counts_for_as_long_as_the_second_act_may_take() -> None:
    """I15."""
    world = unanswered()
    world.queue.trips.note(world.now_s - 0.1, world.now_s)
    armed = world.arm("channel_arm", channel=1)
    world.queue.trips.note(world.now_s - 0.1, world.now_s - 5.0)
    world.advance(ASKED_WITHIN_S - 4.5)
    refused = world.confirm(armed.id, "channel_arm", channel=1)
    assert not refused.ok and refused.sentence.startswith(f"not sent: {ASKED} (last answer 1")


def test_a_lagging_downlink_disarms_and_refuses_and_safe_all_leaves() -> None:
    """I15."""
    world = ready_world()
    armed = world.arm("channel_arm", channel=1)
    world.lag_s = 30.0
    world.queue.on_lag(30.0, world.now_s)
    world.carry_out()
    view = world.views[world.generation, str(armed.id)]
    assert view["state_text"] == "dropped before sending: the downlink lags"
    assert world.arm("channel_arm", channel=1).sentence == "not ready: Downlink at most 2 s late (30.0 s)"
    assert world.safe_all().ok and sent(world) == ["safe_all"]
    world.queue.on_lag(30.0, world.now_s)
    world.advance(1.0)
    assert world.vehicle.executed[-1].command == "safe_all"


def test_safe_all_goes_on_while_a_lag_begins_and_asks_for_no_round_trip() -> None:
    world = unanswered()
    assert world.safe_all().ok
    world.queue.on_lag(5.0, world.now_s)
    world.carry_out()
    assert sent(world) == ["safe_all"]
    world.advance(1.0)
    assert world.queue.views()[-1].state in ("sent", "accepted", "completed", "verified")


def test_a_lag_nobody_follows_any_more_refuses() -> None:
    world = ready_world()
    world.lag_s = None
    assert world.arm("channel_arm", channel=1).sentence == "not ready: Downlink at most 2 s late (not known)"


def test_a_restart_and_a_lost_link_forget_the_way() -> None:
    for happens in (World.link_lost, lambda world: (world.reboot(), world.advance(0.5))):
        world = ready_world()
        world.trip_s = None
        assert world.queue.trips.trip_s is not None
        happens(world)
        assert world.queue.trips.trip_s is None


def test_a_vehicle_that_does_not_answer_is_held_by_the_lag_that_can_be_seen() -> None:
    class Late:
        def reading(self, role: str, now_s: float) -> Reading | None:
            return Reading(3.0, now_s) if role == "ground.link_lag" else None

    trips = RoundTrips(load_dictionary(Path(__file__).parents[3] / "protocol" / "plover.toml"), Late())
    lag, trip = trips.checks(5.0)
    assert not trips.is_measurable and trips.ping is None
    assert not lag.met and trip.met
    assert trip.value_text == "this vehicle does not answer; a lag from the start cannot be seen"
