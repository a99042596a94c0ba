"""The example's second control mode, rehearsed: lateral motors ordered by the real C, lit by the simulated vehicle, judged.

Each mode is flown: roll alone, side motors, side motors with a dud and with a late one, and a build with its motors numbered
backwards. The gust's weather is drawn from each seed, so that no two flights are the same.
"""

from __future__ import annotations

import json
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from server.cli.paper import Table, Words
from server.cli.rehearsals.motors import motor_blocks
from server.cli.rehearse import fly, met
from server.json_text import finite
from server.rehearsal.closed_loop import Plan, truth_of
from server.rehearsal.flown import Flown
from server.rehearsal.judging import PUSHED_AWAY, Wrong
from server.rehearsal.plant import BURNED, LIT, NO_CONTINUITY, Plant
from server.rehearsal.plant import DUD as NO_PUSH
from server.rehearsal.score import Run
from server.rehearsal.sensor_faults import FaultProblem, read_fault, with_motor_faults
from server.rehearsal.side_motors import SIDE_MOTORS, SideMotors, Truth, flown_again, modes_of, tilts_rad
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program
from tests.server.rehearsal.computers import changed_program
from tests.server.rehearsal.helpers import READER, answer, judge, kinds

GUSTY = load_scenario("gusty-rail")
GUSTY = replace(GUSTY, changes={**GUSTY.changes, "wind.fixed_seed": None})
STRONG = replace(GUSTY, changes={**GUSTY.changes, "motor.thrust_factor": 1.0})  # time for all four motors
SEEDS = (2, 4, 6)
FIRST = 2  # the motor that each of these flights orders first
UNTIL_S = 12.5  # past the apogee
DUD, LATE = (f"dud channel[{FIRST}]",), (f"late channel[{FIRST}] by 0.3",)
ALL_DUDS = tuple(f"dud channel[{number}]" for number in (1, 2, 3, 4))
BACKWARDS = (
    "fc_side_motors.c",
    "{{-1.0F, 0.0F}, {0.0F, -1.0F}, {1.0F, 0.0F}, {0.0F, 1.0F}}",
    "{{1.0F, 0.0F}, {0.0F, 1.0F}, {-1.0F, 0.0F}, {0.0F, -1.0F}}",
)
# Takes whatever motor is left, wherever it points: nothing but the rules of time holds it back.
FIRST_LEFT = """#include "fc.h"
static unsigned first_left(const fc_flight *f)
{
    unsigned i = 0;
    while (i < FC_LATERALS && ((f->side.ordered >> i) & 1u) != 0u) { i++; }
    return i;
}
"""
EAGER = ("fc_side_motors.c", "leans(f, up) ? best_motor(f, up) : FC_LATERALS", "first_left(f)", FIRST_LEFT)
# The board is inhibited, as safe all does, when one motor has been ordered and another would be.
EXPIRE = "    fc_let_arming_expire(c);\n    f->charge"
INHIBITED = ("fc_main.c", EXPIRE, "    if (f->liftoff_s > 1.7F && f->liftoff_s < 1.8F) fc_inhibit(c);\n" + EXPIRE)


class Rehearsed(NamedTuple):
    """One flight, what the computer said of its side motors, and the truth of the same orders flown again."""

    flown: Flown
    wrongs: list[Wrong]
    run: Run
    said: list[str]
    again: Truth

    @property
    def motors(self) -> SideMotors:
        """What was told of the lateral motors."""
        assert self.run.side_motors is not None
        return self.run.side_motors

    @property
    def tilt_rad(self) -> float:
        """Mean tilt from the moment that the mode may begin until apogee, by the truth."""
        truth = dict(self.flown.truth or {})
        return float(tilts_rad(truth)[(truth["t_s"] >= 7.5) & (truth["velocity.up"] > 0.0)].mean())


Rehearsals = dict[str, list[Rehearsed]]
Asked = dict[str, tuple[Scenario, tuple[str, ...], tuple[int, ...]]]


def rehearse(program: Path, asked: Asked) -> Rehearsals:
    """Fly all that is asked of one program."""
    out: Rehearsals = {}
    with met(program, SANDPIPER) as talk:
        for name, (scenario, texts, seeds) in asked.items():
            for seed in seeds:
                talk.reader.others.clear()
                plan = Plan(scenario, seed, [read_fault(text, SANDPIPER) for text in texts], until_s=UNTIL_S)
                flown, wrongs, run = fly(talk, judge(), plan)
                frames = [content for content in talk.reader.others if b"side motor" in content]
                said = [frame[frame.index(b"side motor") : -2].rstrip(b"\0").decode("ascii") for frame in frames]
                again = flown_again(talk, plan, flown, ())
                out.setdefault(name, []).append(Rehearsed(flown, wrongs, run, said, again))
    return out


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Rehearsals:
    """Fly every build of this file, side by side: each waits two seconds for its own start."""

    def changed(name: str, file: str, old: str, new: str, before: str = "") -> Path:
        return changed_program(tmp_path_factory.mktemp(name), file, old, new, before, side_motors=True)

    side: Asked = {
        "calm": (load_scenario("calm"), (), SEEDS[:1]), "side": (GUSTY, (), SEEDS), "dud": (GUSTY, DUD, SEEDS),
        "all duds": (GUSTY, ALL_DUDS, SEEDS[:1]), "late": (GUSTY, LATE, SEEDS[:1]),
    }  # fmt: skip
    jobs: list[tuple[Path, Asked]] = [
        (host_program(), {"roll": (GUSTY, (), SEEDS)}),
        (host_program(side_motors=True), side),
        (changed("backwards", *BACKWARDS), {"backwards": (GUSTY, (), SEEDS[:2])}),
        (changed("eager", *EAGER), {"eager": (STRONG, (), SEEDS[:1]), "eager, dud": (STRONG, DUD, SEEDS[:1])}),
        (changed("inhibited", *INHIBITED), {"inhibited": (GUSTY, (), SEEDS[:1])}),
    ]
    with ThreadPoolExecutor(len(jobs)) as pool:
        return {name: some for told in pool.map(lambda job: rehearse(*job), jobs) for name, some in told.items()}


# ---------------------------------------------------------------- each mode, by the example's own C


def test_each_control_mode_is_flown_and_named(rehearsed: Rehearsals) -> None:
    (calm,) = rehearsed["calm"]
    assert calm.wrongs == [] and calm.run.side_motors is None and not calm.flown.ordered
    seen = {mode for mode, at in calm.run.modes_s.items() if at is not None}
    assert seen == {"off", "centered", "roll"} and calm.run.modes_s[SIDE_MOTORS] is None
    for one in rehearsed["side"]:
        began, first = one.run.modes_s[SIDE_MOTORS], one.flown.ordered[0]
        assert began == pytest.approx(first.ordered_s) and first.came == LIT and one.wrongs == []


def test_the_side_motors_make_the_tilt_smaller_on_every_seed(rehearsed: Rehearsals) -> None:
    for without, one in zip(rehearsed["roll"], rehearsed["side"], strict=True):
        print(f"mean tilt {math.degrees(without.tilt_rad):.1f} -> {math.degrees(one.tilt_rad):.1f} deg")
        assert one.tilt_rad < without.tilt_rad - math.radians(1.0)
        assert one.motors.leaning.sideways_m_s < 0.75 * one.motors.without.sideways_m_s
        assert all(motor.tilt_rad < motor.tilt_without_rad and motor.turned_rad_s > 1.0 for motor in one.motors.motors)


def test_one_at_a_time_four_at_most_and_a_while_between(rehearsed: Rehearsals) -> None:
    for name, betweens in (("eager", [0.8] * 3), ("eager, dud", [0.8, 0.27, 0.8])):
        (one,) = rehearsed[name]
        assert [order.number for order in one.flown.ordered] == [1, 2, 3, 4]
        assert np.diff([order.ordered_s for order in one.flown.ordered]) == pytest.approx(betweens, abs=0.021)


def test_whoever_inhibits_the_board_in_flight_ends_the_mode(rehearsed: Rehearsals) -> None:
    (one,) = rehearsed["inhibited"]
    assert [order.number for order in one.flown.ordered] == [FIRST] and len(rehearsed["side"][0].flown.ordered) > 1


def test_a_dud_is_known_by_the_rates_another_is_taken_and_it_is_no_worse_than_without(rehearsed: Rehearsals) -> None:
    for plain, one in zip(rehearsed["roll"], rehearsed["dud"], strict=True):
        first, second, *_ = one.flown.ordered
        assert (first.number, first.came, first.lit_s) == (FIRST, NO_PUSH, None)
        assert second.came == LIT and second.number != FIRST
        assert one.tilt_rad < plain.tilt_rad and one.wrongs == []
        says = ["side motors released", "side motor 2 ordered", "side motor 2 is a dud", "side motor 1 ordered"]
        assert one.said[:4] == says
    assert not any("dud" in text for one in rehearsed["side"] for text in one.said)


def test_with_none_that_lights_it_flies_as_without_the_mode(rehearsed: Rehearsals) -> None:
    (one,) = rehearsed["all duds"]
    assert {order.came for order in one.flown.ordered} == {NO_PUSH}
    assert one.tilt_rad == pytest.approx(rehearsed["roll"][0].tilt_rad, abs=math.radians(0.2))
    assert one.motors.leaning == one.motors.without


def test_a_late_one_is_told_with_the_moment_at_which_it_lit(rehearsed: Rehearsals) -> None:
    (one,) = rehearsed["late"]
    first = one.flown.ordered[0]
    assert first.came == LIT and first.lit_s == pytest.approx(first.ordered_s + 0.34, abs=0.006)


def test_motors_numbered_backwards_are_found_by_the_truth(rehearsed: Rehearsals) -> None:
    for one in rehearsed["backwards"]:
        assert PUSHED_AWAY in kinds(one.wrongs) and not one.run.passed
        wrong = next(wrong for wrong in one.wrongs if wrong.kind == PUSHED_AWAY)
        assert wrong.time_us == round(one.flown.ordered[0].ordered_s * 1e6)
        assert "lateral motor 4 pushed the nose away from the vertical" in wrong.sentence()


# ---------------------------------------------------------------- the simulated vehicle


def test_the_vehicle_flown_again_on_the_same_orders_is_the_same_flight(rehearsed: Rehearsals) -> None:
    """So that what differs without a motor is that motor's doing."""
    for one in rehearsed["side"]:
        assert one.flown.truth is not None
        for name, column in one.again.items():
            assert len(column) > 900 and np.array_equal(column, one.flown.truth[name][: len(column)]), name


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
        ("dud channel[3]", {}, NO_PUSH),
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


def test_what_is_printed_and_written_tells_modes_and_motors(rehearsed: Rehearsals) -> None:
    run = rehearsed["dud"][0].run
    words, modes, _, motors, *_ = list(motor_blocks([run]))
    assert isinstance(words, Words) and isinstance(modes, Table) and isinstance(motors, Table)
    assert modes.head[2:] == ("off", "centered", "roll", "bench", SIDE_MOTORS) and modes.rows[0][5] == "never"
    assert modes.rows[0][6] == motors.rows[0][3] and motors.rows[0][4:] == (NO_PUSH, "", "", "", "")
    assert motors.rows[1][4] == LIT and motors.rows[1][8].startswith("+")
    written = json.loads(json.dumps(finite(asdict(run))))
    assert written["modes_s"]["bench"] is None
    assert [one["came"] for one in written["side_motors"]["motors"]][:2] == [NO_PUSH, LIT]
    # What does not fly the second mode says so as well.
    assert len(list(motor_blocks([rehearsed["roll"][0].run]))) == 2


def test_the_modes_of_a_computer_that_tells_none() -> None:
    assert modes_of(Flown(), READER) == dict.fromkeys(("off", "centered", "roll", "bench", SIDE_MOTORS))
