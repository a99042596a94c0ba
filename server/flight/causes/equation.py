"""The equation of a finned body after the rail, for many flights at once: stiffness of either sign, causes as terms.

World axes east, north, up; n is the unit vector of the nose, v the velocity, w the wind, u the part of v - w across n:

    n'' = kM (slope lever V + lift lever_b |u|) u  -  kM damping V n'  -  |n'|^2 n  -  moments fixed in the body
    v'  = (thrust / m - kD V^2) n  -  kN (slope V + lift |u|) u  +  forces fixed in the body  +  gravity

The fins' part of slope and moment fades with the sine of the angle of attack as exp(-(sine / stall)^2), our own form.

kM = rho S / 2 I, kN = rho S / 2 m, kD = rho S Cd / 2 m; V is the air speed; lever = center of pressure less center of
gravity, of either sign: a negative one turns the nose away from the air's direction. Normal force and its damping by slender
parts: Barrowman, 1967 (from memory; tests/SOURCES.md, weathercock); lift of the body with the square of the angle of attack:
Galejs' form (from memory). A line of thrust off the axis and a fin set askew push along a direction fixed in the body, which
turns with the measured roll; that thrust, wind and a start askew are what turns a vehicle over near its launcher is the
subject of MIL-HDBK-762 (from memory). The roll's own gyroscopic moment is left out: I_roll / I is a hundredth.

Everything is a function of the time since the rail's end. Axis order of arrays: component first, flight last.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2

FASTEST_RAD_S = 60.0


@dataclass(frozen=True)
class Drive:
    """What the flight was given, at equal half steps of time since the rail's end (h of them, an odd number).

    thrust over mass in m/s2 (h,); nose as measured and the body's x and y axes there (h, 3), which tell the roll; height
    (h,) in m; kM, kN, kD (h,); levers in m (h,) behind the center of gravity: of the whole slope, of the
    body's lift, of the fins; mass x thrust lever / inertia (h,), 1/m; sums of fin angles along body x and y (h, 2), rad.
    """

    half_s: float
    thrust_m_s2: Floats
    nose: Floats
    body_x: Floats
    body_y: Floats
    height_m: Floats
    burned: Floats
    moment: Floats
    force: Floats
    drag: Floats
    lever_m: Floats
    lift_lever_m: Floats
    fin_lever_m: Floats
    thrust_turn_1_m: Floats
    fin_sums: Floats
    slope: float  # of all, per radian, and the fins' part of it
    fin_slope: float
    wind_profile: Floats  # mean wind over the one at 10 m, (h,)
    knots: Floats  # (h, k): what each knot of the changing wind has at a time

    @property
    def steps(self) -> int:
        """Number of whole steps."""
        return (len(self.thrust_m_s2) - 1) // 2

    @property
    def t_s(self) -> Floats:
        """Times of the whole steps since the rail's end, (steps + 1,)."""
        times: Floats = 2.0 * self.half_s * np.arange(self.steps + 1, dtype=np.float64)
        return times


@dataclass
class Terms:
    """What drives b flights: starts (3, b), the rest (b,) or (2, b) in body axes; angles rad, lengths m, wind m/s."""

    nose: Floats
    turn: Floats  # n' at the rail's end, 1/s
    velocity: Floats
    slope_times: Floats  # of the drive's slopes
    lift: Floats
    stall: Floats  # sine of the angle of attack at which the fins hold a third of what they would
    damping_m2: Floats
    lever_m: Floats  # added to the drive's
    lever_burn_m: Floats  # added besides, in proportion to what has burned
    mean_wind: Floats  # east, north at 10 m
    gust: Floats  # (k, 2, b): what the wind has beyond its mean at the knots
    thrust_line: Floats  # angle of the thrust's push toward body x and y
    askew: Floats  # angle of the fin set's push toward body x and y
    fin_push: Floats  # push of a fin angle's sum over the whole set's, without unit
    force_more: Floats  # what the force along the nose was felt too little, m/s2

    @property
    def count(self) -> int:
        """Number of flights."""
        return int(self.nose.shape[1])


def flown(drive: Drive, terms: Terms, lever_m: float | None = None) -> tuple[Floats, Floats, Floats]:
    """Return nose, its change per second and velocity at the whole steps, each of shape (steps + 1, 3, b).

    `lever_m` puts the center of pressure so far behind the center of gravity all the time. Classical fourth-order
    Runge-Kutta; nothing that a measurement drives needs more than the half step.
    """
    wind = np.zeros((len(drive.thrust_m_s2), 3, terms.count))
    wind[:, :2] = drive.wind_profile[:, None, None] * terms.mean_wind + np.einsum("hk,kib->hib", drive.knots, terms.gust)
    lever = drive.lever_m[:, None] + terms.lever_m + drive.burned[:, None] * terms.lever_burn_m
    if lever_m is not None:
        lever = np.full_like(lever, lever_m)
    stiff = drive.moment[:, None] * drive.slope * terms.slope_times * lever
    state = np.stack([terms.nose, terms.turn, terms.velocity])
    out = np.empty((drive.steps + 1, *state.shape))
    out[0] = state
    h = 2.0 * drive.half_s
    with np.errstate(over="ignore", invalid="ignore"):
        for i in range(drive.steps):
            a, b, c = 2 * i, 2 * i + 1, 2 * i + 2
            k1 = _change(drive, terms, stiff, wind, a, state)
            k2 = _change(drive, terms, stiff, wind, b, state + 0.5 * h * k1)
            k3 = _change(drive, terms, stiff, wind, b, state + 0.5 * h * k2)
            k4 = _change(drive, terms, stiff, wind, c, state + h * k3)
            state = out[i + 1] = _as_direction(state + h / 6.0 * (k1 + 2.0 * (k2 + k3) + k4), state)
    return out[:, 0], out[:, 1], out[:, 2]


def _as_direction(state: Floats, before: Floats) -> Floats:
    """Return a new state with the nose a direction and its change across it, whatever a step leaves over.

    What turns faster than any vehicle is an unhappy guess and must not grow; what is no number any more stays where it was.
    """
    nose = state[0] = state[0] / np.sqrt(np.einsum("ib,ib->b", state[0], state[0]))
    state[1] -= np.einsum("ib,ib->b", nose, state[1]) * nose
    state[1] /= np.maximum(np.sqrt(np.einsum("ib,ib->b", state[1], state[1])) / FASTEST_RAD_S, 1.0)
    kept: Floats = np.where(np.isfinite(state).all(axis=(0, 1)), state, before)
    return kept


def _change(drive: Drive, terms: Terms, stiff: Floats, wind: Floats, i: int, state: Floats) -> Floats:
    nose, turn, velocity = state
    air = velocity - wind[i]
    u = air - np.einsum("ib,ib->b", nose, air) * nose
    across = np.sqrt(np.einsum("ib,ib->b", u, u))
    speed = np.sqrt(np.einsum("ib,ib->b", air, air))
    thrust, moment, force = drive.thrust_m_s2[i] + terms.force_more, drive.moment[i], drive.force[i]
    askew = drive.fin_slope * speed * speed * (terms.askew + drive.fin_sums[i][:, None] * terms.fin_push)
    line = thrust * terms.thrust_line
    fixed = np.stack([-drive.thrust_turn_1_m[i] * line - moment * drive.fin_lever_m[i] * askew, line + force * askew])
    turned, pushed = _in_world(drive, i, nose, fixed)
    out = np.empty_like(state)
    out[0] = turn
    lost = drive.fin_slope * terms.slope_times * -np.expm1(-np.square(across / (terms.stall * np.maximum(speed, 1e-3))))
    stiffness = (stiff[i] - moment * drive.fin_lever_m[i] * lost) * speed
    stiffness += moment * drive.lift_lever_m[i] * terms.lift * across
    damped = moment * terms.damping_m2 * speed * turn
    out[1] = stiffness * u + turned - damped - np.einsum("ib,ib->b", turn, turn) * nose
    normal = force * ((drive.slope * terms.slope_times - lost) * speed + terms.lift * across)
    out[2] = (thrust - drive.drag[i] * speed * speed) * nose - normal * u + pushed
    out[2, 2] -= GRAVITY_M_S2
    return out


def _in_world(drive: Drive, i: int, nose: Floats, fixed: Floats) -> Floats:
    """Return pushes along body x and y (2, 2, b) as world vectors (2, 3, b), the body turned the shortest way to `nose`."""
    measured = drive.nose[i]
    push = np.einsum("jib,ic->jcb", fixed, np.stack([drive.body_x[i], drive.body_y[i]]))
    share = np.einsum("cb,jcb->jb", nose, push) / (1.0 + np.maximum(measured @ nose, -0.9))
    world: Floats = push - share[:, None] * (measured[:, None] + nose)
    return world
