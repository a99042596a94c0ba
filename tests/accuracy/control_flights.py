"""Flights for what fins and side motors do: the simulated vehicle's own equations, under fins and pushes of their own.

`rigid_body.step` moves the vehicle from the pad to near the top; servos, controller, excitation, a torque with a memory,
gyros that are not square and a navigation with errors are this file's. What a fin truly does is `truth`: the equations' own
derivative, taken numerically.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

import numpy as np

from protocol.arrays import Floats
from server.flight.effectiveness.axis_fit import Heard
from server.flight.effectiveness.modes import mixing
from server.twin import attitude, rigid_body
from server.twin.air import Air, Wind
from server.twin.propulsion import MassPoint, burn_table
from server.twin.rigid_body import Aerodynamics, FinPush
from server.twin.sandpiper import Vehicle, changed

STEP_S = 0.005
CONTROL_S = 1.9  # after ignition; the motor burns 1.5 s
QUIET_M_S = 14.0  # the flight is over below this speed
MEMORY_S = 0.3
PLACES = (0.0, 0.5 * math.pi, math.pi, 1.5 * math.pi)
KINDS = ("rest", "roll", "three axes", "each fin")


@dataclass(frozen=True)
class Plan:
    """How a flight is flown: excitation amplitude (rad), torque (rad/s2, rms), each fin's own share, sign of all."""

    kind: str
    torque_rad_s2: float = 0.5
    amplitude_rad: float = 0.05
    share: float = 0.25
    each: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    loss: float = 0.0
    wind_m_s: float = 2.0
    fired: tuple[tuple[float, int], ...] = ()  # when (s after ignition) and which side motor
    period_s: float = 0.6
    is_smooth: bool = False
    excited_s: float = 99.0


@dataclass(frozen=True)
class Flown:
    """What was heard, and the truth: rad/s2 per Pa and rad of each fin about body x, y, z (4, 3), and coasting inertia."""

    rates: list[tuple[Floats, Floats]]
    fins: tuple[Floats, Floats]
    commanded: tuple[Floats, Floats]
    state: tuple[Floats, Floats, Floats, Floats]  # t, velocity in the world, quaternion, height
    forces: list[tuple[Floats, Floats]]
    fins_true: Floats
    point: MassPoint
    aero: Aerodynamics
    vehicle: Vehicle
    burnout_s: float
    end_s: float
    rail_exit_s: float


def push_of(angles: Floats, each: tuple[float, ...], aero: Aerodynamics) -> FinPush:
    """Return the twin's push of four fins of which each gives a share of its own."""
    first, second, third, fourth = (float(a * e) for a, e in zip(angles, each, strict=True))
    return rigid_body.fin_push((first, second, third, fourth), aero)


def truth(aero: Aerodynamics, point: MassPoint, each: tuple[float, ...], speed_m_s: float = 50.0) -> Floats:
    """Return what each fin does about x, y, z by central differences of the twin's own derivative, shape (4, 3)."""
    state = (0.0, 0.0, 100.0, 0.0, 0.0, speed_m_s, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    density, small, out = 1.1, 1e-4, np.zeros((4, 3))
    for i in range(4):
        sides = []
        for sign in (1.0, -1.0):
            angles = np.zeros(4)
            angles[i] = sign * small
            made = rigid_body.derivative(state, point, aero, density, (0.0, 0.0, 0.0), push_of(angles, each, aero), False)
            sides.append(np.array(made[10:13]))
        out[i] = (sides[0] - sides[1]) / (2.0 * small) / (0.5 * density * speed_m_s**2)
    return out


def fly(seed: int, plan: Plan) -> Flown:
    """Fly one; the same seed and plan give the same flight."""
    rng = np.random.default_rng([seed, 77])
    numbers = {
        "fins.effectiveness": plan.share,
        "fins.misalignment_rad": float(rng.normal(0.0, 0.002)),
        "wind.speed_at_10_m_m_s": plan.wind_m_s,
        "wind.turbulence_m_s": 0.1 * plan.wind_m_s,
        "wind.toward_deg": float(rng.uniform(0.0, 360.0)),
    }
    vehicle = changed(Vehicle(), numbers)
    aero = rigid_body.aerodynamics(vehicle.body, vehicle.fins, vehicle.motor)
    burn = burn_table(vehicle.motor, vehicle.body, STEP_S / 2.0)
    air, wind = Air(vehicle.site), Wind(vehicle.wind, random.Random(seed))
    lean, heading = math.radians(rng.uniform(0.5, 4.0)), float(rng.uniform(0.0, 2.0 * math.pi))
    state: rigid_body.State = (*(0.0,) * 6, *attitude.from_tilt(lean, heading), *(0.0,) * 3)
    pilot = _Pilot(rng, plan)
    stays = math.exp(-STEP_S / MEMORY_S)
    torque = plan.torque_rad_s2 * rng.normal(size=3) * np.array([0.5, 0.5, 1.0])
    angles, asked = np.zeros(4), np.zeros(4)
    rows, exit_s, index, t = [], None, 0, 0.0
    while t < 20.0:
        e, n, u, ve, vn, vu = state[:6]
        speed = math.sqrt(ve * ve + vn * vn + vu * vu)
        if exit_s is None and u * u + e * e + n * n > vehicle.rail.length_m**2:
            exit_s = t
        if t > 2.0 and (speed < QUIET_M_S or vu < 4.0):
            break
        wind.step(STEP_S, speed)
        blows = wind.at(u, None if exit_s is None else t - exit_s)
        density = air.density_kg_m3(u)
        if round(t / STEP_S) % 2 == 0:
            asked = pilot.ask(t, state, 0.5 * density * speed**2, aero, vehicle)
        angles = angles + np.clip((asked - angles) * (1.0 - math.exp(-STEP_S / 0.03)), -7.0 * STEP_S, 7.0 * STEP_S)
        torque = stays * torque + math.sqrt(1.0 - stays**2) * plan.torque_rad_s2 * rng.normal(size=3) * (0.5, 0.5, 1.0)
        points = tuple(burn[min(index + k, len(burn) - 1)] for k in (0, 1, 2))
        index += 2
        push = _pushed(push_of(angles, plan.each, aero), torque, points[0], aero, density, speed, exit_s is None)
        push = _fired(push, plan, t, vehicle)
        before = state
        state = rigid_body.step(state, points, aero, density, blows, push, STEP_S, exit_s is None)  # type: ignore[arg-type]
        t += STEP_S
        change = (np.array(state[3:6]) - before[3:6]) / STEP_S + (0.0, 0.0, 9.80665)
        force = attitude.to_body(state[6:10], tuple(change))  # type: ignore[arg-type]
        turn = (np.array(state[10:13]) - before[10:13]) / STEP_S
        rows.append((t, *state, *angles, *asked, *force, *turn))
    return _heard(np.array(rows), rng, plan, (aero, points[2], vehicle), exit_s or 0.0)


class _Pilot:
    """Holds the roll after control begins, damps pitch and yaw, and turns the fins as planned."""

    def __init__(self, rng: np.random.Generator, plan: Plan) -> None:
        self._plan, self._angle, self._phase = plan, 0.0, rng.uniform(0.0, 1.0, 4)
        self._periods = plan.period_s * np.array([1.0, 0.77, 1.31, 0.6])
        self._rng = rng

    def ask(self, t: float, state: rigid_body.State, q: float, aero: Aerodynamics, vehicle: Vehicle) -> Floats:
        plan = self._plan
        if t < CONTROL_S or plan.kind == "rest":
            return np.zeros(4)
        p, y, r = (rate + 0.002 * self._rng.normal() for rate in state[10:13])
        self._angle += 2.0 * STEP_S * r
        believed = abs(aero.roll_coefficient_per_pa_rad(vehicle.body.roll_inertia_kg_m2))
        roll = float(np.clip(-(20.0 * self._angle + 8.0 * r) / (believed * max(q, 100.0)), -0.14, 0.14))
        excited = t < CONTROL_S + plan.excited_s
        wave = np.sin(2.0 * np.pi * (t / self._periods + self._phase))
        wave = plan.amplitude_rad * excited * (1.4 * wave if plan.is_smooth else np.sign(wave))
        if plan.kind == "roll":
            return np.full(4, roll)
        if plan.kind == "three axes":
            pitch, yaw = wave[0] - 0.02 * p, wave[1] - 0.02 * y
            c, s = np.cos(PLACES), np.sin(PLACES)
            return np.clip(roll + pitch * c + yaw * s, -0.26, 0.26)
        return np.clip(roll + wave, -0.26, 0.26)


def _pushed(
    push: FinPush, torque: Floats, point: MassPoint, aero: Aerodynamics, density: float, speed: float, on_rail: bool
) -> FinPush:
    """Return the push with a torque (rad/s2 about x, y, z): as fin turns in roll, as forces at the nose across."""
    if on_rail or speed < 5.0:
        return push
    lever = point.center_m - aero.nose_m
    full = 2.0 * density * speed**2 * aero.area_m2 * aero.one_fin_slope * aero.fin_arm_m
    return replace(
        push,
        roll=push.roll + float(torque[2]) * point.roll_inertia_kg_m2 / full,
        force_x=float(torque[1]) * point.lateral_inertia_kg_m2 / lever,
        force_y=-float(torque[0]) * point.lateral_inertia_kg_m2 / lever,
        force_m=aero.nose_m,
    )


def _fired(push: FinPush, plan: Plan, t: float, vehicle: Vehicle) -> FinPush:
    """Return the push with the side motors that burn; while one does, the torque across is left out."""
    burning = [n for at, n in plan.fired if at <= t < at + vehicle.lateral.burn_s]
    if not burning:
        return push
    forces = np.sum([rigid_body.side_force(vehicle.lateral, n) for n in burning], axis=0)
    return replace(push, force_x=float(forces[0]), force_y=float(forces[1]), force_m=vehicle.lateral.place_m)


def _heard(
    rows: Floats, rng: np.random.Generator, plan: Plan, made: tuple[Aerodynamics, MassPoint, Vehicle], exit_s: float
) -> Flown:
    aero, point, vehicle = made
    t = rows[:, 0]

    def sampled(every: float, noise: float, first: int, last: int, lean: Floats | None = None) -> tuple[Floats, Floats]:
        times = np.arange(rng.uniform(0.0, every), t[-1], every)
        times = times[rng.random(times.size) >= plan.loss]
        values = np.stack([np.interp(times, t, rows[:, i]) for i in range(first, last)], axis=1)
        values = values if lean is None else values @ lean.T
        return times, values + noise * rng.standard_normal(values.shape)

    def askew() -> Floats:
        x, y, z = rng.normal(0.0, math.radians(0.7), 3)
        return np.array([[1.0, -z, y], [z, 1.0, -x], [-y, x, 1.0]])

    gyros = []
    for every in (0.05, 0.04, 0.04):
        times, values = sampled(every, 0.0025, 11, 14, askew())
        gyros.append((times, values + rng.normal(0.0, 0.006, 3)))
    state_t, state = sampled(0.05, 0.0, 1, 11)
    drift = rng.normal(0.0, 0.2, 3)
    velocity = state[:, 3:6] + drift + 0.05 * rng.standard_normal((state_t.size, 3))
    turned = state[:, 6:10] / np.linalg.norm(state[:, 6:10], axis=1)[:, None]
    forces = []
    for place in (vehicle.imu_a.place_m, vehicle.imu_b.place_m):
        forces.append(_felt(rows, place, point, rng))
    return Flown(
        gyros, sampled(0.05, 0.0006, 14, 18), sampled(0.05, 0.0, 18, 22), (state_t, velocity, turned, state[:, 2]), forces,
        truth(aero, point, plan.each), point, aero, vehicle, 1.5, float(t[-1]), exit_s,
    )  # fmt: skip


def _felt(rows: Floats, place_m: float, point: MassPoint, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return what an accelerometer at a place on the axis feels, at 25 Hz."""
    p, q, r = rows[:, 11], rows[:, 12], rows[:, 13]
    lever, turn = point.center_m - place_m, rows[:, 25:28]
    force = rows[:, 22:25] + lever * np.stack([turn[:, 1] + p * r, q * r - turn[:, 0], -(p * p + q * q)], axis=1)
    times = np.arange(rng.uniform(0.0, 0.04), rows[-1, 0], 0.04)
    values = np.stack([np.interp(times, rows[:, 0], force[:, i]) for i in range(3)], axis=1)
    return times, values + rng.normal(0.0, 0.06, 3) + 0.1 * rng.standard_normal(values.shape)


def heard_of(flown: Flown, axis: str, *, is_commanded: bool = False, each: bool = False) -> Heard:
    """Return what a station knows of a flight for one axis: roll from the rail on, the others from burnout."""
    begin_s = flown.rail_exit_s + 0.05 if axis == "roll" else flown.burnout_s + 0.1

    def cut(t: Floats, *values: Floats) -> tuple[Floats, ...]:
        inside = (t >= begin_s) & (t <= flown.end_s)
        return (t[inside], *(one[inside] for one in values))

    t, velocity, quaternion, height = cut(*flown.state)
    w, x, y, z = quaternion.T
    east = np.stack([w * w + x * x - y * y - z * z, 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)], axis=1)
    north = np.stack([2.0 * (x * y + w * z), w * w - x * x + y * y - z * z, 2.0 * (y * z - w * x)], axis=1)
    up = np.stack([2.0 * (x * z - w * y), 2.0 * (y * z + w * x), w * w - x * x - y * y + z * z], axis=1)
    seen = sum(axis[:, None] * one for axis, one in zip(velocity.T, (east, north, up), strict=True))
    pressure = 0.5 * 1.126 * np.exp(-height / 9300.0) * (velocity * velocity).sum(axis=1)
    still = flown.fins[1][flown.fins[0] < CONTROL_S] @ (np.eye(4) if each else mixing(PLACES))
    fin_t, angles = cut(*(flown.commanded if is_commanded else flown.fins))
    if not each:
        angles = angles @ mixing(PLACES)
    rates = [cut(*one) for one in flown.rates]
    noise = None if is_commanded else np.cov(still.T)
    return Heard(rates, (fin_t, angles), (t, pressure), (t, seen, east, north), is_commanded, fin_noise=noise)  # type: ignore[arg-type]


def mode_truth(flown: Flown) -> Floats:
    """Return what the modes (roll, pitch, yaw) do about the axes roll, pitch, yaw: shape (3, 3), mode by axis."""
    return np.asarray((np.linalg.pinv(mixing(PLACES)) @ flown.fins_true)[:, [2, 0, 1]])


def step_truth(flown: Flown, number: int) -> float:
    """Return the step of the rate (rad/s) that side motor `number` gives by itself: impulse, lever, inertia."""
    lateral, point = flown.vehicle.lateral, flown.point
    lever_m = point.center_m - lateral.place_m
    return float(lateral.impulse_n_s[number - 1] * lever_m / point.lateral_inertia_kg_m2)
