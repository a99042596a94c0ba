"""Two acts for a whole plan: what a bench trial may send, when, and what ends it."""

from __future__ import annotations

import pytest

from server.uplink.command_queue import CommandQueue
from tests.server.uplink.queue_oracles import Oracle
from tests.server.uplink.queue_world import A, B, Sent, World, ready_world

CYCLE = [("channel_arm", {"channel": 1}), ("channel_safe", {"channel": 1})]


def bench_world() -> World:
    """A world in ground test with the board released."""
    world = ready_world()
    world.arm_and_confirm("ground_test", on=1)
    world.advance(1.0)
    world.arm_and_confirm("board_release")
    world.advance(1.0)
    return world


def sent(world: World) -> int:
    return sum(isinstance(item, Sent) for item in world.log)


def open_plan(world: World, plan: list = CYCLE) -> str:
    armed = world.arm_plan(plan)
    assert armed.ok, armed.sentence
    world.advance(0.5)
    assert world.confirm_plan(armed.id).ok
    return str(armed.id)


def test_a_plan_runs_step_by_step_and_no_further() -> None:
    """I2."""
    world = bench_world()
    id = open_plan(world)
    for command, args in CYCLE:
        reply = world.send_planned(id, command, **args)
        assert reply.ok, reply.sentence
        world.advance(1.0)
        assert world.queue.view(reply.id).state == "verified"
    assert world.queue.permits.view(id).left == 0
    more = world.send_planned(id, "channel_arm", channel=1)
    assert more.sentence == "the plan that was confirmed does not hold this command (again)"
    Oracle(world).look()


def test_a_plan_for_one_channel_holds_nothing_for_another() -> None:
    world = bench_world()
    id = open_plan(world)
    before = sent(world)
    other = world.send_planned(id, "channel_arm", channel=2)
    assert other.sentence == "the plan that was confirmed does not hold this command (again)"
    world.advance(1.0)
    assert sent(world) == before
    assert world.queue.permits.view(id).left == 2


def test_nothing_leaves_with_one_act_too_soon_or_too_late() -> None:
    world = bench_world()
    before = sent(world)
    armed = world.arm_plan(CYCLE)
    assert armed.sentence == "Trial is ready, confirm within 10 s"
    assert world.send_planned(armed.id, "channel_arm", channel=1).sentence == "the plan is not open"
    assert world.confirm_plan(armed.id).sentence == "too soon: look first, then confirm"
    assert world.confirm_plan(armed.id, B).sentence == "only the person who got it ready can confirm it"
    world.advance(10.2)
    assert world.confirm_plan(armed.id).sentence == "no plan is ready under that number; get it ready again"
    assert world.permits[str(armed.id)]["reason"] == "not confirmed in time"
    assert sent(world) == before


def test_an_act_before_the_next_tick_does_not_find_what_time_has_ended() -> None:
    world = bench_world()
    armed = world.arm_plan(CYCLE)
    world.advance(9.9)
    world.now_s += 0.15  # past the window, and nobody has looked at the clock since
    assert world.confirm_plan(armed.id).sentence == "no plan is ready under that number; get it ready again"
    id = open_plan(world)
    world.advance(59.9)
    world.now_s += 0.15
    reply = world.send_planned(id, "channel_arm", channel=1)
    assert reply.sentence == "the plan has ended: nothing happened for too long"


@pytest.mark.parametrize(
    ("event", "reason"),
    [
        (lambda w: w.link_lost(), "link lost"),
        (lambda w: w.take(B), "command authority changed"),
        (lambda w: w.sleep(), "the computer slept"),
        (lambda w: w.safe_all(B), "safe all"),
        (lambda w: (w.reboot(), w.advance(0.5)), "the vehicle restarted"),
        (lambda w: w.advance(61.0), "nothing happened for too long"),
    ],
    ids=["link", "authority", "sleep", "safe all", "restart", "idle"],
)
def test_what_ends_a_plan_for_good(event, reason: str) -> None:
    """I4."""
    world = bench_world()
    id = open_plan(world)
    event(world)
    assert world.permits[id] | {"state": "ended", "reason": reason} == world.permits[id]
    assert world.send_planned(id, "channel_arm", channel=1).sentence == f"the plan has ended: {reason}"
    Oracle(world).look()


def test_every_step_keeps_its_interlocks_and_ground_test() -> None:
    """I15."""
    world = bench_world()
    id = open_plan(world)
    world.vehicle.continuity[0] = 0
    world.advance(0.5)
    assert world.send_planned(id, "channel_arm", channel=1).sentence.startswith("not sent: Channel has continuity")
    world.vehicle.continuity[0] = 1
    world.vehicle.phase = "pad"
    world.advance(0.5)
    assert world.send_planned(id, "channel_arm", channel=1).sentence.startswith(
        "not sent: Vehicle says it is in ground-test"
    )


def test_ground_test_is_looked_at_again_at_the_moment_of_sending() -> None:
    world = bench_world()
    id = open_plan(world)
    world.disk_delay_s = 1.0
    reply = world.send_planned(id, "channel_arm", channel=1)
    world.vehicle.phase = "pad"
    before = sent(world)
    world.advance(1.5)
    assert sent(world) == before
    assert "ground-test mode" in world.queue.view(reply.id).state_text


def test_ground_test_is_looked_at_again_at_the_second_act() -> None:
    world = bench_world()
    armed = world.arm_plan(CYCLE)
    world.vehicle.phase = "pad"
    world.advance(0.5)
    assert world.confirm_plan(armed.id).sentence.startswith("not started: Vehicle says it is in ground-test mode (pad)")


def test_ending_a_plan_drops_what_it_has_not_sent_yet() -> None:
    world = bench_world()
    id = open_plan(world)
    world.disk_delay_s = 1.0
    reply = world.send_planned(id, "channel_arm", channel=1)
    before = sent(world)
    world.queue.permits.cancel(id, B, world.now_s)
    world.carry_out()
    world.advance(1.5)
    assert sent(world) == before
    assert "cancelled by Ben 1" in world.queue.view(reply.id).state_text


def test_progress_keeps_a_plan_open() -> None:
    world = bench_world()
    id = open_plan(world)
    for command, args in CYCLE:
        world.advance(40.0)
        assert world.send_planned(id, command, **args).ok
    world.advance(59.0)
    assert world.queue.permits.view(id).state == "open"


def test_nobody_arms_anything_beside_a_plan() -> None:
    world = bench_world()
    id = open_plan(world)
    assert world.arm("channel_arm", channel=2).sentence == "Trial is running; end it first"
    assert world.arm_plan(CYCLE).sentence == "Trial is running; end it first"
    assert world.submit("camera_power", camera=1, on=1).ok, "routine commands go on"
    assert world.queue.permits.cancel(id, B, world.now_s).sentence == "the plan has ended"
    world.advance(1.0)
    assert world.arm("channel_arm", channel=2).ok


def test_a_plan_is_refused_outside_ground_test_and_with_nonsense() -> None:
    world = ready_world()
    world.vehicle.phase = "pad"
    world.advance(0.5)
    assert world.arm_plan(CYCLE).sentence.startswith("not ready: Vehicle says it is in ground-test mode (pad)")
    world = bench_world()
    assert world.arm_plan([("safe_all", {})]).sentence == "a plan cannot hold 'safe_all'"
    assert world.arm_plan([("lift_off", {})]).sentence == "a plan cannot hold 'lift_off'"
    assert "must be 1..4" in world.arm_plan([("channel_arm", {"channel": 9})]).sentence
    assert world.arm_plan([]).sentence == "a plan must hold 1 to 20000 commands"
    assert world.arm_plan(CYCLE, B).sentence.startswith("you do not hold command authority")


def two_person(world: World, seats: dict[str, str]) -> None:
    """Give the world a queue with the two-person rule."""
    world.queue = CommandQueue(world.dictionary, world, world.addressee, two_person=True, seat_of=seats.get)
    world.queue.on_holder(A, world.now_s)
    world.queue.on_link(True, world.now_s)
    world.queue.on_boot_id(world.vehicle.boot_id, world.now_s)


def test_the_two_person_rule_wants_another_seat() -> None:
    """I1."""
    world = bench_world()
    two_person(world, {A: "first", B: "second", "Ada 2": "first"})
    rule = "by the two-person rule another signed-in person confirms what the holder of authority got ready"
    armed = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    assert world.queue.view(armed.id).confirm_by == "another"
    assert world.confirm(armed.id, "channel_arm", A, channel=1).sentence == rule
    assert world.confirm(armed.id, "channel_arm", "Ada 2", channel=1).sentence == rule, "a second tab is not a second person"
    assert world.confirm(armed.id, "channel_arm", "Nobody 1", channel=1).sentence == rule
    assert world.confirm(armed.id, "channel_arm", B, channel=1).sentence == "Arm lateral motor confirmed"
    world.advance(1.0)
    assert world.disk.intents[-1]["operator"] == A and world.disk.intents[-1]["confirmed_by"] == B
    # Guarded commands stay with one person; plans with hazardous steps follow the rule.
    guarded = world.arm("fin_move", fin=1, angle=0.1)
    world.advance(0.5)
    assert world.confirm(guarded.id, "fin_move", A, fin=1, angle=0.1).ok
    world.advance(8.0)
    plan = world.arm_plan(CYCLE)
    world.advance(0.5)
    assert world.confirm_plan(plan.id, A).sentence == rule
    assert world.confirm_plan(plan.id, B).ok
