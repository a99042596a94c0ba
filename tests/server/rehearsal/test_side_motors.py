"""The example's second control mode, rehearsed: lateral motors ordered by the real C, lit by the simulated vehicle, judged.

Each mode is flown: roll alone, side motors, side motors with a dud and with a late one, and a build with its motors numbered
backwards. The gust's weather is drawn from each seed, so that no two flights are the same.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from server.cli.paper import Table, Words
from server.cli.rehearsals.motors import motor_blocks
from server.cli.rehearse import fly, met
from server.json_text import finite
from server.rehearsal.closed_loop import Plan, truth_of
from server.rehearsal.flown import Flown
from server.rehearsal.judging import PUSHED_AWAY, Wrong
from server.rehearsal.plant import BURNED, DUD, LIT, NO_CONTINUITY, Plant
from server.rehearsal.score import Run
from server.rehearsal.sensor_faults import FaultProblem, read_fault, with_motor_faults
from server.rehearsal.side_motors import SIDE_MOTORS, SideMotors, flown_again, modes_of, tilts_rad
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program
from tests.server.rehearsal.computers import changed_program
from tests.server.rehearsal.helpers import READER, answer, judge, kinds

GUSTY = load_scenario("gusty-rail")
GUSTY = replace(GUSTY, changes={**GUSTY.changes, "wind.fixed_seed": None})
SEEDS = (2, 4, 6)
FIRST = 2  # the motor that each of these flights orders first
UNTIL_S = 12.5  # past the apogee
NUMBERED = "{{-1.0F, 0.0F}, {0.0F, -1.0F}, {1.0F, 0.0F}, {0.0F, 1.0F}}"
BACKWARDS = "{{1.0F, 0.0F}, {0.0F, 1.0F}, {-1.0F, 0.0F}, {0.0F, -1.0F}}"
Result = tuple[Flown, list[Wrong], Run]


def flights(
    program: Path, faults: tuple[str, ...], scenario: Scenario = GUSTY, seeds: tuple[int, ...] = SEEDS
) -> list[Result]:
    """Fly a program on each seed."""
    read = [read_fault(text, SANDPIPER) for text in faults]
    with met(program, SANDPIPER) as talk:
        return [fly(talk, judge(), Plan(scenario, seed, read, until_s=UNTIL_S)) for seed in seeds]


@cache
def rehearsed(side_motors: bool = True, faults: tuple[str, ...] = ()) -> list[Result]:
    """Fly the example in a gust, with the second mode built in or not."""
    return flights(host_program(side_motors=side_motors), faults)


def told(result: Result) -> SideMotors:
    """Return what was told of the lateral motors."""
    motors = result[2].side_motors
    assert motors is not None
    return motors


def tilt_of(result: Result) -> float:
    """Return the mean tilt, rad, from the moment that the mode may begin until apogee, by the truth."""
    truth = dict(result[0].truth or {})
    kept = (truth["t_s"] >= 7.5) & (truth["velocity.up"] > 0.0)
    return float(tilts_rad(truth)[kept].mean())


def events(program: Path, faults: tuple[str, ...], seed: int) -> list[str]:
    """Return what the computer says of its side motors in one flight."""
    with met(program, SANDPIPER) as talk:
        talk.reader.others.clear()
        fly(talk, judge(), Plan(GUSTY, seed, [read_fault(text, SANDPIPER) for text in faults], until_s=UNTIL_S))
        said = [content for content in talk.reader.others if b"side motor" in content]
        return [content[content.index(b"side motor") : -2].rstrip(b"\0").decode("ascii") for content in said]


# ---------------------------------------------------------------- each mode, by the example's own C


def test_each_control_mode_is_flown_and_named() -> None:
    with met(host_program(side_motors=True), SANDPIPER) as talk:
        calm = fly(talk, judge(), Plan(load_scenario("calm"), 2, until_s=12.0))
    assert calm[1] == [] and calm[2].side_motors is None and not calm[0].ordered
    seen = {mode for mode, at in calm[2].modes_s.items() if at is not None}
    assert seen == {"off", "centered", "roll"} and calm[2].modes_s[SIDE_MOTORS] is None
    for result in rehearsed():
        assert result[1] == []
        began, first = result[2].modes_s[SIDE_MOTORS], result[0].ordered[0]
        assert began == pytest.approx(first.ordered_s) and first.came == LIT


def test_the_side_motors_make_the_tilt_smaller_on_every_seed() -> None:
    without, given = ([tilt_of(result) for result in rehearsed(side_motors)] for side_motors in (False, True))
    print(
        "mean tilt, deg:", [f"{math.degrees(a):.1f} -> {math.degrees(b):.1f}" for a, b in zip(without, given, strict=True)]
    )
    assert all(b < a - math.radians(1.0) for a, b in zip(without, given, strict=True))
    for result in rehearsed():
        motors = told(result)
        assert motors.leaning.sideways_m_s < 0.75 * motors.without.sideways_m_s
        assert all(one.tilt_rad < one.tilt_without_rad and one.turned_rad_s > 1.0 for one in motors.motors)


def test_one_at_a_time_four_at_most_and_a_while_between(tmp_path: Path) -> None:
    """A build that takes whatever motor is left, wherever it points: nothing but the rules of time holds it back."""
    old, new = "leans(f, up) ? best_motor(f, up) : FC_LATERALS", "first_left(f)"
    first_left = """
static unsigned first_left(const fc_flight *f)
{
    unsigned i = 0;
    while (i < FC_LATERALS && ((f->side.ordered >> i) & 1u) != 0u) { i++; }
    return i;
}
"""
    eager = changed_program(tmp_path, "fc_side_motors.c", old, new, '#include "fc.h"\n' + first_left, side_motors=True)
    scenario = replace(GUSTY, changes={**GUSTY.changes, "motor.thrust_factor": 1.0})  # time for all four
    for faults, betweens in (((), [0.8] * 3), (("dud channel[2]",), [0.8, 0.27, 0.8])):
        for flown, _, _ in flights(eager, faults, scenario, SEEDS[:1]):
            assert [one.number for one in flown.ordered] == [1, 2, 3, 4]
            times = [one.ordered_s for one in flown.ordered]
            assert np.diff(times) == pytest.approx(betweens, abs=0.021)


def test_whoever_inhibits_the_board_in_flight_ends_the_mode(tmp_path: Path) -> None:
    """As safe all does; here the computer's own, 1.7 s after lift-off, when one has been ordered and another would be."""
    old = "    fc_let_arming_expire(c);\n    f->charge"
    new = "    if (f->liftoff_s > 1.7F && f->liftoff_s < 1.8F) fc_inhibit(c);\n" + old
    program = changed_program(tmp_path, "fc_main.c", old, new, side_motors=True)
    ((flown, _, _),) = flights(program, (), seeds=SEEDS[:1])
    assert [one.number for one in flown.ordered] == [FIRST] and len(rehearsed()[0][0].ordered) > 1


def test_a_dud_is_known_by_the_rates_and_another_is_taken_and_it_is_no_worse_than_without() -> None:
    faults = (f"dud channel[{FIRST}]",)
    for plain, result in zip(rehearsed(False), rehearsed(faults=faults), strict=True):
        first, second, *_ = result[0].ordered
        assert (first.number, first.came, first.lit_s) == (FIRST, DUD, None)
        assert second.came == LIT and second.number != FIRST
        assert tilt_of(result) < tilt_of(plain) and result[1] == []
    said = events(host_program(side_motors=True), faults, SEEDS[0])
    assert said[:4] == ["side motors released", "side motor 2 ordered", "side motor 2 is a dud", "side motor 1 ordered"]
    assert "dud" not in " ".join(events(host_program(side_motors=True), (), SEEDS[0]))


def test_with_none_that_lights_it_flies_as_without_the_mode() -> None:
    faults = tuple(f"dud channel[{n}]" for n in (1, 2, 3, 4))
    for plain, result in zip(rehearsed(False), rehearsed(faults=faults), strict=True):
        assert {one.came for one in result[0].ordered} == {DUD}
        assert tilt_of(result) == pytest.approx(tilt_of(plain), abs=math.radians(0.2))
        assert told(result).leaning == told(result).without


def test_a_late_one_is_told_with_the_moment_at_which_it_lit() -> None:
    for flown, _, _ in rehearsed(faults=(f"late channel[{FIRST}] by 0.3",)):
        first = flown.ordered[0]
        assert first.came == LIT and first.lit_s == pytest.approx(first.ordered_s + 0.34, abs=0.006)


def test_motors_numbered_backwards_are_found_by_the_truth(tmp_path: Path) -> None:
    copy = tmp_path / "backwards"
    copy.mkdir()
    program = changed_program(copy, "fc_side_motors.c", NUMBERED, BACKWARDS, side_motors=True)
    for flown, wrongs, run in flights(program, ()):
        assert PUSHED_AWAY in kinds(wrongs) and not run.passed
        wrong = next(wrong for wrong in wrongs if wrong.kind == PUSHED_AWAY)
        assert wrong.time_us == round(flown.ordered[0].ordered_s * 1e6)
        assert "lateral motor 4 pushed the nose away from the vertical" in wrong.sentence()


# ---------------------------------------------------------------- the simulated vehicle


def test_the_vehicle_flown_again_on_the_same_orders_is_the_same_flight() -> None:
    """So that what differs without a motor is that motor's doing."""
    with met(host_program(side_motors=True), SANDPIPER) as talk:
        plan = Plan(GUSTY, 2, until_s=UNTIL_S)
        flown, _, _ = fly(talk, judge(), plan)
        again = flown_again(talk, plan, flown, ())
    assert flown.truth is not None
    for name, column in again.items():
        assert np.array_equal(column, flown.truth[name][: len(column)]), name


def vacuum(**more: object) -> Scenario:
    """Return a vehicle in still air of no density, that nothing turns."""
    still: dict[str, object] = {
        "site.pad_pressure_pa": 1e-6, "wind.speed_at_10_m_m_s": 0.0, "wind.turbulence_m_s": 0.0, "rail.tilt_deg": 0.0,
        "motor.misalignment_deg": 0.0, "fins.misalignment_rad": 0.0, "spread.fin_misalignment_rad": 0.0,
        "lateral.impulse_n_s": (0.05, 0.1, 0.15, 0.2), "lateral.burn_s": 0.1, "lateral.place_m": 0.25,
    }  # fmt: skip
    return Scenario("vacuum", "", {**still, **more})  # type: ignore[dict-item]


def fired(scenario: Scenario, *orders: int, cycles: int = 60) -> tuple[Plant, dict[str, float]]:
    """Fly to the top of the burn, then order lateral motors by the bits, cycle by cycle; return it and the state before."""
    plant = Plant(scenario, 1, SANDPIPER, READER)
    plant.motion.ignite()
    while plant.motion.milestones.burnout_s is None:
        plant.step()
    before = {name: float(column[-1]) for name, column in truth_of(plant).items()}
    for number in range(cycles):
        plant.obey(answer(number + 1, {}, {"ordered": orders[min(number, len(orders) - 1)]}))
        plant.step()
    return plant, before


@pytest.mark.parametrize(("number", "along"), [(1, (-1.0, 0.0)), (2, (0.0, -1.0)), (3, (1.0, 0.0)), (4, (0.0, 1.0))])
def test_impulse_lever_and_delay_are_the_numbers_own(number: int, along: tuple[float, float]) -> None:
    """Impulse over mass, impulse by lever over inertia (Newton, Euler), to a hundredth; and not before the board's delay."""
    plant, before = fired(vacuum(), 1 << number - 1)
    truth, point = truth_of(plant), plant.motion.point
    impulse = 0.05 * number
    turn = impulse * (point.center_m - 0.25) / point.lateral_inertia_kg_m2
    q, p = (float(truth[f"body_rate.{axis}"][-1]) - before[f"body_rate.{axis}"] for axis in "yx")
    assert (q, -p) == pytest.approx((turn * along[0], turn * along[1]), rel=0.01, abs=1e-9)
    # While it burns the nose turns by less than 0.05 rad: the push stays sideways to a thousandth.
    speeds = [float(truth[f"velocity.{axis}"][-1]) - before[f"velocity.{axis}"] for axis in ("east", "north")]
    assert speeds == pytest.approx([impulse / point.mass_kg * a for a in along], rel=0.01, abs=1e-9)
    moved = truth["t_s"][np.hypot(truth["body_rate.x"], truth["body_rate.y"]) > 1e-9]
    ordered = plant.ordered()[0]
    assert moved[0] - ordered.ordered_s == pytest.approx(0.04, abs=0.0051) and ordered.lit_s is not None
    assert ordered.lit_s - ordered.ordered_s == pytest.approx(0.04, abs=1e-6)
    rates = np.hypot(truth["body_rate.x"], truth["body_rate.y"])
    ended = truth["t_s"][np.flatnonzero(np.diff(rates) > 1e-9)[-1] + 1]
    assert ended - ordered.lit_s == pytest.approx(0.1, abs=0.0051)


def test_a_dud_an_open_igniter_and_one_burned_before_push_nothing() -> None:
    for fault, changes, came in (
        ("dud channel[3]", {}, DUD),
        (None, {"firing.lateral_continuity": (True, True, False, True)}, NO_CONTINUITY),
    ):
        faults = [read_fault(fault, SANDPIPER)] if fault else []
        plant, before = fired(with_motor_faults(vacuum(**changes), faults), 0b100)
        assert [(one.number, one.came, one.lit_s) for one in plant.ordered()] == [(3, came, None)]
        assert float(truth_of(plant)["body_rate.y"][-1]) == pytest.approx(before["body_rate.y"], abs=1e-9)
    # A computer started anew forgets what it ordered; the motor does not.
    once, _ = fired(vacuum(), 1)
    twice, _ = fired(vacuum(), 1, 0, 1)
    assert [one.came for one in twice.ordered()] == [LIT, BURNED]
    assert float(truth_of(twice)["body_rate.y"][-1]) == float(truth_of(once)["body_rate.y"][-1]) != 0.0


def test_a_late_motor_lights_so_much_later_and_one_in_time_is_not_held_up() -> None:
    plant, _ = fired(with_motor_faults(vacuum(), [read_fault("late channel[1] by 0.2", SANDPIPER)]), 1, 3)
    late, prompt = plant.ordered()
    assert late.lit_s is not None and late.lit_s - late.ordered_s == pytest.approx(0.24, abs=1e-6)
    assert prompt.lit_s is not None and prompt.lit_s - prompt.ordered_s == pytest.approx(0.04, abs=1e-6)


# ---------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("dud", "needs channels"),
        ("dud gyro.a.z", "No lateral motor is named 'gyro.a.z'"),
        ("dud channel[5]", "No lateral motor"),
        ("late channel[1]", "needs a number"),
        ("dud channel[1] at 3", "takes no time"),
    ],
)
def test_a_motors_fault_that_cannot_be(text: str, said: str) -> None:
    with pytest.raises(FaultProblem, match=said.replace("[", r"\[")):
        read_fault(text, SANDPIPER)


def test_what_is_printed_and_written_tells_modes_and_motors() -> None:
    run = rehearsed(faults=(f"dud channel[{FIRST}]",))[0][2]
    words, modes, _, motors, *_ = list(motor_blocks([run]))
    assert isinstance(words, Words) and isinstance(modes, Table) and isinstance(motors, Table)
    assert modes.head[2:] == ("off", "centered", "roll", "bench", SIDE_MOTORS) and modes.rows[0][5] == "never"
    assert modes.rows[0][6] == motors.rows[0][3] and motors.rows[0][4:] == (DUD, "", "", "", "")
    assert motors.rows[1][4] == LIT and motors.rows[1][8].startswith("+")
    written = json.loads(json.dumps(finite(asdict(run))))
    assert written["modes_s"]["bench"] is None
    assert [one["came"] for one in written["side_motors"]["motors"]][:2] == [DUD, LIT]
    # What does not fly the second mode says so as well.
    assert len(list(motor_blocks([rehearsed(False)[0][2]]))) == 2


def test_the_modes_of_a_computer_that_tells_none() -> None:
    assert modes_of(Flown(), READER) == dict.fromkeys(("off", "centered", "roll", "bench", SIDE_MOTORS))
