"""The swing's equation over the way flown, as a linear model: what each start, the path and each piece of wind would do.

    theta'' + (v'/v + 2 z k) theta' + k^2 (theta - gamma + w/v) = 0        (' = d/ds)

theta is where the nose points and gamma where the vehicle flies (both measured), w the cross wind (unknown): a mean, which
may grow with height as the surface layer's wind does, and a random walk. `Course` holds one window of measurements over
the way; angles are counted in the plane across the mean nose, from the quaternion alone, so that the roll does not matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.air.atmosphere import WIND_POWER

KNOT_S = 0.1
PATH_DEGREE = 7
NODE_M = 0.8
LEAST_SOFT = 0.5  # below half its stiffness a nose is on its way over, and no equation of a swing has a say


@dataclass(frozen=True)
class Course:
    """One window over the way: samples, and speed, its relative change and path angles at equal steps of way."""

    s: Floats
    theta: Floats
    grid: Floats
    speed: Floats
    change: Floats
    gamma: Floats
    knots: Floats
    knot_s: Floats
    profile: Floats  # mean wind at the knots' heights over the one at the window's start
    plane: Floats  # the two unit vectors along which angles are counted, shape (2, 3)
    velocity: Floats
    ahead_m: float
    push: Floats  # air speed over ground speed: what a cross wind adds to it
    soft: Floats  # share of the stiffness left at the angle of attack of the moment


def _plane(axis: Floats) -> Floats:
    """Return two unit vectors across `axis`, the first along east as seen across it, shape (2, 3)."""
    one = np.array([1.0, 0.0, 0.0]) - axis[0] * axis
    if one @ one < 1e-6:
        one = np.array([0.0, 1.0, 0.0]) - axis[1] * axis
    one /= sqrt(one @ one)
    return np.stack([one, np.cross(axis, one)])


def _across(directions: Floats, axis: Floats, plane: Floats) -> Floats:
    """Return two angles of unit vectors (n, 3) from `axis`, shape (n, 2)."""
    flat = directions @ plane.T
    sine = np.sqrt((flat * flat).sum(axis=1))
    angle = np.arctan2(sine, directions @ axis)
    return flat * np.where(sine > 1e-9, angle / np.maximum(sine, 1e-9), 1.0)[:, None]


def course_of(rows: Floats, ahead_m: float, start_height_m: float, growing: bool) -> Course:
    """Return one window's rows (time, nose x 3, velocity x 3; shape (n, 7)) as a course, in still air until wind is known.

    `growing`: whether the mean wind grows with height as the surface layer's or stays as at `start_height_m`.
    """
    t, nose, velocity = rows[:, 0], rows[:, 1:4], rows[:, 4:7]
    speed = np.sqrt((velocity * velocity).sum(axis=1))
    axis = nose.mean(axis=0)
    axis = axis / sqrt(axis @ axis)
    plane = _plane(axis)
    theta, gamma = _across(nose, axis, plane), _across(velocity / speed[:, None], axis, plane)
    # Speed and way over finely cut time; a polynomial takes the steps out of the samples.
    x = (t - t[0]) / (t[-1] - t[0])
    fine = np.linspace(0.0, 1.0, 300)
    fit = np.polynomial.polynomial.polyfit(x, speed, 4)
    fine_speed = np.maximum(np.polynomial.polynomial.polyval(fine, fit), 0.5 * speed.min())
    fine_t = t[0] + fine * (t[-1] - t[0])
    way = np.concatenate([[0.0], np.cumsum(0.5 * (fine_speed[1:] + fine_speed[:-1]) * np.diff(fine_t))])
    nodes = max(40, int(way[-1] / NODE_M))
    grid = np.linspace(0.0, way[-1], nodes)
    grid_t, grid_speed = np.interp(grid, way, fine_t), np.interp(grid, way, fine_speed)
    knot_t = np.linspace(t[0], t[-1], max(4, int((t[-1] - t[0]) / KNOT_S) + 1))
    knots = np.column_stack([np.interp(grid_t, knot_t, unit) for unit in np.eye(len(knot_t))])
    height = start_height_m + _climbed(t, velocity[:, 2], knot_t)
    return Course(
        s=np.interp(t, fine_t, way),
        theta=theta,
        grid=grid,
        speed=grid_speed,
        change=np.gradient(grid_speed, grid) / grid_speed,
        gamma=np.column_stack([_smooth(t, gamma[:, i], grid_t) for i in (0, 1)]),
        knots=knots,
        knot_s=np.interp(knot_t, fine_t, way),
        profile=(height / height[0]) ** (WIND_POWER if growing else 0.0),
        plane=plane,
        velocity=np.column_stack([np.interp(grid_t, t, velocity[:, i]) for i in range(3)]),
        ahead_m=ahead_m,
        push=np.ones(nodes),
        soft=np.ones(nodes),
    )


def _climbed(t: Floats, up_m_s: Floats, at: Floats) -> Floats:
    """Return the height gained since the first sample, never negative."""
    gained = np.concatenate([[0.0], np.cumsum(0.5 * (up_m_s[1:] + up_m_s[:-1]) * np.diff(t))])
    height: Floats = np.maximum(np.interp(at, t, gained), 0.0)
    return height


def _smooth(t: Floats, values: Floats, at: Floats) -> Floats:
    """Return values of the path's angle between samples by a polynomial: a mass does not turn its path in a moment."""
    half = 0.5 * (t[-1] - t[0])
    fit = np.polynomial.chebyshev.chebfit((t - t[0]) / half - 1.0, values, PATH_DEGREE)
    smooth: Floats = np.polynomial.chebyshev.chebval((at - t[0]) / half - 1.0, fit)
    return smooth


def responses(course: Course, k: Floats, z: Floats) -> Floats:
    """Return, for every (k, z), the movements at the samples, shape (m, n, 4 + knots).

    Columns: started by an angle, started by a rate (theta' = k), driven by the path (two), driven by each wind knot.
    Fourth-order Runge-Kutta over the way. The equation is linear, so that each of its steps is a matrix: all of them are
    made at once, and only their product is gone through one by one.
    """
    drive = np.column_stack([np.zeros((len(course.grid), 2)), course.gamma, -course.knots / course.speed[:, None]])
    h = course.grid[1] - course.grid[0]
    step = _steps(course, k, z, h)
    driven = step[:, :, :, 2, None] * drive[:-1, None, None] + step[:, :, :, 3, None] * drive[1:, None, None]
    out = np.empty((len(course.grid), len(k), 2, drive.shape[1]))
    out[0] = 0.0
    out[0, :, 0, 0], out[0, :, 1, 1] = 1.0, k
    for i, (turn, push) in enumerate(zip(step[:, :, :, :2], driven, strict=True)):
        np.matmul(turn, out[i], out=out[i + 1])
        out[i + 1] += push
    left = np.clip(np.searchsorted(course.grid, course.s) - 1, 0, len(course.grid) - 2)
    share = ((course.s - course.grid[left]) / h)[:, None, None]
    theta = out[:, :, 0]
    at_samples: Floats = (theta[left] * (1.0 - share) + theta[left + 1] * share).transpose(1, 0, 2)
    return at_samples


def _steps(course: Course, k: Floats, z: Floats, h: float) -> Floats:
    """Return what each step of way makes of angle, rate, drive at its start and drive at its end: (grid - 1, m, 2, 4)."""
    stiff, twice = k * k, 2.0 * z * k + course.ahead_m * k * k
    spring = (stiff * (course.push * course.soft)[:, None])[:, :, None]
    drag = (course.change[:, None] + twice * course.push[:, None])[:, :, None]
    k0, k1, d0, d1 = spring[:-1], spring[1:], drag[:-1], drag[1:]
    theta, slope, start, end = np.eye(4)
    f0, f1 = k0 * start, k1 * end
    km, dm, fm = 0.5 * (k0 + k1), 0.5 * (d0 + d1), 0.5 * (f0 + f1)
    a1 = f0 - k0 * theta - d0 * slope
    s2 = slope + 0.5 * h * a1
    a2 = fm - km * (theta + 0.5 * h * slope) - dm * s2
    s3 = slope + 0.5 * h * a2
    a3 = fm - km * (theta + 0.5 * h * s2) - dm * s3
    s4 = slope + h * a3
    a4 = f1 - k1 * (theta + h * s3) - d1 * s4
    return np.stack(
        [theta + h / 6.0 * (slope + 2.0 * (s2 + s3) + s4), slope + h / 6.0 * (a1 + 2.0 * (a2 + a3) + a4)], axis=2
    )


def likelihood(course: Course, points: Floats) -> tuple[Floats, Floats]:
    """Return restricted log-likelihood (m,) and the starts (m, 3, 2) at points of (ln k, z, ln strength), shape (m, 3).

    The covariance of the samples is 1 + B B^T, B being what each independent step of the wind's walk does to them. There are
    far more samples than steps, hence the matrix determinant lemma, det(1 + B B^T) = det(1 + B^T B), and for the weighted
    squares the least squares in which the steps' own sizes stand as rows: so nothing is a difference of large numbers.
    """
    pairs, of = np.unique(points[:, :2], axis=0, return_inverse=True)  # what moves how does not depend on the strength
    found = responses(course, np.exp(pairs[:, 0]), pairs[:, 1])
    wind = found[:, :, 4:]
    # The walk at a knot is the sum of the steps before it, so that its covariance is the lesser way of two knots.
    walked = np.cumsum(wind[:, :, :0:-1], axis=2)[:, :, ::-1] * np.sqrt(np.diff(course.knot_s))
    columns = (walked, found[:, :, :2], wind @ course.profile[:, None], course.theta[None] - found[:, :, 2:4])
    # A rotation of the samples changes no square: as many rows as columns are enough, however many samples there are.
    few: Floats = np.asarray(np.linalg.qr(np.concatenate(columns, axis=2), mode="r"))[of]
    steps, rows = walked.shape[2], few.shape[1]
    stacked = np.zeros((len(points), rows + steps, steps + 5))
    stacked[:, :rows] = few
    stacked[:, :rows, :steps] *= np.exp(0.5 * points[:, 2])[:, None, None]
    stacked[:, rows:, :steps] = np.eye(steps)
    root: Floats = np.asarray(np.linalg.qr(stacked, mode="r"))
    r, inside, left = root[:, steps:-2, steps:-2], root[:, steps:-2, -2:], root[:, -2:, -2:]
    rest = (left * left).sum(axis=(1, 2))
    size = np.log(np.abs(np.diagonal(root[:, :steps, :steps], axis1=1, axis2=2))).sum(axis=1)
    free = 2 * (len(course.s) - 3)
    diagonal = np.abs(np.diagonal(r, axis1=1, axis2=2))
    lost = np.log(np.maximum(diagonal, 1e-300)).sum(axis=1)
    value = -0.5 * free * np.log(np.maximum(rest, 1e-300) / free) - 2.0 * size - 2.0 * lost
    safe = r + np.eye(3) * np.where(diagonal < 1e-12, 1e-12, 0.0)[:, :, None]
    starts: Floats = np.asarray(np.linalg.solve(safe, inside), dtype=np.float64)
    return value, starts


def with_wind(course: Course, point: Floats, start: Floats, softening_per_rad: float) -> Course:
    """Return the course with the air speed and stiffness that the wind just found makes.

    `point`: (ln k, z, ln strength), shape (3,); `start`: one of the starts `likelihood` gives, shape (3, 2).
    """
    across = _wind_across(course, point, start)
    theta = np.column_stack([np.interp(course.grid, course.s, course.theta[:, i]) for i in (0, 1)])
    attack = theta - course.gamma + across / course.speed[:, None]
    soft = np.maximum(1.0 - softening_per_rad * np.sqrt((attack * attack).sum(axis=1)), LEAST_SOFT)
    return replace(course, push=_air_over_ground(course, across), soft=soft)


def _wind_across(course: Course, point: Floats, start: Floats) -> Floats:
    """Return the likeliest cross wind over the grid, m/s, shape (grid, 2): the mean and what its random walk took.

    The walk's best linear prediction from what the other movements leave over (generalized least squares).
    """
    found = responses(course, np.exp(point[:1]), point[1:2])[0]
    wind = found[:, 4:]
    fixed = np.column_stack([found[:, :2], wind @ course.profile])
    rest = course.theta - found[:, 2:4] - fixed @ start
    walk = exp(point[2]) * np.minimum(course.knot_s[:, None], course.knot_s[None, :])
    cover = wind @ walk @ wind.T + np.eye(len(course.s))
    across: Floats = course.knots @ (course.profile[:, None] * start[2] + walk @ wind.T @ np.linalg.solve(cover, rest))
    return across


def _air_over_ground(course: Course, across_m_s: Floats) -> Floats:
    """Return air speed over ground speed on the grid when the cross wind found is the horizontal wind seen across the axis.

    A vehicle that weathercocks flies into the wind, so that this matters more than the cross wind's own length.
    """
    level = course.plane[:, :2]
    if abs(np.linalg.det(level)) < 0.2:
        return np.ones(len(course.grid))
    wind = np.column_stack([np.linalg.solve(level, across_m_s.T).T, np.zeros(len(across_m_s))])
    air = course.velocity - wind
    ratio: Floats = np.clip(np.sqrt((air * air).sum(axis=1)) / course.speed, 0.7, 1.5)
    return ratio
