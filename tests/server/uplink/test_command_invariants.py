"""The command queue against everything at once: Hypothesis drives a whole world, the oracles judge every step.

Plain random rules seldom reach the dangerous orders, so those are rules of their own ("arm, event, confirm"), and the
share of runs in which hazardous frames really leave is counted and asserted.

The suite does a short run. A long one, with its counts printed:

    python -m tests.server.uplink.test_command_invariants --steps 200000
"""

from __future__ import annotations

import argparse
import os
import time
from collections import Counter
from collections.abc import Callable

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from protocol.commands import COUNTER_MAX
from protocol.identity import Identity
from tests.server.uplink.queue_oracles import Oracle
from tests.server.uplink.queue_world import KEY, A, B, World, ready_world, swapped

COUNTS: Counter[str] = Counter()
TWO_ACTS = st.sampled_from(
    [
        ("board_release", {}),
        ("channel_arm", {"channel": 1}),
        ("channel_arm", {"channel": 3}),
        ("channel_fire", {"channel": 1}),
        ("fin_move", {"fin": 2, "angle": 0.1}),
    ]
)
ROUTINE = st.sampled_from(
    [("ping", {}), ("camera_power", {"camera": 2, "on": 1}), ("channel_safe", {"channel": 1}), ("fin_center", {})]
)
OPERATORS = st.sampled_from([A, B])
TENTHS = st.integers(1, 12).map(lambda n: n / 10)


def _lose(world: World) -> None:
    world.link_lost()


def _fall_silent(world: World) -> None:
    world.down.cut = True
    world.advance(2.6)
    world.down.cut = False


def _take_over(world: World) -> None:
    world.take(B)


def _leave(world: World) -> None:
    world.leave(A)


def _release(world: World) -> None:
    world.release(A)


def _reboot(world: World) -> None:
    world.reboot()
    world.advance(0.3)


def _sleep(world: World) -> None:
    world.sleep()


def _crash(world: World) -> None:
    world.start_station()


def _safe(world: World) -> None:
    world.safe_all(B)


def _reflash(world: World) -> None:
    world.reflash()
    world.advance(0.3)


def _exchange(world: World) -> None:
    world.exchange()
    world.advance(0.3)


def _withhold_identity(world: World) -> None:
    """Everything but who it is goes on coming down, for longer than that may be unknown."""
    world.vehicle.silent_about = {"identity"}
    world.advance(5.2)


EVENTS: dict[str, Callable[[World], None]] = {
    f.__name__.strip("_"): f
    for f in (
        _lose, _fall_silent, _take_over, _leave, _release, _reboot, _sleep, _crash, _safe,
        _reflash, _exchange, _withhold_identity,
    )
}  # fmt: skip
EVENT = st.sampled_from(sorted(EVENTS))


class Machine(RuleBasedStateMachine):
    """One world, many hands."""

    world: World
    oracle: Oracle

    @initialize(
        seed=st.integers(0, 2**32),
        badness=st.sampled_from([0.0, 0.0, 0.15, 0.35]),
        counter=st.sampled_from([0, 0, 16380, COUNTER_MAX - 40]),
    )
    def begin(self, seed: int, badness: float, counter: int) -> None:
        """Start with everything ready, so that dangerous things are possible at all."""
        self.world = ready_world(seed=seed, badness=badness, counter=counter)
        self.oracle = Oracle(self.world)
        self.id: str | None = None
        self._done("begin")

    # ------------------------------------------------------------ plain steps

    @rule(seconds=TENTHS)
    def wait(self, seconds: float) -> None:
        """Time passes."""
        self.world.advance(seconds)
        self._done("wait")

    @rule(routine=ROUTINE, operator=OPERATORS, times=st.integers(1, 10))
    def routine(self, routine: tuple, operator: str, times: int) -> None:
        """Routine commands, up to more than may wait."""
        for _ in range(times):
            self.id = self.world.submit(routine[0], operator, **routine[1]).id or self.id
        self.world.advance(0.2)
        self._done("routine")

    @rule(operator=OPERATORS)
    def cancel(self, operator: str) -> None:
        """Somebody takes back the last one."""
        self.world.cancel(self.id, operator)
        self._done("cancel")

    @rule(operator=OPERATORS, failures=st.sampled_from([0, 0, 1, -1]), delay_s=st.sampled_from([0.0, 0.0, 0.5, 4.0]))
    def safe_all(self, operator: str, failures: int, delay_s: float) -> None:
        """Safe all, also on a failing or slow disk."""
        self.world.disk.failures, self.world.disk_delay_s = failures, delay_s
        self.world.safe_all(operator)
        self.world.advance(0.3)
        self.world.disk_delay_s = 0.0
        self._done("safe all")

    @rule(event=EVENT)
    def event(self, event: str) -> None:
        """Something happens."""
        EVENTS[event](self.world)
        self._done("event")

    @rule(failures=st.sampled_from([0, 1, 2, -1]), broken=st.sampled_from([None, "port stuck"]), loses=st.booleans())
    def break_things(self, failures: int, broken: str | None, loses: bool) -> None:
        """Disk and port fail, once or for good."""
        self.world.disk.failures = failures
        self.world.port_problem, self.world.port_loses_bytes = broken, loses
        self._done("break things")

    @rule(age=st.integers(1, 40), up=st.booleans())
    def replay(self, age: int, up: bool) -> None:
        """Somebody sends again what was on the air: commands to the vehicle, anything to the station."""
        history = (self.world.up if up else self.world.down).history
        if history:
            frame = history[-min(age, len(history))]
            for answer in self.world.vehicle.receive(frame) if up else []:
                self.world.down.put(answer, self.world.now_s)
            if not up:
                self.world.hear(frame)
        self.world.advance(0.1)
        self._done("replay")

    @rule(stage=st.sampled_from(["accepted", "refused", "completed"]), counter=st.integers(0, 40), own=st.booleans())
    def forge(self, stage: str, counter: int, own: bool) -> None:
        """Answers for another start of the vehicle, or to what was never asked."""
        vehicle = self.world.vehicle
        boot_id, asked = (vehicle.boot_id, COUNTER_MAX - counter) if own else (vehicle.boot_id ^ 0x4000, counter)
        if asked not in self.oracle.frames or not own:
            self.world.hear(vehicle.forge(boot_id, asked, stage, "none"))
        self._done("forge")

    @rule(
        key=st.sampled_from([KEY, KEY[::-1]]), boot=st.sampled_from([0, 1, 2**40]), other=st.booleans(), words=st.booleans()
    )
    def stranger(self, key: bytes, boot: int, other: bool, words: bool) -> None:
        """Somebody else says who he is: with our key and another vehicle or dictionary, or with another key as ours."""
        vehicle = self.world.vehicle
        told = swapped().hash32 if words else self.world.dictionary.hash32
        said = Identity(0, vehicle.link.memory.vehicle_id + other, told, vehicle.boot_id ^ boot, 0, 0)
        if key != KEY or other or words:  # with our key and our names it would be our vehicle
            self.world.hear(vehicle.link.frame("identity", vehicle.ms, said.values(key, vehicle.ms)))
        self.id = self.world.submit("ping").id or self.id
        self.world.advance(0.1)
        self._done("stranger")

    # ------------------------------------------------------------ dangerous orders

    @rule(two=TWO_ACTS, gap=st.sampled_from([0.1, 0.2, 0.3, 0.4, 0.4, 0.8, 9.9, 10.0, 10.1, 11.0]))
    def arm_confirm(self, two: tuple, gap: float) -> None:
        """The right way, too soon and too late."""
        self._calm()
        armed = self._arm(two)
        self.world.advance(gap)
        self._confirm(armed, two)
        self.world.advance(1.0)
        self._done("arm confirm")

    @rule(
        operator=OPERATORS,
        gap=st.sampled_from([0.1, 0.4, 0.4, 10.2]),
        cycles=st.integers(1, 2),
        event=st.one_of(st.none(), EVENT),
        greedy=st.booleans(),
    )
    def plan(self, operator: str, gap: float, cycles: int, event: str | None, greedy: bool) -> None:
        """A bench trial: two acts for a plan, its steps, something in the middle, and steps it does not hold."""
        self._calm()
        self.world.arm_and_confirm("ground_test", on=1)
        self.world.advance(1.0)
        self.world.arm_and_confirm("board_release")
        self.world.advance(1.0)
        cycle = [("channel_arm", {"channel": 2}), ("channel_safe", {"channel": 2})]
        armed = self.world.arm_plan(cycle * cycles, operator)
        self.world.advance(gap)
        self.world.confirm_plan(armed.id, operator)
        for i, (command, args) in enumerate(cycle * (cycles + greedy)):
            if event is not None and i == 1:
                EVENTS[event](self.world)
            self.world.send_planned(armed.id, command, **args)
            self.world.advance(1.0)
        self.world.send_planned(armed.id, "channel_fire", channel=2)
        self.world.advance(0.4)
        self._done("plan")

    @rule(two=TWO_ACTS, event=EVENT, back=st.booleans())
    def arm_event_confirm(self, two: tuple, event: str, back: bool) -> None:
        """Arm, something happens (and is undone), confirm."""
        self._calm()
        armed = self._arm(two)
        self.world.advance(0.3)
        EVENTS[event](self.world)
        if back:
            self._undo()
        self.world.advance(0.2)
        self._confirm(armed, two)
        self.world.advance(0.5)
        self._done("arm event confirm")

    @rule(two=TWO_ACTS, event=EVENT, delay_s=st.sampled_from([0.3, 0.6, 3.3, 5.0]), back=st.booleans())
    def arm_confirm_event_before_prepared(self, two: tuple, event: str, delay_s: float, back: bool) -> None:
        """Both acts done, the disk still works on it, something happens."""
        self._calm()
        armed = self._arm(two)
        self.world.advance(0.4)
        self.world.disk_delay_s = delay_s
        self._confirm(armed, two)
        self.world.advance(0.1)
        EVENTS[event](self.world)
        if back:
            self._undo()
        self.world.disk_delay_s = 0.0
        self.world.advance(delay_s)
        self._done("arm confirm event")

    @rule(two=TWO_ACTS, event=EVENT)
    def sent_event(self, two: tuple, event: str) -> None:
        """Sent and not heard; something happens: it must not be sent again."""
        self._calm()
        armed = self._arm(two)
        self.world.advance(0.4)
        self.world.up.cut = True
        self._confirm(armed, two)
        self.world.advance(0.2)
        EVENTS[event](self.world)
        self._undo()
        self.world.advance(1.2)
        self.world.up.cut = False
        self.world.advance(0.5)
        self._done("sent event")

    @rule(two=TWO_ACTS, quiet_s=st.sampled_from([1.0, 3.0, 6.0]))
    def answers_lost(self, two: tuple, quiet_s: float) -> None:
        """Executed, but only telemetry comes down: the answers are lost, then a late copy arrives."""
        self._calm()
        armed = self._arm(two)
        self.world.advance(0.4)
        self.world.down.cut = True
        self._confirm(armed, two)
        self.world.advance(min(quiet_s, 1.9))
        self.world.down.cut = False
        self.world.reboot() if quiet_s > 5 else self.world.advance(0.1)
        self.world.advance(quiet_s)
        self._done("answers lost")

    @rule(two=TWO_ACTS, again_s=TENTHS)
    def double_confirm(self, two: tuple, again_s: float) -> None:
        """One arm, two confirms, and a third much later."""
        self._calm()
        armed = self._arm(two)
        self.world.advance(0.4)
        for pause_s in (again_s, 4.0, 0.1):
            self._confirm(armed, two)
            self.world.advance(pause_s)
        self._done("double confirm")

    @rule(two=TWO_ACTS, other=TWO_ACTS, who=st.sampled_from(["other", "taken", "guessed"]))
    def two_operators(self, two: tuple, other: tuple, who: str) -> None:
        """Two people, one arm; ids are guessed, authority is taken, something else is confirmed."""
        self._calm()
        armed = self._arm(two)
        self.world.advance(0.4)
        self.world.arm(other[0], A, **other[1])
        self.oracle.look()
        if who == "taken":
            self.world.take(B)
        self.world.confirm(armed, two[0], B, **two[1])
        self.world.confirm(armed, other[0], A if who == "guessed" else B, **other[1])
        self.world.advance(0.5)
        self._done("two operators")

    @rule(
        two=TWO_ACTS,
        when=st.sampled_from(["armed", "confirmed", "sent"]),
        what=st.sampled_from(["tilt", "loss", "board"]),
    )
    def interlock_opens(self, two: tuple, when: str, what: str) -> None:
        """A condition stops holding between the acts, before the frame, or before it is repeated."""
        self._calm()
        armed = self._arm(two)
        self.world.advance(0.4)
        if when == "armed":
            self._open(what)
        self.world.up.cut = when == "sent"
        self.world.disk_delay_s = 0.5 if when == "confirmed" else 0.0
        self._confirm(armed, two)
        if when != "armed":
            self.world.advance(0.3)
            self._open(what)
        self.world.advance(1.6)
        self.world.disk_delay_s, self.world.up.cut = 0.0, False
        self.world.tilt, self.world.link_loss = 0.05, 0.0
        self._done("interlock opens")

    # ------------------------------------------------------------ help

    def _calm(self) -> None:
        """Put the world in order without an act that the oracles would have to forgive."""
        world = self.world
        world.disk.failures, world.disk_delay_s, world.port_problem = 0, 0.0, None
        world.up.cut = world.down.cut = False
        world.tilt, world.link_loss = 0.05, 0.0
        self._undo()
        vehicle = world.vehicle
        vehicle.silent_about = set()
        if vehicle.built_from is not None or vehicle.vehicle_id is not None:
            vehicle.built_from = vehicle.vehicle_id = None
            world.reboot()
        world.vehicle.phase, world.vehicle.inhibited = "ground test", False
        world.vehicle.continuity = [1] * 4
        world.vehicle.armed_until[0] = world.now_s + 60.0
        world.advance(0.5)
        for _ in range(12):
            if all(v.state not in ("armed", "queued", "sent", "accepted") for v in world.queue.views()):
                break
            world.advance(0.5)
        world.vehicle.phase, world.vehicle.inhibited = "ground test", False
        world.vehicle.armed_until[0] = world.now_s + 60.0
        world.advance(0.5)

    def _undo(self) -> None:
        self.world.link_found()
        self.world.sign_in(A)
        if self.world.authority.holder != A:
            self.world.take(A)

    def _open(self, what: str) -> None:
        if what == "tilt":
            self.world.tilt = 1.0
        elif what == "loss":
            self.world.link_loss = 0.4
        else:
            self.world.vehicle.inhibited = True
            self.world.advance(0.3)

    def _arm(self, two: tuple) -> str | None:
        self.id = self.world.arm(two[0], A, **two[1]).id or self.id
        return self.id

    def _confirm(self, id: str | None, two: tuple) -> None:
        self.world.confirm(id, two[0], A, **two[1])

    def _done(self, name: str) -> None:
        COUNTS["steps"] += 1
        COUNTS[f"step: {name}"] += 1
        self.oracle.look()

    def teardown(self) -> None:
        """Let everything come to its end, look once more, count."""
        if not hasattr(self, "oracle"):
            return
        self.world.advance(4.0)
        self.oracle.finish()
        COUNTS["runs"] += 1
        COUNTS["runs with a hazardous command sent"] += self.oracle.hazardous > 0
        COUNTS["hazardous commands sent"] += self.oracle.hazardous
        COUNTS["guarded commands sent"] += self.oracle.guarded
        COUNTS["safe-all commands sent"] += self.oracle.safe
        COUNTS["frames sent"] += self.oracle.sent
        COUNTS["executions"] += len(self.world.vehicle.executed)
        COUNTS["commands that came too late"] += self.world.vehicle.refused.count((0, "too late"))
        COUNTS["commands that another dictionary refused"] += self.world.vehicle.refused.count((0, "other dictionary"))
        COUNTS["commands for another start"] += self.world.vehicle.refused.count((0, "other boot"))
        COUNTS["virtual seconds"] += round(self.world.now_s)
        for view in self.world.views.values():
            COUNTS[f"ended: {view['state']}"] += 1


def run(examples: int, steps: int, repeatable: bool) -> None:
    """Run the machine; failing runs are shrunk unless the environment says BLOCKHOUSE_NO_SHRINK=1."""
    phases = [Phase.generate] if os.environ.get("BLOCKHOUSE_NO_SHRINK") == "1" else [Phase.generate, Phase.shrink]
    run_state_machine_as_test(
        Machine,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            derandomize=repeatable,
            database=None,
            deadline=None,
            phases=phases,
            suppress_health_check=list(HealthCheck),
            print_blob=False,
        ),
    )


def test_no_order_of_acts_faults_and_events_breaks_an_invariant() -> None:
    """All that the oracles judge; I19 and I20 among it."""
    COUNTS.clear()
    run(examples=int(os.environ.get("BLOCKHOUSE_MACHINE_RUNS", "120")), steps=20, repeatable=True)


def test_the_machine_really_gets_to_the_dangerous_places() -> None:
    """Without this the test above could pass by never doing anything; it counts what the same run did."""
    if not COUNTS["runs"]:
        run(examples=120, steps=20, repeatable=True)
    assert COUNTS["steps"] > 1000
    assert COUNTS["runs with a hazardous command sent"] > 0.4 * COUNTS["runs"], COUNTS
    assert COUNTS["executions"] > COUNTS["runs"], COUNTS
    assert COUNTS["commands that came too late"] > 0, COUNTS
    for state in ("verified", "unknown", "abandoned", "refused"):
        assert COUNTS[f"ended: {state}"] > 0, f"no command ever ended as {state}"


def main() -> None:
    """Run until enough steps are done and print the counts."""
    parser = argparse.ArgumentParser(description="Long run of the command queue's state machine.")
    parser.add_argument("--steps", type=int, default=200_000)
    wanted, began = parser.parse_args().steps, time.monotonic()
    while COUNTS["steps"] < wanted:
        run(examples=200, steps=50, repeatable=False)
    for name in sorted(COUNTS):
        print(f"{COUNTS[name]:>9}  {name}")
    print(f"{time.monotonic() - began:9.0f}  seconds; no invariant broken")


if __name__ == "__main__":
    main()
