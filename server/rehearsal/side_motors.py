"""What the lateral motors did in a run: each one ordered, whether it lit, and what the flight would have been without it.

That is found by flying the simulated vehicle once more, on the same orders, with that motor a dud: the computer is not asked
a second time. Where answers came late (at a cable) the orders are taken at the moments of their steps.
Angles in rad: tilt is the nose's from the vertical; rates are those of the nose, roll left out.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from protocol.arrays import Floats
from server.rehearsal.answers import AnswerReader
from server.rehearsal.closed_loop import Plan, truth_of
from server.rehearsal.conversation import Conversation
from server.rehearsal.flown import Flown
from server.rehearsal.judging import PUSHED_AWAY, Wrong, word_of
from server.rehearsal.plant import LIT, Ordered, Plant
from server.rehearsal.sensor_faults import with_motor_faults
from server.twin.attitude import Vector, to_world
from server.twin.scenario import Scenario

SIDE_MOTORS = "side motors"
NOTED_RAD = math.radians(0.5)  # a smaller difference of tilt is nobody's fault
Truth = dict[str, Floats]


@dataclass(frozen=True)
class SideMotor:
    """One lateral motor ordered. `tilt_rad` is the truth's when its burn ended, `tilt_without_rad` had it not lit;
    `turned_rad_s` how much of the nose's rate toward the vertical is its own; all NaN where it did not light."""

    number: int
    ordered_s: float
    came: str
    lit_s: float | None
    tilt_rad: float = math.nan
    tilt_without_rad: float = math.nan
    turned_rad_s: float = math.nan


@dataclass(frozen=True)
class Leaning:
    """How a flight leaned: tilt at apogee, its mean from the first order until there, and the speed sideways there, m/s."""

    apogee_rad: float
    mean_rad: float
    sideways_m_s: float


@dataclass(frozen=True)
class SideMotors:
    """All of a run: each motor ordered, and how it leaned with what lit and, on the same orders, had none lit."""

    motors: Sequence[SideMotor]
    leaning: Leaning
    without: Leaning


def side_motors(talk: Conversation, plan: Plan, flown: Flown) -> SideMotors | None:
    """Return what the lateral motors of a run did; None where none was ordered, or it was not followed to its apogee."""
    if not flown.ordered or flown.truth is None or not np.any(flown.truth["velocity.up"] < 0.0):
        return None
    motors = [_of_one(talk, plan, flown, one) for one in flown.ordered]
    first_s = flown.ordered[0].ordered_s
    numbers = range(1, 1 + talk.reader.laterals)
    return SideMotors(
        motors,
        leaning(flown_again(talk, plan, flown, ()), first_s),
        leaning(flown_again(talk, plan, flown, numbers), first_s),
    )


def flown_again(talk: Conversation, plan: Plan, flown: Flown, duds: Collection[int], until_s: float = math.inf) -> Truth:
    """Return the simulated vehicle's true motion on a run's orders, until it sinks, were these motors duds as well."""
    plant = Plant(_with_duds(plan, duds), plan.seed, talk.dictionary, talk.reader)
    for frame in flown.frames:
        if plant.time_s >= until_s or plant.motion.milestones.apogee_s is not None:
            break
        if plan.ignite_s <= plant.time_s + 1e-9:
            plant.motion.ignite()
        if frame.answer is not None:
            plant.obey(frame.answer)
        plant.step()
    return truth_of(plant)


def _with_duds(plan: Plan, duds: Collection[int]) -> Scenario:
    scenario = with_motor_faults(plan.scenario, plan.faults)
    was = scenario.vehicle()
    dud = tuple([is_dud or place + 1 in duds for place, is_dud in enumerate(was.lateral.dud)])
    kept = tuple([False for _ in was.firing.recovery_continuity])  # or the other flight's apogee would part the bodies
    return replace(scenario, changes={**scenario.changes, "lateral.dud": dud, "firing.recovery_continuity": kept})


def _of_one(talk: Conversation, plan: Plan, flown: Flown, one: Ordered) -> SideMotor:
    if one.came != LIT or one.lit_s is None:
        return SideMotor(*one)
    end_s = one.lit_s + plan.scenario.vehicle().lateral.burn_s
    given = flown_again(talk, plan, flown, (), end_s)
    without = flown_again(talk, plan, flown, (one.number,), end_s)
    tilt, other = float(tilts_rad(given)[-1]), float(tilts_rad(without)[-1])
    begun = int(np.searchsorted(given["t_s"], one.lit_s - 1e-9))
    back = _toward_vertical(_quaternion(given, begun))
    change = np.subtract(_turning(given), _turning(without))
    return SideMotor(*one, tilt, other, float(np.dot(change, back)))


def _quaternion(truth: Truth, place: int) -> tuple[float, float, float, float]:
    w, x, y, z = (float(truth[f"attitude_quaternion.{part}"][place]) for part in "wxyz")
    return w, x, y, z


def _turning(truth: Truth) -> Vector:
    """Return how the nose turns at the end, in world axes."""
    p, q = (float(truth[f"body_rate.{axis}"][-1]) for axis in "xy")
    return to_world(_quaternion(truth, -1), (p, q, 0.0))


def _toward_vertical(quaternion: tuple[float, float, float, float]) -> Vector:
    """Return the axis about which the nose turns to reach the vertical: nose x up, of length 1."""
    east, north, _ = to_world(quaternion, (0.0, 0.0, 1.0))
    length = math.hypot(east, north) or 1.0
    return north / length, -east / length, 0.0


def tilts_rad(truth: Truth) -> Floats:
    """Return the nose's angle from the vertical, rad, for each moment of a true motion."""
    aside = np.hypot(truth["attitude_quaternion.x"], truth["attitude_quaternion.y"])
    return np.asarray(2.0 * np.arcsin(np.minimum(1.0, aside)), dtype=np.float64)


def leaning(truth: Truth, from_s: float) -> Leaning:
    """Return how a true motion leaned from a moment until its apogee, which is its end."""
    tilt = tilts_rad(truth)
    sideways = math.hypot(float(truth["velocity.east"][-1]), float(truth["velocity.north"][-1]))
    after = tilt[truth["t_s"] >= from_s]
    return Leaning(float(tilt[-1]), float(after.mean()) if after.size else math.nan, sideways)


def pushed_away(flown: Flown, motors: SideMotors | None) -> Iterator[Wrong]:
    """Yield each motor that lit and left the nose further from the vertical than it would have been without."""
    for one in motors.motors if motors is not None else ():
        if one.lit_s is not None and one.tilt_rad > one.tilt_without_rad + NOTED_RAD:
            frame = next((n for n, f in enumerate(flown.frames) if f.time_us >= one.ordered_s * 1e6 - 1), 0)
            yield Wrong(
                PUSHED_AWAY, frame, round(one.ordered_s * 1e6), f"lateral motor {one.number}",
                math.degrees(one.tilt_rad), math.degrees(one.tilt_without_rad),
            )  # fmt: skip


def modes_of(flown: Flown, reader: AnswerReader) -> dict[str, float | None]:
    """Return when each control mode began, s, None for one never flown through: the vehicle's words, and `side motors`."""
    index, place = reader.places.get("control.mode", (0, None))
    words = reader.channels[index][place].values if place is not None else ()
    found: dict[str, float | None] = dict.fromkeys((*words, SIDE_MOTORS))
    for frame in flown.frames:
        if frame.answer is None:
            continue
        packet = frame.answer.packets[index]
        seen = [word_of(words, packet[place])] if packet is not None and place is not None else []
        if int(frame.answer.state[reader.state_places["ordered"]]) & (1 << reader.laterals) - 1:
            seen.append(SIDE_MOTORS)
        for mode in seen:
            if found.get(mode) is None:
                found[mode] = frame.time_us / 1e6
    return found
