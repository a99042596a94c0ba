"""What was measured after the rail, and what follows from it: the window that is fitted, and what drives the equation."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import WIND_POWER
from server.flight.causes.airframe import Body
from server.flight.causes.equation import Drive
from server.flight.unmeasured import Unmeasured

SHORTEST_S, LONGEST_S = 1.5, 3.0  # of the window, which ends at burnout between these
SOONEST_S = 0.8
LEAN_AT_S = 2.0  # after the rail, when the lean is told, or at burnout
FEWEST = 8
WIDEST_RAD = 0.7  # between nose and path: beyond it no slope has a say
LATEST_FIRST_S = 0.3
KNOT_S = 0.2  # of the wind that changes
SCALE_HEIGHT_M = 8500.0
LONGEST_STEP_S = 0.04


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Measurements around the rail's end on the timeline (s), world axes east, north, up.

    nose and body x axis (n, 3) unit vectors at `t` (n,); `rate` (n, 3) the turning in world axes, rad/s, and `velocity` (n,
    3), NaN where not known; force along the nose in m/s2, rest offset taken off, at `force_t`; sums of fin angles along body
    x and y at `fin_t`. Rail: length, exit time and speed with one sigma, burnout (None: not seen), air density at the pad.
    """

    t: Floats
    nose: Floats
    body_x: Floats
    rate: Floats
    velocity: Floats
    force_t: Floats
    force: Floats
    fin_t: Floats
    fin_sums: Floats
    lift_off_s: float
    exit_s: float
    exit_m_s: float
    exit_sigma_m_s: float
    rail_m: float
    burnout_s: float | None
    density_kg_m3: float


@dataclass(frozen=True)
class Course:
    """The window: rail's direction, times since its end, what was measured in it, how long it is and when lean is told."""

    rail: Floats
    t: Floats
    nose: Floats
    turn: Floats  # n', 1/s; NaN where no rate was heard
    velocity: Floats
    end_s: float
    at_s: float
    is_cut: bool  # the nose left the path so far that the rest is not looked at
    density_kg_m3: float


def course_of(seen: Evidence) -> Course | Unmeasured:
    """Return the window after the rail, or why there is none."""
    known = np.isfinite(seen.nose).all(axis=1) & np.isfinite(seen.body_x).all(axis=1)
    before = known & (seen.t < seen.exit_s) & (seen.t > seen.lift_off_s - 2.0)
    if not before.any():
        return Unmeasured("no attitude was heard on the rail")
    rail = np.median(seen.nose[before], axis=0)
    rail /= sqrt(rail @ rail)
    burned_s = (seen.exit_s + LONGEST_S if seen.burnout_s is None else seen.burnout_s) - seen.exit_s
    end_s = min(max(burned_s, SHORTEST_S), LONGEST_S)
    inside = np.flatnonzero(known & (seen.t > seen.exit_s) & (seen.t <= seen.exit_s + end_s + 0.02))
    if not len(inside):
        return Unmeasured("no attitude was heard after the rail")
    t, nose, velocity = seen.t[inside] - seen.exit_s, seen.nose[inside], seen.velocity[inside]
    speed = np.sqrt((velocity * velocity).sum(axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        wide = (np.einsum("ni,ni->n", nose, velocity) / speed < np.cos(WIDEST_RAD)) & (t > 0.1)
    is_cut = bool(wide.any())
    if is_cut:
        last = max(int(np.flatnonzero(wide)[0]), 1)
        inside, t, nose, velocity = inside[:last], t[:last], nose[:last], velocity[:last]
    if t[0] > LATEST_FIRST_S or len(t) < (FEWEST // 2 if is_cut else FEWEST):
        return Unmeasured("too little was heard after the rail")
    end_s = min(end_s, float(t[-1]) + 0.05)
    at_s = min(LEAN_AT_S, max(burned_s, SOONEST_S), end_s)
    return Course(
        rail, t, nose, np.cross(seen.rate[inside], nose), velocity, end_s, at_s, is_cut, seen.density_kg_m3
    )  # fmt: skip


def drive_of(seen: Evidence, course: Course, body: Body, roll_stands: bool = False, thrust_times: float = 1.0) -> Drive:
    """Return what drives the equation; `roll_stands`: as if it had not rolled since the rail's end.

    `thrust_times`: as if thrust had been so much more all the time; then it leaves the rail sooner and at another
    speed than `seen.exit_m_s` (`exit_with`).
    """
    steps = max(10, ceil(course.end_s / _step_s(course, body)))
    half_s = course.end_s / steps / 2.0
    since = half_s * np.arange(2 * steps + 1)
    t: Floats = np.asarray(seen.exit_s + since, dtype=np.float64)
    push_t, push = _thrust(seen, body)
    later_s = exit_with(seen, body, thrust_times)[0] - seen.exit_s if thrust_times != 1.0 else 0.0
    burned = np.interp(t + later_s, push_t, _burned(push_t, push))
    mass, gravity, inertia = (pair[0] + (pair[1] - pair[0]) * burned for pair in _pairs(body))
    nose = _directions(seen.t, seen.nose, t)
    x = _directions(seen.t, seen.body_x, t)
    x = x - np.einsum("ni,ni->n", x, nose)[:, None] * nose
    x /= np.sqrt((x * x).sum(axis=1))[:, None]
    if roll_stands:
        x = _unrolled(nose, x)
    height = seen.rail_m + _height(seen, t)
    density = course.density_kg_m3 * np.exp(-height / SCALE_HEIGHT_M)
    half = 0.5 * density * body.area_m2
    knot_t = np.linspace(0.0, course.end_s, max(3, ceil(course.end_s / KNOT_S) + 1))
    sums = [np.interp(t, seen.fin_t, seen.fin_sums[:, i]) if len(seen.fin_t) else np.zeros(len(t)) for i in (0, 1)]
    return Drive(
        half_s=half_s,
        thrust_m_s2=thrust_times * np.interp(t + later_s, push_t, push),
        nose=nose,
        body_x=x,
        body_y=np.cross(nose, x),
        height_m=height,
        burned=burned,
        moment=half / inertia,
        force=half / mass,
        drag=half * body.drag / mass,
        lever_m=body.pressure_center_m - gravity,
        lift_lever_m=0.5 * body.length_m - gravity,
        fin_lever_m=body.fin_m - gravity,
        thrust_turn_1_m=mass * (body.length_m - gravity) / inertia,
        fin_sums=np.column_stack(sums),
        slope=body.slope,
        fin_slope=body.fin_slope,
        wind_profile=(np.maximum(height, 1.0) / 10.0) ** WIND_POWER,
        knots=np.column_stack([np.interp(since, knot_t, unit) for unit in np.eye(len(knot_t))]),
    )


def exit_with(seen: Evidence, body: Body, thrust_times: float) -> tuple[float, float]:
    """Return time and speed at the rail's end had thrust been so much more, by what was felt on the rail.

    The part of the speed that the felt force does not explain stays in proportion.
    """
    push_t, push = _thrust(seen, body)
    inside = (push_t > seen.lift_off_s - 0.3) & (push_t < seen.exit_s + 1.0)
    t = np.arange(seen.lift_off_s - 0.1, seen.exit_s + 1.0, 0.002)
    if inside.sum() < 3:
        return seen.exit_s, seen.exit_m_s
    felt = np.interp(t, push_t[inside], push[inside])

    def ride(times: float) -> tuple[float, float]:
        speed = np.maximum.accumulate(np.cumsum(np.maximum(times * felt - GRAVITY_M_S2, 0.0)) * 0.002)
        way = np.cumsum(speed) * 0.002
        at = min(int(np.searchsorted(way, seen.rail_m)), len(t) - 1)
        return float(t[at]), float(speed[at])

    (own_s, own_m_s), (other_s, other_m_s) = ride(1.0), ride(thrust_times)
    return seen.exit_s + other_s - own_s, seen.exit_m_s * other_m_s / max(own_m_s, 1.0)


def _pairs(body: Body) -> tuple[tuple[float, float], ...]:
    return body.mass_kg, body.gravity_m, body.inertia_kg_m2


def _step_s(course: Course, body: Body) -> float:
    """Return a step that cuts the fastest swing fine enough."""
    fastest = float(np.nanmax(np.sqrt((course.velocity**2).sum(axis=1)), initial=30.0))
    lever = abs(body.pressure_center_m - min(body.gravity_m)) + body.diameter_m
    stiff = 0.5 * course.density_kg_m3 * body.area_m2 * body.slope * lever / min(body.inertia_kg_m2)
    return min(LONGEST_STEP_S, max(0.006, 0.6 / (fastest * sqrt(stiff))))


def _thrust(seen: Evidence, body: Body) -> tuple[Floats, Floats]:
    """Return times and thrust over mass: the force felt and what drag took of it, never negative."""
    good = np.isfinite(seen.force)
    t, force = seen.force_t[good], seen.force[good]
    speed = np.sqrt((seen.velocity**2).sum(axis=1))
    there = np.isfinite(speed)
    v = np.interp(t, seen.t[there], speed[there]) if there.any() else np.zeros(len(t))
    middle_kg = 0.5 * sum(body.mass_kg)
    drag = 0.5 * seen.density_kg_m3 * body.area_m2 * body.drag / middle_kg * v * v
    thrust = np.where(t < seen.lift_off_s - 0.05, 0.0, np.maximum(force + drag, 0.0))
    if seen.burnout_s is not None:
        thrust = np.where(t > seen.burnout_s + 0.1, 0.0, thrust)
    return t, thrust


def _burned(t: Floats, thrust: Floats) -> Floats:
    given = np.concatenate([[0.0], np.cumsum(0.5 * (thrust[1:] + thrust[:-1]) * np.diff(t))])
    share: Floats = given / given[-1] if given[-1] > 0.0 else given
    return share


def _directions(at: Floats, vectors: Floats, t: Floats) -> Floats:
    """Return unit vectors between samples: straight, then brought back to length one."""
    good = np.isfinite(vectors).all(axis=1)
    straight = np.column_stack([np.interp(t, at[good], vectors[good, i]) for i in range(3)])
    length = np.sqrt((straight * straight).sum(axis=1))[:, None]
    unit: Floats = straight / np.maximum(length, 1e-6)
    return unit


def _unrolled(nose: Floats, x: Floats) -> Floats:
    """Return the first body x axis carried along with the nose without any roll, (h, 3)."""
    out = np.empty_like(x)
    out[0] = x[0]
    for i in range(1, len(x)):
        carried = out[i - 1] - (nose[i] @ out[i - 1]) / (1.0 + nose[i] @ nose[i - 1]) * (nose[i] + nose[i - 1])
        out[i] = carried / sqrt(carried @ carried)
    return out


def _height(seen: Evidence, t: Floats) -> Floats:
    """Return the height gained since the rail's end at times t."""
    good = np.isfinite(seen.velocity[:, 2])
    climb = np.interp(t, seen.t[good], seen.velocity[good, 2]) if good.any() else np.full(len(t), seen.exit_m_s)
    return np.concatenate([[0.0], np.cumsum(0.5 * (climb[1:] + climb[:-1]) * np.diff(t))])


def tilt_of(nose: Floats) -> Floats:
    """Return the angle from the vertical of directions (3, ...), rad."""
    tilt: Floats = np.arctan2(np.hypot(nose[0], nose[1]), nose[2])
    return tilt
