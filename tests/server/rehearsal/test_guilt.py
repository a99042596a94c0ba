"""What a search leaves must be the mistake's own doing: the build without the mistake does not show it."""

from __future__ import annotations

from typing import Any

import pytest

from server.cli.rehearse import fly, met
from server.rehearsal.cases import Moment, Player, moments_of
from server.rehearsal.closed_loop import Plan
from server.rehearsal.judging import APART, Bounds, Judge, strays
from server.rehearsal.shadow import Believed, Shadow
from server.rehearsal.shrinking import Step, joined, moved_together, shrunk
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program

PHASES = SANDPIPER.roles["vehicle_phase"].values


def test_one_apart_from_the_twins_own_is_shrunk_to_what_a_clean_build_does_not_show() -> None:
    """The fifth mistake; a search that lets single steps grow long finds the clean build guilty as well."""
    scenario = load_scenario("calm")
    with met(host_program(5), SANDPIPER) as talk:
        judge = Judge(talk.reader, PHASES)
        flown, wrongs, _ = fly(talk, judge, Plan(scenario, until_s=7.6))
        assert wrongs[0].kind == APART and "control.phase goes to boost" in wrongs[0].began
        player = Player(talk, judge, scenario.vehicle())
        case = shrunk(player, moments_of(flown), wrongs[0], SANDPIPER)
        player = player.asked_for(case.within)
        seen = player.shows(case.moments, case.kind, case.component)
    far = abs(wrongs[0].told - wrongs[0].wanted)
    assert case.within > 1.5 and abs(case.within - far / 2.0) < 1e-9  # less would be another matter
    assert seen is not None and abs(seen.told - seen.wanted) >= case.within and set(wrongs[0].began) <= set(seen.began)
    assert 10 * case.frames < wrongs[0].frame and list(case.channels) == ["sensors.accel_a_z"]
    with met(host_program(0), SANDPIPER) as talk:
        player = Player(talk, Judge(talk.reader, PHASES), scenario.vehicle())
        assert player.shows(case.moments, case.kind, case.component) is None


def test_steps_moved_together_keep_their_length() -> None:
    def moment(at_us: int, late_us: int = 0) -> Moment:
        return at_us, (("fix", max(0, at_us - late_us), (1.0, 2.0)), ("sensors", at_us, (3.0,)))

    steps = [Step(10_000, moment(10_000)), Step(30_000, moment(50_000, 10_000)), Step(10_000, moment(90_000))]
    times = [[time_us for _, time_us, _ in stimuli] for _, stimuli in moved_together(steps)]
    assert [time_us for time_us, _ in moved_together(steps)] == [10_000, 40_000, 50_000]
    assert times == [[10_000, 10_000], [30_000, 40_000], [50_000, 50_000]]


def test_a_step_joined_takes_the_time_of_those_left_out_before_it() -> None:
    steps = [Step(10_000, (n * 10_000, (("sensors", n * 10_000, (float(n),)),))) for n in range(1, 6)]
    left = joined(steps, [2, 3])
    assert [(step.gap_us, step.joined) for step in left] == [(30_000, True), (10_000, False)]
    assert [time_us for time_us, _ in moved_together(left)] == [30_000, 40_000]
    again = joined(left, [1])
    assert again == [Step(40_000, steps[3].moment, True)]


def believed(**changed: float | str | bool) -> Believed:
    """Return what a computer believes: rolling in the coast, under control."""
    told: dict[str, Any] = {"phase": "coast", "controls": True, "deployed": False, "roll_command": 0.0, "body_rate.z": 1.0}
    told |= changed
    return Believed(
        told["phase"], {"body_rate.z": told["body_rate.z"]}, told["controls"], told["deployed"], told["roll_command"]
    )


def test_how_long_steps_are_is_an_explanation_where_the_twins_own_computer_strays() -> None:
    bounds = Bounds()
    for far, name, component in (
        (bounds.rate_rad_s, "body_rate.z", "body_rate.z"),
        (bounds.fin_rad, "roll_command", "control.roll_command"),
    ):
        one = believed(**{name: 1.0})
        assert not strays(one, believed(**{name: 1.0 + 0.6 * far}), component, bounds)
        assert not strays(one, believed(**{name: 1.0 - 0.8 * far}), "phase boost", bounds)
        assert strays(one, believed(**{name: 1.0 - 0.8 * far}), component, bounds)
        assert strays(one, believed(**{name: float("nan")}), component, bounds)
    assert strays(believed(), believed(phase="boost"), "phase boost", bounds)
    assert strays(believed(), believed(deployed=True), "deployment", bounds)


def test_the_twins_own_computer_takes_a_long_step_as_many_cycles_or_as_one() -> None:
    def sensed(accel: float, gyro: float) -> tuple[float, ...]:
        unit = (0.0, 0.0, accel, 0.0, 0.0, gyro)
        return (*unit, *unit, 94080.0)

    up = {}
    for long_cycles in (False, True):
        shadow = Shadow(load_scenario("calm").vehicle(), SANDPIPER, long_cycles)
        first = shadow.take(2_000_000, [("sensors", sensed(9.80665, 0.0))])
        assert first.phase == "pad"  # the first step, too, is as long as it took
        up[long_cycles] = shadow.take(2_100_000, [("sensors", sensed(60.0, 0.5))])
    assert up[False].phase == up[True].phase == "boost"
    assert up[False].state["velocity.up"] == pytest.approx(up[True].state["velocity.up"], abs=0.2)
    assert up[False].state != up[True].state
