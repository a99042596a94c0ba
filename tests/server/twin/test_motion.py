"""The truth's own turns: rail, burn, separation, touch-down."""

from __future__ import annotations

import math
import random

import pytest

from server.twin import propulsion
from server.twin.air import Air, Wind
from server.twin.motion import CANOPY, FREE, GROUND, PAD, RAIL, STEP_S, Motion
from server.twin.sandpiper import Vehicle, changed


def motion(**changes) -> Motion:
    still = {"wind.speed_at_10_m_m_s": 0.0, "wind.turbulence_m_s": 0.0}
    vehicle = changed(Vehicle(), still | {name.replace("__", "."): value for name, value in changes.items()})
    return Motion(vehicle, Air(vehicle.site), Wind(vehicle.wind, random.Random(1)))


def run_until(moving: Motion, kind: str, limit_s: float = 120.0) -> None:
    while moving.kind != kind and moving.time_s < limit_s:
        moving.step()
    assert moving.kind == kind


def test_on_the_pad_nothing_moves_and_no_record_grows() -> None:
    resting = motion()
    for _ in range(100):
        resting.step()
    assert resting.kind == PAD and resting.position == (0.0, 0.0, 0.0) and resting.record == []
    assert resting.time_s == pytest.approx(100 * STEP_S)


def test_rail_exit_speed_by_work_and_energy() -> None:
    # Work of thrust less weight and drag along the rail is the kinetic energy (textbook); drag is small here.
    moving = motion(rail__tilt_deg=0.0)
    moving.ignite()
    work, before = 0.0, 0.0
    while moving.kind in (PAD, RAIL):
        force = moving.point.thrust_n - moving.point.mass_kg * 9.80665
        force -= moving.dynamic_pressure_pa * moving.aero.area_m2 * moving.aero.drag_boost
        moving.step()
        work += max(0.0, force) * (moving.position[2] - before)
        before = moving.position[2]
    speed = moving.milestones.rail_exit_speed_m_s
    assert 0.5 * moving.point.mass_kg * speed**2 == pytest.approx(work, rel=0.04)


def test_speed_at_burnout_by_impulse() -> None:
    # Momentum: impulse less gravity less drag; bounds without and with a generous drag.
    moving = motion(rail__tilt_deg=0.0, motor__misalignment_deg=0.0)
    moving.ignite()
    while moving.milestones.burnout_s is None:
        moving.step()
    impulse = propulsion.total_impulse_n_s(moving.vehicle.motor)
    without_drag = impulse / 1.585 - 9.80665 * 1.5
    assert 0.92 * without_drag < moving.velocity[2] < without_drag


def test_thrust_leaves_a_straight_vehicle_straight_in_still_air() -> None:
    moving = motion(rail__tilt_deg=0.0, motor__misalignment_deg=0.0, fins__misalignment_rad=0.0)
    moving.ignite()
    for _ in range(600):
        moving.step()
    assert moving.kind == FREE
    assert max(row[14] for row in moving.record) < 1e-9


def test_flight_by_stages_and_rest_on_the_side() -> None:
    moving = motion()
    moving.ignite()
    run_until(moving, FREE)
    while moving.velocity[2] > 0.0:
        moving.step()
    moving.fire_recovery(True, True)
    assert moving.kind == CANOPY
    run_until(moving, GROUND)
    marks = moving.milestones
    assert marks.liftoff_s < marks.rail_exit_s < marks.burnout_s < marks.apogee_s
    assert marks.apogee_s <= marks.separation_s < marks.landing_s
    assert math.degrees(moving.record[-1][14]) == pytest.approx(90.0, abs=0.1)
    at_rest = moving.position
    for _ in range(100):
        moving.step()
    assert moving.position == at_rest and moving.velocity == (0.0, 0.0, 0.0)


def test_charges_on_the_ground_move_nothing() -> None:
    resting = motion()
    resting.fire_recovery(True, True)
    resting.step()
    assert resting.kind == PAD and resting.milestones.separation_s is None


def test_a_motor_lights_once() -> None:
    moving = motion()
    moving.ignite()
    run_until(moving, FREE)
    lit = moving.milestones.ignition_s
    moving.ignite()
    assert moving.kind == FREE and moving.milestones.ignition_s == lit


def test_ejection_is_felt_as_a_shock() -> None:
    moving = motion()
    moving.ignite()
    run_until(moving, FREE)
    while moving.velocity[2] > 0.0:
        moving.step()
    moving.fire_recovery(True, True)
    moving.step()
    felt = math.dist(moving.specific_force(moving.point.center_m), (0.0, 0.0, 0.0))
    assert felt > 50.0
    for _ in range(8):
        moving.step()
    assert math.dist(moving.specific_force(moving.point.center_m), (0.0, 0.0, 0.0)) < 30.0


def pushed_in_vacuum(numbers: dict[str, object], number: int) -> tuple[Motion, tuple[float, ...], tuple[float, ...]]:
    """Fly without aerodynamic force to the top of the burn, light a lateral motor, wait until it has burned out."""
    still = {"wind.speed_at_10_m_m_s": 0.0, "wind.turbulence_m_s": 0.0, "rail.tilt_deg": 0.0, "motor.misalignment_deg": 0.0}
    airless = {"site.pad_pressure_pa": 1e-6, "fins.misalignment_rad": 0.0, "fins.effectiveness": 0.0}
    vehicle = changed(Vehicle(), {**still, **airless, **numbers})
    motion = Motion(vehicle, Air(vehicle.site), Wind(vehicle.wind, random.Random(1)))
    motion.ignite()
    while motion.milestones.burnout_s is None:
        motion.step()
    before = motion.velocity, motion.rates
    motion.fire_lateral(number)
    for _ in range(round(vehicle.lateral.burn_s / STEP_S) + 4):
        motion.step()
    return motion, *before


@pytest.mark.parametrize(("number", "along"), [(1, (-1.0, 0.0)), (2, (0.0, -1.0)), (3, (1.0, 0.0)), (4, (0.0, 1.0))])
def test_a_lateral_motor_gives_its_impulse_and_turns_the_nose(number: int, along: tuple[float, float]) -> None:
    """Impulse = mass x change of velocity; impulse x lever = inertia x change of rate (Newton, Euler)."""
    motion, _, rates = pushed_in_vacuum({"lateral.impulse_n_s": (0.02,) * 4}, number)  # small: the body hardly turns
    impulse, lever = 0.02, motion.point.center_m - motion.vehicle.lateral.place_m
    east, north, _ = motion.velocity
    assert (east, north) == pytest.approx([impulse * a / motion.point.mass_kg for a in along], abs=2e-4)
    turn = impulse * lever / motion.point.lateral_inertia_kg_m2
    p, q, _ = (now - then for now, then in zip(motion.rates, rates, strict=True))
    assert (p, q) == pytest.approx((-turn * along[1], turn * along[0]), rel=1e-3, abs=1e-6)


def test_a_dud_pushes_nothing() -> None:
    motion, velocity, rates = pushed_in_vacuum({"lateral.dud": (True, False, False, False)}, 1)
    assert motion.velocity[:2] == velocity[:2] and motion.rates == rates


def test_what_is_lit_on_the_pad_or_the_rail_is_nothing_in_the_air() -> None:
    """The rail takes its push; lit as long as this, it would still push the nose when the rail ends."""
    ends = []
    for lit in (False, True):
        moving = motion(lateral__burn_s=5.0)
        for _ in range(round(1.0 / STEP_S)):
            if lit and moving.kind in (PAD, RAIL):
                moving.fire_lateral(1)
            moving.ignite()
            moving.step()
        assert moving.kind == FREE
        ends.append((moving.velocity, moving.rates))
    assert ends[0] == ends[1]
