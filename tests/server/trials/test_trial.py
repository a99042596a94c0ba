"""The engine of a trial over the real queue and vehicle rules: it passes, it stops at the first odd thing, it makes safe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pytest

from server.telemetry.conditions import Reading
from server.trials.asks import Send
from server.trials.state import State
from server.trials.trial import Trial
from tests.server.trials.trial_world import ARM_SAFE, PING, TrialWorld, plan_of
from tests.server.uplink.queue_oracles import Oracle
from tests.server.uplink.queue_world import STEP_S, B, World, dictionary, ready_world


def test_a_sound_vehicle_passes_every_cycle_and_is_made_safe() -> None:
    bench = TrialWorld(ARM_SAFE, 5)
    trial = bench.run()
    assert (trial.outcome, trial.state, trial.cause) == ("passed", State.ENDED, "")
    assert (trial.score.passed, trial.score.failed, trial.score.failure) == (5, 0, None)
    assert bench.sent == [("channel_arm", {"channel": 1}), ("channel_safe", {"channel": 1})] * 5
    assert {label: len(times) for label, times in trial.score.latencies.items()} == {
        "Arm lateral motor": 5,
        "Safe lateral motor": 5,
    }
    assert all(0.0 < time < 1.0 for times in trial.score.latencies.values() for time in times)
    assert bench.safed == 1 and bench.world.vehicle.inhibited
    Oracle(bench.world).look()


def test_first_and_last_steps_run_once_and_every_variant_is_scored_apart() -> None:
    world = ready_world()
    world.vehicle.inhibited = True
    world.advance(0.5)
    text = """
    for_each = { channel = [1, 3] }
    first = [ { send = "board_release" } ]
    steps = [ { send = "channel_arm", args = { channel = "{channel}" } },
              { send = "channel_safe", args = { channel = "{channel}" } } ]
    last = [ { send = "board_inhibit" } ]
    """
    bench = TrialWorld(text, 2, world)
    trial = bench.run()
    assert trial.outcome == "passed"
    assert [command for command, _ in bench.sent].count("board_release") == 1
    assert (bench.sent[0][0], bench.sent[-1][0]) == ("board_release", "board_inhibit")
    assert trial.score.by_variant == {"channel 1": [2, 0], "channel 3": [2, 0]}


def test_a_fired_channel_counts_as_asked_for_and_an_earlier_one_is_nobodys_fault() -> None:
    world = ready_world()
    world.vehicle.fired[3] = 1
    world.advance(0.5)
    text = 'steps = [ { send = "channel_arm", args = { channel = 2 } }, { send = "channel_fire", args = { channel = 2 } } ]'
    bench = TrialWorld(text, 1, world)
    assert bench.run().outcome == "passed"
    assert world.vehicle.fired == [0, 1, 0, 1]


# ---------------------------------------------------------------- whatever is not as planned


def armed_by_itself(bench: TrialWorld) -> None:
    if bench.trial.score.passed == 1 and bench.trial.state is not State.SAFING:
        bench.world.vehicle.armed_until[2] = bench.world.now_s + 60.0


def fired_by_itself(bench: TrialWorld) -> None:
    if bench.trial.score.passed == 1:
        bench.world.vehicle.fired[0] = 1


def loses_continuity(bench: TrialWorld) -> None:
    if bench.trial.score.passed == 1:
        bench.world.vehicle.continuity[0] = 0


def refuses(bench: TrialWorld) -> None:
    if bench.trial.score.passed == 1:
        bench.world.vehicle.__dict__["_why_not"] = lambda order: None if order.command == "safe_all" else "no continuity"


def uplink_cut(bench: TrialWorld) -> None:
    bench.world.up.cut = bench.trial.score.passed == 1 and bench.trial.state is not State.SAFING


def arms_without_effect(bench: TrialWorld) -> None:
    if bench.trial.score.passed == 1:
        act = type(bench.world.vehicle)._act
        vehicle = bench.world.vehicle
        vehicle.__dict__["_act"] = lambda name, args: None if name == "channel_arm" else act(vehicle, name, args)


def link_lost(bench: TrialWorld) -> None:
    if bench.trial.score.passed == 1 and bench.trial.state is State.SENDING:
        bench.world.link_lost()
        bench.world.link_found()


def vehicle_restarts(bench: TrialWorld) -> None:
    if bench.trial.score.passed == 1 and bench.world.vehicle.boot_id == 7:
        bench.world.reboot()


@pytest.mark.parametrize(
    ("disturb", "cause"),
    [
        (armed_by_itself, "channel[3].armed: telemetry shows it, the plan did not ask for it"),
        (fired_by_itself, "channel[1].fired: telemetry shows it, the plan did not ask for it"),
        (loses_continuity, "Arm lateral motor, channel 1 was refused: not sent: Channel has continuity"),
        (refuses, "Arm lateral motor, channel 1: refused: no continuity"),
        (uplink_cut, "Arm lateral motor, channel 1: outcome unknown"),
        (arms_without_effect, "Arm lateral motor, channel 1 was not verified within 8 s"),
        (link_lost, "link lost"),
        (vehicle_restarts, "the vehicle restarted"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_it_stops_at_the_first_thing_the_plan_did_not_ask_for(disturb, cause: str) -> None:
    bench = TrialWorld(ARM_SAFE, 5)
    trial = bench.run(each=disturb)
    assert trial.outcome == "failed"
    assert trial.cause.startswith(cause), trial.cause
    assert (trial.score.passed, trial.score.failed) == (1, 1)
    assert trial.score.failure["cause"] == trial.cause
    assert (trial.score.failure["run"], trial.score.failure["cycle"]) == (2, 2)
    assert bench.safed == 1 and trial.state is State.ENDED
    assert bench.world.vehicle.inhibited and not bench.world.vehicle.armed(1)
    Oracle(bench.world).look()


@pytest.mark.parametrize(
    ("act", "cause"),
    [
        (lambda bench: bench.trial.stop("stopped by Ada 1", bench.world.now_s), "stopped by Ada 1"),
        (lambda bench: bench.world.take(B), "command authority changed"),
        (lambda bench: bench.world.sleep(), "the computer slept"),
        (lambda bench: bench.world.safe_all(B), "safe all"),
    ],
    ids=["stop", "authority", "sleep", "safe all"],
)
def test_what_a_person_does_stops_it_and_is_no_failed_run(act, cause: str) -> None:
    bench = TrialWorld(ARM_SAFE, 5).begin()

    def once(bench: TrialWorld) -> None:
        if bench.trial.score.passed == 2 and bench.trial.state is State.SENDING:
            act(bench)

    trial = bench.run(each=once)
    assert (trial.outcome, trial.cause, trial.state) == ("stopped", cause, State.ENDED)
    assert (trial.score.passed, trial.score.failed, trial.score.failure) == (2, 0, None)
    assert bench.safed == 1


def test_a_vehicle_that_is_not_seen_safe_is_unsafe() -> None:
    bench = TrialWorld(ARM_SAFE, 5)

    def deaf(bench: TrialWorld) -> None:
        armed_by_itself(bench)
        bench.world.up.cut = bench.trial.score.passed == 1

    trial = bench.run(each=deaf)
    assert trial.state is State.UNSAFE
    assert trial.cause.endswith("the vehicle was not seen to be safe within 30 s")


def test_a_vehicle_that_stays_armed_after_safe_all_is_unsafe() -> None:
    bench = TrialWorld(ARM_SAFE, 1)
    vehicle = bench.world.vehicle

    def stuck(bench: TrialWorld) -> None:
        if bench.trial.state is State.SAFING:
            vehicle.armed_until[0] = bench.world.now_s + 60.0

    trial = bench.run(each=stuck)
    assert trial.state is State.UNSAFE and trial.outcome == "passed"


def safing_world() -> TrialWorld:
    """Every cycle is over, safe all was asked, and fresh telemetry shows nothing armed."""
    bench = TrialWorld(ARM_SAFE, 1).begin()
    while bench.trial.state is not State.SAFING:
        bench.look()
        bench.world.advance(STEP_S)
    bench.look()
    bench.world.advance(2.0)
    return bench


def test_it_ends_only_once_the_record_too_says_that_safe_all_is_proved() -> None:
    """The trial may see telemetry a look before the queue does; a session that ended there would stay "completed"."""
    bench = safing_world()
    now_s = bench.world.now_s
    steps = dict.fromkeys(("asked", "sent", "accepted", "completed"), now_s - 1.0)
    bench.trial.on_safing(Seen("completed", steps, missing="verified"), "", now_s)
    assert bench.trial.state is State.SAFING
    bench.trial.on_safing(Seen("verified", {**steps, "verified": now_s}), "", now_s)
    assert bench.trial.state is State.ENDED


def test_a_safe_all_whose_effect_no_telemetry_shows_is_proved_by_the_channels_alone() -> None:
    bench = safing_world()
    bench.trial.on_safing(Seen("completed", {"completed": bench.world.now_s}), "", bench.world.now_s)
    assert bench.trial.state is State.ENDED


RECOVERY = """
steps = [ { wait_s = 0.5 }, { send = "recovery_arm", args = { channel = 2 } }, { wait_s = 5 } ]
"""


def recovery_world() -> World:
    """The conditions of recovery channels hold too."""
    world = ready_world()
    world.vehicle.recovery_continuity = [1] * 2
    world.advance(0.5)
    return world


def test_what_safe_all_never_touches_the_trial_makes_safe_by_its_own_command() -> None:
    """Recovery channels stay as they are under safe all, since a replayed one must not cost a parachute."""
    bench = TrialWorld(RECOVERY, 1, recovery_world())
    trial = bench.run()
    assert (trial.outcome, trial.state) == ("passed", State.ENDED)
    assert bench.sent == [("recovery_arm", {"channel": 2})] and bench.safed == 1
    assert [a.args for a in bench.disarmed] == [{"channel": 2}] and bench.disarmed[0].command == "recovery_safe"
    assert [e.command for e in bench.world.vehicle.executed][-2:] == ["safe_all", "recovery_safe"]
    assert bench.world.vehicle.recovery_armed == [0, 0]
    Oracle(bench.world).look()


def test_it_asks_once_a_second_at_most_and_only_telemetry_makes_it_safe() -> None:
    bench = TrialWorld(RECOVERY, 1, recovery_world())
    vehicle = bench.world.vehicle

    def stuck(bench: TrialWorld) -> None:
        if bench.trial.state is State.SAFING:
            vehicle.recovery_armed = [1, 1]

    trial = bench.run(each=stuck)
    assert trial.state is State.UNSAFE
    assert {str(a.args) for a in bench.disarmed} == {"{'channel': 1}", "{'channel': 2}"}
    assert 20 < len(bench.disarmed) <= 60


def test_nothing_is_asked_after_the_end_and_before_the_beginning() -> None:
    bench = TrialWorld(ARM_SAFE, 1)
    bench.trial.tick(0.0)
    assert bench.trial.take_actions() == []
    bench.trial.stop("changed my mind", 1.0)
    assert (bench.trial.state, bench.trial.outcome, bench.trial.take_actions()) == (State.ENDED, "stopped", [])
    bench.trial.tick(2.0)
    assert bench.trial.take_actions() == []


# ---------------------------------------------------------------- expectations, waits, pings, sweeps


def test_an_expectation_beyond_the_effect_is_waited_for_and_then_missed() -> None:
    step = 'steps = [ { send = "camera_power", args = { camera = 1, on = 1 }, within_s = 2, expect = [ %s ] } ]'
    held = TrialWorld(step % '{ role = "camera[1].powered", equals = 1 }', 1).run()
    assert held.outcome == "passed"
    missed = TrialWorld(step % '{ role = "camera[2].powered", equals = 1 }', 1).run()
    assert missed.outcome == "failed"
    assert missed.cause == (
        "after Camera power, camera 1, on: camera[2].powered equals 1 does not hold (camera 2 powered: no)"
    )


def test_a_wait_is_waited_and_its_expectation_looked_at_afterwards() -> None:
    bench = TrialWorld('steps = [ { wait_s = 3, expect = [ { role = "board.inhibited", equals = 0 } ] } ]', 2)
    began = bench.world.now_s
    trial = bench.run()
    assert trial.outcome == "passed" and bench.sent == []
    assert 6.0 <= bench.world.now_s - began <= 8.5
    assert bench.safed == 0, "a plan that could arm nothing needs no safe all"


def test_pings_are_counted_and_a_lost_one_does_not_stop_the_trial() -> None:
    bench = TrialWorld(PING, 6)

    def deaf_for_the_second(bench: TrialWorld) -> None:
        bench.world.up.cut = bench.trial.run == 2

    trial = bench.run(each=deaf_for_the_second)
    score = trial.score
    assert (trial.outcome, score.passed, score.failed) == ("failed", 5, 1)
    assert (score.pings, score.pings_answered, score.ping_sends) == (6, 5, 8)  # the lost one was sent three times
    assert len(score.round_trips) == 5 and all(0.0 < trip < 1.0 for trip in score.round_trips)
    assert score.failure["cause"] == "Ping: no answer"


@dataclass(frozen=True)
class Seen:
    """A command under way as a trial sees it."""

    state: str
    steps: Mapping[str, float | None]
    sends: int = 1
    state_text: str = ""
    reason: str | None = None
    missing: str | None = None


def test_a_ping_sent_twice_gives_no_round_trip() -> None:
    """Its answer may belong to either copy (Karn and Partridge 1987)."""
    trial = Trial(dictionary(), plan_of(PING, 1), 1, World())
    trial.begin(0.0)
    trial.tick(0.2)
    trial.tick(0.2)
    assert trial.take_actions() == [Send("ping", {})]
    trial.on_command(Seen("accepted", {"asked": 0.1, "sent": 0.2, "accepted": 1.4}, sends=2), 1.5)
    trial.tick(1.6)
    assert (trial.score.pings_answered, trial.score.ping_sends, trial.score.round_trips) == (1, 2, [])
    assert trial.outcome == "passed"


class Bent:
    """Readings of a fin that follows with a ratio, an offset and some play."""

    def __init__(self) -> None:
        self.asked, self.fin, self.silent = 0.0, 0.0, False

    def reading(self, role: str, now_s: float) -> Reading | None:
        if role.startswith("fin[1]") and not self.silent:
            driven = 0.9 * self.asked + 0.01
            self.fin = max(driven - 0.002, min(driven + 0.002, self.fin))
            return Reading(self.fin, now_s - 0.01)
        return Reading(0.0, now_s - 0.01) if role.endswith((".armed", ".fired")) else None


SWEEP = """steps = [
  { sweep = "fin_move", args = { fin = 1 }, over = "angle", from = -0.2, to = 0.2, step = 0.1,
    settle_s = 0.5, dwell_s = 0.2 }
]""".replace("\n    ", " ")


def swept(fin: Bent, silent_after: int = 10**6, silent_s: float = 60.0) -> Trial:
    """Run a sweep whose commands are all verified at once; after some moves telemetry is silent for a while."""
    trial = Trial(dictionary(), plan_of(SWEEP, 1), 1, fin)
    trial.begin(0.0)
    now_s, moves, silent_until_s = 0.0, 0, 0.0
    while not trial.is_over and trial.state is not State.SAFING:
        for action in trial.take_actions():
            assert isinstance(action, Send)
            fin.asked, moves = action.args["angle"], moves + 1
            if moves == silent_after + 1:
                silent_until_s = now_s + silent_s
            steps = dict.fromkeys(("asked", "sent", "accepted", "completed", "verified"), now_s)
            trial.on_command(Seen("verified", steps), now_s)
        now_s += 0.05
        fin.silent = now_s < silent_until_s
        trial.tick(now_s)
    return trial


def test_a_sweep_goes_up_and_down_and_keeps_what_is_measured_at_each_place() -> None:
    trial = swept(Bent())
    assert trial.outcome == "passed"
    points = trial.score.sweeps["fin 1"]
    assert [point.commanded for point in points] == pytest.approx([-0.2, -0.1, 0, 0.1, 0.2, 0.1, 0, -0.1, -0.2])
    assert [point.direction for point in points] == [0, 1, 1, 1, 1, -1, -1, -1, -1]
    rising, falling = points[1], points[7]
    assert (rising.measured, falling.measured) == pytest.approx((-0.09 + 0.01 - 0.002, -0.09 + 0.01 + 0.002))


def test_a_sweep_waits_out_a_short_silence() -> None:
    fin = Bent()
    trial = swept(fin, silent_after=4, silent_s=1.5)
    assert trial.outcome == "passed" and len(trial.score.sweeps["fin 1"]) == 9


def test_a_sweep_stops_when_telemetry_is_silent_about_the_fin() -> None:
    trial = swept(Bent(), silent_after=4)
    assert (trial.outcome, len(trial.score.sweeps["fin 1"])) == ("failed", 4)
    assert trial.cause.endswith("telemetry is silent about fin[1].measured")


def test_progress_moves_with_every_step_not_only_with_every_run() -> None:
    seen: list[tuple[int, int]] = []

    def look(bench: TrialWorld) -> None:
        told = bench.trial.progress()
        seen.append((told["step_number"], told["passed"]))
        assert told["steps"] == 3 * 2, "three steps in each of two cycles"

    TrialWorld(ARM_SAFE, 2).run(each=look)
    assert sorted({number for number, _ in seen}) == [1, 2, 3, 4, 5, 6]
    assert {number for number, passed in seen if passed == 0} >= {1, 2, 3}
