"""Trial plans: what comes along fits the vehicle, and every mistake is one sentence that names the place."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from protocol.errors import DictionaryError
from server.trials.plan import COMMANDS_AT_MOST, TrialPlan, check_cycles, load_plan, parse_plan, sample_plans
from tests.server.trials.trial_world import ARM_SAFE, HEAD, plan_of
from tests.server.uplink.queue_world import dictionary

NAMES = ["arm-fire-safe", "arm-safe", "camera-power", "fin-sweep", "link-ping", "recovery-arm-safe"]
EACH = """
for_each = { channel = [1, 3] }
first = [ { send = "board_release" } ]
steps = [ { send = "channel_arm", args = { channel = "{channel}" }, expect = [
  { role = "channel[{channel}].fired", equals = 0 } ] } ]
last = [ { wait_s = 2 } ]
"""


def test_the_plans_that_come_along_are_these() -> None:
    assert list(sample_plans()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_plan_that_comes_along_fits_the_vehicle_and_says_who_must_be_clear(name: str) -> None:
    plan = load_plan(name, dictionary())
    assert plan.name == name and plan.caution and plan.cautions()[0] == plan.caution
    assert 1 <= len(plan.sends(plan.cycles)) <= COMMANDS_AT_MOST
    for command, args in plan.sends(1):
        dictionary().commands[command].pack_args(args)
    assert "Sandpiper" in sample_plans()[name] or name == "link-ping"


@pytest.mark.parametrize(
    ("name", "hazard"),
    [
        ("arm-fire-safe", "hazardous"),
        ("arm-safe", "hazardous"),
        ("camera-power", "routine"),
        ("fin-sweep", "guarded"),
        ("link-ping", "routine"),
        ("recovery-arm-safe", "hazardous"),
    ],
)
def test_a_plan_is_as_hazardous_as_its_worst_command(name: str, hazard: str) -> None:
    assert load_plan(name, dictionary()).hazard() == hazard


def test_for_each_fills_every_place_and_counts_the_runs() -> None:
    plan = plan_of(EACH)
    assert [variant.title for variant in plan.variants] == ["channel 1", "channel 3"]
    assert plan.runs(5) == 10
    assert plan.sends(2) == [
        ("board_release", {}),
        *[("channel_arm", {"channel": 1}), ("channel_arm", {"channel": 3})] * 2,
    ]
    step = plan.variants[1].steps[0]
    assert (step.title, step.label) == ("Arm lateral motor, channel 3", "Arm lateral motor")
    assert [condition.role for condition in step.expect] == ["channel[3].fired"]
    assert plan.lines() == [
        "first: Release firing board",
        "each cycle: channel 1: Arm lateral motor, channel 1",
        "each cycle: channel 3: Arm lateral motor, channel 3",
        "last: wait 2 s",
    ]


def test_two_lists_make_every_pair() -> None:
    plan = plan_of(
        "for_each = { camera = [1, 2], on = [0, 1] }\n"
        'steps = [ { send = "camera_power", args = { camera = "{camera}", on = "{on}" } } ]'
    )
    assert [variant.title for variant in plan.variants] == [
        "camera 1, on 0", "camera 1, on 1", "camera 2, on 0", "camera 2, on 1",
    ]  # fmt: skip
    assert plan.variants[1].steps[0].label == "Camera power, on"


def test_a_pattern_of_roles_becomes_one_expectation_for_each() -> None:
    plan = plan_of('steps = [ { wait_s = 1, expect = [ { role = "channel[*].armed", equals = 0 } ] } ]')
    assert [c.role for c in plan.variants[0].steps[0].expect] == [f"channel[{n}].armed" for n in (1, 2, 3, 4)]


def test_a_sweep_goes_up_through_its_angles_and_down_through_the_same() -> None:
    plan = plan_of(
        'steps = [ { sweep = "fin_move", args = { fin = 2 }, over = "angle", from = -0.24, to = 0.24, step = 0.04 } ]'
    )
    samples = [step.sample for step in plan.variants[0].steps]
    assert len(samples) == 25
    assert [s.commanded for s in samples[1:13]] == pytest.approx([-0.24 + 0.04 * i for i in range(1, 13)])
    assert [s.commanded for s in samples[13:]] == [s.commanded for s in samples[11::-1]]
    assert [s.direction for s in samples] == [0] + [1] * 12 + [-1] * 12
    assert {(s.role, s.group) for s in samples} == {("fin[2].measured", "fin 2")}
    assert plan.lines() == ["each cycle: Move one fin sweep fin 2, 25 moves"]


def test_patience_covers_a_command_and_its_effect() -> None:
    step = plan_of(ARM_SAFE).variants[0].steps[1]
    assert step.within_s == dictionary().uplink.effect_within_s + 3.0


STEP = "steps = [ %s ]"
ANY = '{ send = "ping" }'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "steps"),
        ("steps = [ { } ]", "[steps[0]] needs exactly one of send, ping, wait_s, sweep"),
        (STEP % '{ send = "ping", wait_s = 1 }', "needs exactly one of"),
        (STEP % '{ send = "lift_off" }', "[steps[0].send] the dictionary has no command 'lift_off'"),
        (STEP % '{ send = "safe_all" }', "safe all ends a trial"),
        (STEP % '{ send = "channel_arm" }', "steps[0].args"),
        (STEP % '{ send = "channel_arm", args = { channel = 9 } }', "must be 1..4"),
        (STEP % '{ send = "channel_arm", args = { channel = "{channel}" } }', "steps[0].args"),
        (STEP % '{ ping = false }', "[steps[0].ping] must be true"),
        (STEP % '{ wait_s = 51 }', "[steps[0].wait_s] must be 0..50 s"),
        (STEP % '{ wait_s = nan }', "wait_s"),
        (STEP % '{ send = "ping", hurry = true }', "hurry"),
        (STEP % '{ wait_s = 1, expect = [ { role = "no.such", equals = 1 } ] }', "has no role 'no.such'"),
        (STEP % '{ wait_s = 1, expect = [ { role = "board.inhibited" } ] }', "needs exactly one of"),
        (STEP % '{ wait_s = 1, expect = [ { role = "vehicle_phase", equals = "asleep" } ] }', "'asleep' is no value of"),
        (STEP % '{ wait_s = 1, expect = [ { role = "board.inhibited", equals = true } ] }', "True is no value of"),
        (STEP % '{ wait_s = 1, expect = [ { role = "board.inhibited", at_most = nan } ] }', "is no value of"),
        (STEP % '{ sweep = "fin_move", over = "fin", from = 0, to = 1, step = 1 }', "has no effect that follows"),
        (
            STEP % '{ sweep = "fin_move", args = { fin = 1 }, over = "angle", from = 0.1, to = 0.0, step = 0.1 }',
            "from must be below to",
        ),
        (
            STEP % '{ sweep = "fin_move", args = { fin = 1 }, over = "angle", from = 0.0, to = 0.1, step = 0.03 }',
            "equal steps",
        ),
        (
            STEP % '{ sweep = "fin_move", args = { fin = 1 }, over = "angle", from = 0.0, to = 0.1, step = 0.0001 }',
            "1 to 200 equal steps",
        ),
        (
            STEP % '{ sweep = "fin_move", args = { fin = 1 }, over = "angle", from = 0.0, to = 0.5, step = 0.1 }',
            "angle",
        ),
        ("for_each = { channel = [] }\n" + STEP % ANY, "[for_each.channel] must be a list of different numbers"),
        ("for_each = { channel = [1, 1] }\n" + STEP % ANY, "must be a list of different numbers"),
        ("for_each = { channel = [true] }\n" + STEP % ANY, "must be a list of different numbers"),
        (STEP % ANY + "\nmood = 1", "mood"),
    ],
)  # fmt: skip
def test_every_mistake_is_named_with_its_place(text: str, said: str) -> None:
    with pytest.raises(DictionaryError) as caught:
        plan_of(text)
    assert "made-up.toml" in str(caught.value) and said in str(caught.value), str(caught.value)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("format = 2", "format"),
        ('format = 1\nname = "Big Name"', "name"),
        ("format = ", "TOML"),
        ("x = " + "[" * 3000, "TOML"),
        ("", "format"),
        (HEAD + "cycles = 0\nsteps = [ { ping = true } ]", "must be 1..10000"),
        (HEAD + "cycles = 10001\nsteps = [ { ping = true } ]", "must be 1..10000"),
        (HEAD + f"cycles = 10000\nsteps = [ {'{ ping = true },' * 3} ]", "at most 6666"),
    ],
)
def test_a_head_that_cannot_be_is_refused(head: str, said: str) -> None:
    with pytest.raises(DictionaryError) as caught:
        parse_plan(head, dictionary(), "made-up.toml")
    assert said in str(caught.value)


def test_more_cycles_than_a_permit_holds_are_refused() -> None:
    plan = plan_of(ARM_SAFE)
    check_cycles(plan, 10_000)
    for cycles in (0, -1, 10_001):
        with pytest.raises(DictionaryError):
            check_cycles(plan, cycles)


def test_a_plan_is_found_by_name_or_file_and_a_wrong_name_is_told_what_there_is(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(f"{HEAD}cycles = 3\n{ARM_SAFE}")
    assert load_plan(str(file), dictionary()).cycles == 3
    with pytest.raises(DictionaryError, match="plans that come along: arm-fire-safe, arm-safe"):
        load_plan("arm-sofe", dictionary())
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(DictionaryError, match="UTF-8"):
        load_plan(str(file), dictionary())


def test_the_sweep_that_comes_along_stays_inside_the_command() -> None:
    angles = [args["angle"] for _, args in load_plan("fin-sweep", dictionary()).sends(1) if "angle" in args]
    assert max(angles) == pytest.approx(math.radians(13.75), abs=0.001) and min(angles) == -max(angles)


def test_plans_come_with_the_least_dangerous_first_and_the_one_that_fires_last() -> None:
    plans = [parse_plan(text, dictionary(), name) for name, text in sample_plans().items()]
    ordered = [plan.name for plan in sorted(plans, key=TrialPlan.danger)]
    assert ordered[0] == "link-ping" and ordered[-1] == "arm-fire-safe"
    assert ordered.index("fin-sweep") < ordered.index("arm-safe"), "what only moves comes before what arms"
