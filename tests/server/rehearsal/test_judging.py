"""What is wrong in a run, rule by rule, on answers made up for it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest

from protocol.fields import Value
from server.rehearsal.flown import Flown
from server.rehearsal.judging import APART, DEPLOYMENT, ENDED, NOT_FINITE, WRONG_PHASE, Bounds, Wrong
from server.rehearsal.shadow import Believed, turn_between
from tests.server.rehearsal.helpers import PHASES, judge, kinds, made

STEPS = 500  # 5 s
WHOLE = {"attitude_quaternion.w": 1.0}
MOVES = ("position.east", "position.up", "velocity.north", "velocity.up", "body_rate.z")
STATE = dict.fromkeys(MOVES, 0.0) | {f"attitude_quaternion.{part}": float(part == "w") for part in "wxyz"}


def believed(deployed: int = STEPS, *, controls: bool = False, boost: int = STEPS) -> list[Believed]:
    """Return what the twin's own computer made of it: at rest, in boost from one step on, deployed from another on."""
    phases = ["pad" if step < boost else "boost" for step in range(STEPS)]
    return [Believed(phase, STATE, controls, step >= deployed) for step, phase in enumerate(phases)]


def flown(changed: dict[int, dict[str, Value]] | None = None, boost: int = STEPS, ordered: int = STEPS) -> Flown:
    """Return a run at rest, with other values in some steps."""

    def values(step: int) -> dict[str, Value]:
        phase = PHASES.index("pad" if step < boost else "boost")
        return WHOLE | {"vehicle_phase": phase} | (changed or {}).get(step, {})

    return made(STEPS, values, ordered=lambda step: 16 * (step >= ordered))


def wrongs(run: Flown, theirs: Sequence[Believed | None] | None = None) -> list[Wrong]:
    return judge().wrongs(run, believed() if theirs is None else theirs)


def test_a_run_like_the_twins_own_has_nothing_wrong() -> None:
    assert wrongs(flown()) == []
    assert wrongs(flown(boost=100, ordered=300), believed(300, boost=100)) == []


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_the_first_value_that_is_no_number_with_what_changed_in_its_frame(bad: float) -> None:
    run = flown({40: {"body_rate.z": bad, "control.enabled": 1}, 41: {"position.up": bad}})
    (first, *_) = wrongs(run)
    assert (first.kind, first.frame, first.time_us, first.component) == (NOT_FINITE, 40, 400_000, "navigation.rate_z")
    assert first.began == ("control.enabled goes to 1",)


@pytest.mark.parametrize(
    ("role", "inside", "outside"),
    [
        ("position.east", 14.9, 15.1),
        ("position.up", 1.9, 2.1),
        ("velocity.north", -5.9, -6.1),
        ("velocity.up", -0.9, -1.1),
        ("body_rate.z", 0.34, 0.36),
    ],
)
def test_a_state_apart_is_told_by_the_first_frame_that_is(role: str, inside: float, outside: float) -> None:
    assert wrongs(flown({50: {role: inside}})) == []
    (wrong,) = wrongs(flown({60: {role: outside}, 70: {role: 9 * outside}}))
    wider = replace(judge(), bounds=Bounds().times(1.5))
    assert wider.wrongs(flown({60: {role: outside}}), believed()) == []
    assert (wrong.kind, wrong.frame, wrong.component, wrong.told, wrong.wanted) == (APART, 60, role, outside, 0.0)


def test_attitude_and_rates_count_until_recovery_is_ordered_only() -> None:
    half = math.radians(8.1) / 2
    turned = {"attitude_quaternion.w": math.cos(half), "attitude_quaternion.x": math.sin(half)}
    (wrong,) = wrongs(flown({60: turned}))
    assert (wrong.component, wrong.frame) == ("attitude, degrees", 60) and wrong.told == pytest.approx(8.1)
    opposite = {"attitude_quaternion.w": -1.0}  # the same attitude
    assert wrongs(flown({60: opposite})) == []
    tumbling = flown({60: turned | {"body_rate.z": 9.0}}, ordered=50)
    assert wrongs(tumbling, believed(50)) == []
    assert kinds(wrongs(flown({60: {"position.up": 16.0}}, ordered=50), believed(50))) == [APART]


def test_the_fin_counts_while_both_control() -> None:
    turned = {"control.roll_command": math.radians(4.1)}
    off, on = {60: turned}, {step: {"control.enabled": 1} | (turned if step == 60 else {}) for step in range(STEPS)}
    assert wrongs(flown(off)) == []
    (wrong,) = wrongs(flown(on), believed(controls=True))
    assert (wrong.kind, wrong.frame, wrong.component) == (APART, 60, "control.roll_command")


def test_control_may_begin_and_end_half_a_second_apart_and_no_more() -> None:
    """At the gate's edge a few centimeters decide which of two estimates is through it first."""
    theirs = [replace(one, controls=step >= 100, roll_command=1.0) for step, one in enumerate(believed())]

    def after(begin: int, end: int = STEPS) -> list[Wrong]:
        fin: dict[str, Value] = {"control.enabled": 1, "control.roll_command": 1.0}
        return wrongs(flown({step: fin for step in range(begin, end)}), theirs)

    assert after(149) == [] and after(51) == []
    (late,) = after(152)
    assert (late.kind, late.frame, late.component, late.told, late.wanted) == (APART, 150, "control.enabled", 0.0, 1.0)
    (early,) = after(45)
    assert (early.component, early.frame, early.told) == ("control.enabled", 95, 1.0)
    assert after(149, STEPS - 49) == []  # what lasts shorter at the end is left open as well
    (never,) = wrongs(flown(), theirs)
    assert never.component == "control.enabled"


def test_a_phase_may_come_half_a_second_apart_and_no_more() -> None:
    assert wrongs(flown(boost=149), believed(boost=100)) == []
    (wrong,) = wrongs(flown(boost=151), believed(boost=100))
    assert (wrong.kind, wrong.frame, wrong.component) == (WRONG_PHASE, 151, "phase boost")
    (never,) = wrongs(flown(), believed(boost=100))
    assert (never.kind, never.component) == (WRONG_PHASE, "phase boost")
    # What the end of the run leaves open is not held against it.
    assert wrongs(flown(), believed(boost=STEPS - 40)) == []


def test_deployment_may_be_a_fifth_of_a_second_apart_and_no_more() -> None:
    assert wrongs(flown(ordered=219), believed(200)) == []
    (late,) = wrongs(flown(ordered=221), believed(200))
    assert (late.kind, late.time_us) == (DEPLOYMENT, 2_000_000)
    (never,) = wrongs(flown(), believed(200))
    assert never.kind == DEPLOYMENT and math.isnan(never.told)
    assert kinds(wrongs(flown(ordered=100))) == [DEPLOYMENT]  # and too early, where the twin's own never does


def test_a_rehearsal_that_ended_by_itself_is_wrong_at_its_end() -> None:
    run = flown()
    run.ended = "The flight computer has ended the rehearsal: continuity."
    (wrong,) = wrongs(run)
    assert (wrong.kind, wrong.frame) == (ENDED, STEPS) and wrong.sentence().endswith("ended the rehearsal: continuity.")


def test_moments_without_an_answer_are_passed_over() -> None:
    run = flown({60: {"position.up": 99.0}})
    run.frames[60] = run.frames[60]._replace(answer=None)
    theirs: list[Believed | None] = [*believed()]
    theirs[80] = None
    assert wrongs(run, theirs) == []


def test_the_turn_between_attitudes() -> None:
    """A turn about x by 30 degrees, either sign of the quaternion, any length."""
    half = math.radians(15.0)
    other = [2 * math.cos(half), 2 * math.sin(half), 0.0, 0.0]
    assert turn_between([1.0, 0.0, 0.0, 0.0], other) == pytest.approx(math.radians(30.0))
    assert turn_between([-1.0, 0.0, 0.0, 0.0], other) == pytest.approx(math.radians(30.0))
    assert math.isnan(turn_between([0.0] * 4, other))
