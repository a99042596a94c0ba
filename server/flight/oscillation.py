"""The pitch and yaw oscillation after the rail or a gust: wave number, damping ratio, period, against the expected ones.

Equation (`check_values.md` 10.2: I a" + C2 a' + C1 a = 0, C1 ~ v^2, C2 ~ v), written over the way s flown through the air,
where wave number k and damping ratio z do not change with speed:

    theta'' + (v'/v + 2 z k) theta' + k^2 (theta - gamma + w/v) = 0        (' = d/ds)

theta is where the nose points and gamma where the vehicle flies (both measured), w the cross wind (unknown). So a hard
accelerating boost, a curved path and a wind step are part of the model and not taken for something else. The unknown wind
is a random walk of unknown strength. For given (k, z, strength) everything else is linear, hence variable projection
(Golub & Pereyra, 1973; from memory) with the restricted likelihood (Patterson & Thompson, 1971; from memory) instead of
plain squares, because a wandering wind makes neighboring errors alike. First a grid, then finer grids, then Newton's
curvature for the intervals. Not peak picking: a turn and a half in gusty air has no two good peaks.

Two angles in the plane across the mean nose direction, from the quaternion alone: the roll does not matter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, isfinite, lgamma, log, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from server.flight.attitude import nose_direction
from server.flight.unmeasured import Unmeasured

Floats = NDArray[np.float64]
WINDOWS_S = (1.1, 1.4, 1.8)  # tried from the start on; common practice, no source
FEWEST = 14
LEAST_SPEED_M_S = 5.0
LONGEST_GAP_S = 0.45
KNOT_S = 0.1
PATH_DEGREE = 7
# Common practice, no source: with it the simulated flights show the least bias; their own geometry says about 0.4.
USUAL_SOFTENING_PER_RAD = 0.2
NODE_M = 0.8
LEAST_TURNS, SAMPLES_PER_TURN = 0.6, 5.0
GREATEST_DAMPING = 0.5
FALSE_ALARM = 1e-3
LINEAR_RAD = 0.6  # beyond this swing a linear equation has no say; common practice, no source
LOOSEST = 0.10  # a 95 % interval of the wave number wider than this to either side is no measurement; common practice
# The equation is linear and of constant mass; the likelihood's own sigma is widened by a factor and these terms (share of
# the wave number, damping ratio), set so that the simulated vehicle's truth lies inside 95 of 100 intervals.
SIGMA_FACTOR, MODEL_WAVE, MODEL_DAMPING = 2.2, 0.02, 0.03
Z95 = 1.959964
_LOG_STRENGTH = (log(1e-2), log(1e5))  # (m/s)^2 per m over rad^2 of noise


@dataclass(frozen=True, slots=True)
class Oscillation:
    """What was fitted; intervals are 95 %.

    `excited` is False when the movement is no more than a slow trend, does not fix the wave number, or is too large for a
    linear equation; the numbers are then not to be shown as a measurement.
    Wave number 1/m (rad per meter), amplitude rad at the window's start, window in s.
    """

    excited: bool
    wave_number_1_m: float
    wave_low_1_m: float
    wave_high_1_m: float
    damping_ratio: float
    damping_low: float
    damping_high: float
    amplitude_rad: float
    false_alarm: float
    speed_m_s: float
    start_s: float
    end_s: float
    samples: int

    def frequency_hz(self, speed_m_s: float) -> float:
        """Return the undamped natural frequency at an air speed."""
        return self.wave_number_1_m * speed_m_s / (2.0 * pi)

    def period_s(self, speed_m_s: float) -> float:
        """Return the damped period at an air speed: 2 pi / (k v sqrt(1 - z^2))."""
        return 1.0 / (self.frequency_hz(speed_m_s) * sqrt(1.0 - min(self.damping_ratio, 0.99) ** 2))


@dataclass(frozen=True, slots=True)
class Comparison:
    """Measured over expected frequency with its 95 % interval; one is as built."""

    ratio: float
    low: float
    high: float

    @property
    def as_expected(self) -> bool:
        """True when the interval holds one."""
        return self.low <= 1.0 <= self.high


def expected_frequency_hz(
    dynamic_pressure_pa: float, area_m2: float, normal_force_slope: float, lever_m: float, lateral_inertia_kg_m2: float
) -> float:
    """Return the undamped frequency sqrt(q A CNa l / I) / 2 pi; NaN for an unstable vehicle (check_values 10.2)."""
    stiffness = dynamic_pressure_pa * area_m2 * normal_force_slope * lever_m
    return sqrt(stiffness / lateral_inertia_kg_m2) / (2.0 * pi) if stiffness >= 0.0 else float("nan")


def expected_damping_ratio(
    density_kg_m3: float, area_m2: float, stiffness_slope_m: float, damping_slope_m2: float, lateral_inertia_kg_m2: float
) -> float:
    """Return C2 / (2 sqrt(C1 I)) (check_values 10.2), the same at every speed.

    `stiffness_slope_m` = CNa (xcp - xcg), `damping_slope_m2` = sum of CNa_i (x_i - xcg)^2.
    """
    half = 0.5 * density_kg_m3 * area_m2
    return half * damping_slope_m2 / (2.0 * sqrt(half * stiffness_slope_m * lateral_inertia_kg_m2))


def body_softening_per_rad(
    body_lift: float, center_of_gravity_m: float, body_middle_m: float, normal_force_slope: float, lever_m: float
) -> float:
    """Return by what share the restoring moment falls per radian of angle of attack through the body's own lift.

    Lift coefficient `body_lift` x alpha^2 at the middle of the body (Galejs' form, from memory); stations from the nose.
    """
    return body_lift * (center_of_gravity_m - body_middle_m) / (normal_force_slope * lever_m)


def compared(measured: Oscillation, expected_hz: float, speed_m_s: float) -> Comparison:
    """Return measured over expected frequency, the expected one taken at the same speed."""
    per_wave = speed_m_s / (2.0 * pi) / expected_hz
    waves = measured.wave_number_1_m, measured.wave_low_1_m, measured.wave_high_1_m
    return Comparison(*(wave * per_wave for wave in waves))


def oscillation(
    t_s: ArrayLike,
    quaternion: ArrayLike,
    velocity_m_s: ArrayLike,
    start_s: float,
    latest_end_s: float,
    sensor_ahead_m: float = 0.0,
    softening_per_rad: float = USUAL_SOFTENING_PER_RAD,
) -> Oscillation | Unmeasured:
    """WINDOW: fit the oscillation from `start_s` (rail exit, or a gust) on, over the window that fixes it best.

    Times (n,), unit quaternions scalar first (n, 4) body to world, world velocities (n, 3); one row per navigation frame. A
    sensor ahead of the center of gravity feels the pitching as a sideways motion: `sensor_ahead_m` takes that out of the
    damping (unknown: zero; 0.1 m makes it about 0.01 too large). `softening_per_rad` is by how much the stiffness falls per
    radian of angle of attack through body lift (`body_softening_per_rad`; unknown: the usual).
    """
    rows = _cleaned(t_s, quaternion, velocity_m_s, start_s, latest_end_s)
    best: Oscillation | None = None
    reason = "too few samples"
    for seconds in WINDOWS_S:
        if seconds != WINDOWS_S[0] and start_s + seconds > latest_end_s + 0.05:
            break
        chosen = rows[rows[:, 0] <= start_s + seconds]
        if len(chosen) < FEWEST:
            continue
        if np.diff(chosen[:, 0]).max() > LONGEST_GAP_S:
            reason = "a gap too long to bridge"
            break
        found = _measure(chosen, sensor_ahead_m, softening_per_rad)
        if found is not None and (best is None or _rank(found) < _rank(best)):
            best = found
    return best if best is not None else Unmeasured(reason)


def _rank(found: Oscillation) -> tuple[bool, float]:
    """Excited before not, then the tighter relative interval."""
    return not found.excited, (found.wave_high_1_m - found.wave_low_1_m) / found.wave_number_1_m


def _cleaned(t_s: ArrayLike, quaternion: ArrayLike, velocity: ArrayLike, start_s: float, end_s: float) -> Floats:
    """Return rows of time, nose (3), velocity (3) inside the window, finite, fast enough, one per instant."""
    t, q = np.asarray(t_s, dtype=np.float64), np.asarray(quaternion, dtype=np.float64).reshape(-1, 4)
    v = np.asarray(velocity, dtype=np.float64).reshape(-1, 3)
    if not (isfinite(start_s) and isfinite(end_s)):
        return np.zeros((0, 7))
    good = np.isfinite(t) & np.isfinite(q).all(axis=1) & np.isfinite(v).all(axis=1)
    t, q, v = t[good], q[good], v[good]
    with np.errstate(over="ignore"):
        length, speed = (q * q).sum(axis=1), np.sqrt((v * v).sum(axis=1))
    good = (t >= start_s) & (t <= end_s) & (np.abs(length - 1.0) < 0.1) & (speed >= LEAST_SPEED_M_S) & (speed < 2000.0)
    rows = np.column_stack([t, *nose_direction(*q.T), v])[good]
    _, first = np.unique(rows[:, 0], return_index=True)
    return rows[first]


@dataclass(frozen=True)
class _Problem:
    """One window over the way: samples, and speed, its relative change and path angles at equal steps of way."""

    s: Floats
    theta: Floats
    grid: Floats
    speed: Floats
    change: Floats
    gamma: Floats
    knots: Floats
    knot_s: Floats
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


def _problem(rows: Floats, ahead_m: float) -> _Problem:
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
    return _Problem(
        s=np.interp(t, fine_t, way),
        theta=theta,
        grid=grid,
        speed=grid_speed,
        change=np.gradient(grid_speed, grid) / grid_speed,
        gamma=np.column_stack([_smooth(t, gamma[:, i], grid_t) for i in (0, 1)]),
        knots=knots,
        knot_s=np.interp(knot_t, fine_t, way),
        plane=plane,
        velocity=np.column_stack([np.interp(grid_t, t, velocity[:, i]) for i in range(3)]),
        ahead_m=ahead_m,
        push=np.ones(nodes),
        soft=np.ones(nodes),
    )


def _smooth(t: Floats, values: Floats, at: Floats) -> Floats:
    """Return values of the path's angle between samples by a polynomial: a mass does not turn its path in a moment."""
    half = 0.5 * (t[-1] - t[0])
    fit = np.polynomial.chebyshev.chebfit((t - t[0]) / half - 1.0, values, PATH_DEGREE)
    return np.polynomial.chebyshev.chebval((at - t[0]) / half - 1.0, fit)


def _responses(problem: _Problem, k: Floats, z: Floats) -> Floats:
    """Return, for every (k, z), the movements at the samples, shape (m, n, 4 + knots).

    Columns: started by an angle, started by a rate (theta' = k), driven by the path (two), driven by each wind knot.
    Fourth-order Runge-Kutta over the way.
    """
    drive = np.column_stack([np.zeros((len(problem.grid), 2)), problem.gamma, -problem.knots / problem.speed[:, None]])
    h = problem.grid[1] - problem.grid[0]
    theta = np.zeros((len(k), drive.shape[1]))
    slope = np.zeros_like(theta)
    theta[:, 0], slope[:, 1] = 1.0, k
    stiff, twice = (k * k)[:, None], (2.0 * z * k + problem.ahead_m * k * k)[:, None]
    out = np.empty((len(k), *drive.shape))
    out[:, 0] = theta
    for i in range(len(problem.grid) - 1):
        p0, p1 = problem.push[i], problem.push[i + 1]
        k0, k1 = stiff * (p0 * problem.soft[i]), stiff * (p1 * problem.soft[i + 1])
        d0, d1 = problem.change[i] + twice * p0, problem.change[i + 1] + twice * p1
        f0, f1 = k0 * drive[i], k1 * drive[i + 1]
        km, dm, fm = 0.5 * (k0 + k1), 0.5 * (d0 + d1), 0.5 * (f0 + f1)
        a1 = f0 - k0 * theta - d0 * slope
        s2 = slope + 0.5 * h * a1
        a2 = fm - km * (theta + 0.5 * h * slope) - dm * s2
        s3 = slope + 0.5 * h * a2
        a3 = fm - km * (theta + 0.5 * h * s2) - dm * s3
        s4 = slope + h * a3
        a4 = f1 - k1 * (theta + h * s3) - d1 * s4
        theta = theta + h / 6.0 * (slope + 2.0 * (s2 + s3) + s4)
        slope = slope + h / 6.0 * (a1 + 2.0 * (a2 + a3) + a4)
        out[:, i + 1] = theta
    left = np.clip(np.searchsorted(problem.grid, problem.s) - 1, 0, len(problem.grid) - 2)
    share = ((problem.s - problem.grid[left]) / h)[None, :, None]
    return out[:, left] * (1.0 - share) + out[:, left + 1] * share


def _likelihood(problem: _Problem, points: Floats) -> tuple[Floats, Floats]:
    """Return restricted log-likelihood (m,) and the starts (m, 3, 2) at points of (ln k, z, ln strength), shape (m, 3)."""
    found = _responses(problem, np.exp(points[:, 0]), points[:, 1])
    wind = found[:, :, 4:]
    walk = np.minimum(problem.knot_s[:, None], problem.knot_s[None, :])
    count = len(problem.s)
    cover = np.exp(points[:, 2])[:, None, None] * (wind @ walk @ wind.transpose(0, 2, 1)) + np.eye(count)
    fixed = np.concatenate([found[:, :, :2], wind.sum(axis=2, keepdims=True)], axis=2)
    right = problem.theta[None] - found[:, :, 2:4]
    root = np.linalg.cholesky(cover)
    white = np.linalg.solve(root, np.concatenate([fixed, right], axis=2))
    x, y = white[:, :, :3], white[:, :, 3:]
    q, r = np.linalg.qr(x)
    inside = q.transpose(0, 2, 1) @ y
    rest = (y * y).sum(axis=(1, 2)) - (inside * inside).sum(axis=(1, 2))
    free = 2 * (count - 3)
    size = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    diagonal = np.abs(np.diagonal(r, axis1=1, axis2=2))
    lost = np.log(np.maximum(diagonal, 1e-300)).sum(axis=1)
    value = -0.5 * free * np.log(np.maximum(rest, 1e-300) / free) - 2.0 * size - 2.0 * lost
    safe = r + np.eye(3) * np.where(diagonal < 1e-12, 1e-12, 0.0)[:, :, None]
    return value, np.linalg.solve(safe, inside)


def _measure(rows: Floats, ahead_m: float, softening: float) -> Oscillation | None:
    problem = _problem(rows, ahead_m)
    step = float(np.median(np.diff(problem.s)))
    lowest, highest = log(2 * pi * LEAST_TURNS / problem.grid[-1]), log(2 * pi / (SAMPLES_PER_TURN * step))
    if highest - lowest < 0.5:
        return None
    low = np.array([lowest, 0.0, _LOG_STRENGTH[0]])
    high = np.array([highest, GREATEST_DAMPING, _LOG_STRENGTH[1]])
    axes = [np.linspace(lowest, highest, 20), np.array([0.05, 0.18]), np.linspace(*_LOG_STRENGTH, 5)]
    widths = np.array([axes[0][1] - axes[0][0], 0.08, axes[2][1] - axes[2][0]])
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    value, starts = _likelihood(problem, points)
    top = int(np.argmax(value))
    point, start, _ = _climb(problem, points[top], widths, low, high, 5)
    # The wind just found changes the speed of the air met, and so stiffness and damping.
    cross = start[2] / problem.speed[:, None]
    push = _air_over_ground(problem, start[2])
    attack = (
        np.column_stack([np.interp(problem.grid, problem.s, problem.theta[:, i]) for i in (0, 1)]) - problem.gamma + cross
    )
    soft = np.maximum(1.0 - softening * np.sqrt((attack * attack).sum(axis=1)), 0.5)
    problem = replace(problem, push=push, soft=soft)
    point, start, best = _climb(problem, point, 0.3 * widths, low, high, 8)
    return _result(rows, problem, point, start, _sigmas(problem, point, best), _false_alarm(problem, point))


def _air_over_ground(problem: _Problem, across_m_s: Floats) -> Floats:
    """Return air speed over ground speed on the grid when the cross wind found is the horizontal wind seen across the axis.

    A vehicle that weathercocks flies into the wind, so that this matters more than the cross wind's own length.
    """
    level = problem.plane[:, :2]
    if abs(np.linalg.det(level)) < 0.2:
        return np.ones(len(problem.grid))
    wind = np.append(np.linalg.solve(level, across_m_s), 0.0)
    air = problem.velocity - wind
    return np.clip(np.sqrt((air * air).sum(axis=1)) / problem.speed, 0.7, 1.5)


def _climb(
    problem: _Problem, point: Floats, widths: Floats, low: Floats, high: Floats, rounds: int
) -> tuple[Floats, Floats, float]:
    """Return the most likely point near one, with its starts and likelihood: cubes of 27 points, ever smaller."""
    cube = np.stack(np.meshgrid(*[np.array([-1.0, 0.0, 1.0])] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    best, start = -np.inf, np.zeros((3, 2))
    for _ in range(rounds):
        points = np.clip(point + 0.6 * widths * cube, low, high)
        value, starts = _likelihood(problem, points)
        top = int(np.argmax(value))
        if value[top] > best:
            point, best, start = points[top], float(value[top]), starts[top]
        widths = widths * 0.6
    return point, start, best


def _sigmas(problem: _Problem, point: Floats, best: float) -> tuple[float, float]:
    """Return sigmas of ln k and z from the likelihood's curvature, all three parameters together."""
    steps = np.array([0.01, 0.01, 0.3])
    eye = np.eye(3) * steps
    moves = [sign * eye[i] for i in range(3) for sign in (1, -1)]
    moves += [a * eye[i] + b * eye[j] for i, j in ((0, 1), (0, 2), (1, 2)) for a in (1, -1) for b in (1, -1)]
    value = _likelihood(problem, point + np.array(moves))[0] - best
    hessian = np.zeros((3, 3))
    for i in range(3):
        hessian[i, i] = (value[2 * i] + value[2 * i + 1]) / steps[i] ** 2
    for n, (i, j) in enumerate(((0, 1), (0, 2), (1, 2))):
        pp, pm, mp, mm = value[6 + 4 * n : 10 + 4 * n]
        hessian[i, j] = hessian[j, i] = (pp - pm - mp + mm) / (4 * steps[i] * steps[j])
    # A flat strength (at an end of its range) must not spoil the other two.
    hessian[2, 2] = min(hessian[2, 2], -0.1)
    values, vectors = np.linalg.eigh(-hessian)
    covariance = vectors @ np.diag(1.0 / np.maximum(values, 1e-3)) @ vectors.T
    widened = SIGMA_FACTOR * np.sqrt(np.diagonal(covariance)[:2])
    return float(np.hypot(widened[0], MODEL_WAVE)), float(np.hypot(widened[1], MODEL_DAMPING))


def _false_alarm(problem: _Problem, point: Floats) -> float:
    """Return the chance that a slow trend (a parabola over the way) alone fits as badly, by the F test."""
    movement = _responses(problem, np.exp(point[:1]), point[1:2])[0][:, :2]
    x = problem.s / problem.grid[-1]
    trend = np.column_stack([np.ones_like(x), x, x * x])
    rest = [float(_residual(design, problem.theta)) for design in (trend, np.column_stack([trend, movement]))]
    free = 2 * len(x) - 12
    # Four amplitudes, the wave number and the damping ratio: six numbers more.
    return _f_tail((rest[0] - rest[1]) / 6.0 / max(rest[1] / free, 1e-300), free)


def _residual(design: Floats, values: Floats) -> float:
    solution = np.linalg.lstsq(design, values, rcond=None)[0]
    return ((values - design @ solution) ** 2).sum()


def _f_tail(f: float, free: int) -> float:
    """Return P(F > f) for 6 and `free` degrees of freedom: a finite sum, because 6 is even (incomplete beta function)."""
    if f <= 0.0:
        return 1.0
    x, half = free / (free + 6.0 * f), 0.5 * free
    terms = (exp(lgamma(half + j) - lgamma(half) - lgamma(j + 1.0)) * (1.0 - x) ** j for j in range(3))
    return x**half * sum(terms)


def _result(
    rows: Floats, problem: _Problem, point: Floats, start: Floats, sigma: tuple[float, float], false_alarm: float
) -> Oscillation:
    k, z = exp(point[0]), float(point[1])
    spread = exp(min(Z95 * sigma[0], 5.0))
    wind = start[2] / problem.speed[0]
    attack = start[0] - problem.gamma[0] + wind
    amplitude = sqrt(float(attack @ attack + start[1] @ start[1]))
    inside = abs(point[0] - log(2 * pi * LEAST_TURNS / problem.grid[-1])) > 0.02
    return Oscillation(
        excited=bool(false_alarm < FALSE_ALARM and spread < 1.0 + LOOSEST and amplitude < LINEAR_RAD and inside),
        wave_number_1_m=k,
        wave_low_1_m=k / spread,
        wave_high_1_m=k * spread,
        damping_ratio=z,
        damping_low=max(0.0, z - Z95 * sigma[1]),
        damping_high=z + Z95 * sigma[1],
        amplitude_rad=amplitude,
        false_alarm=false_alarm,
        speed_m_s=float(problem.speed.mean()),
        start_s=float(rows[0, 0]),
        end_s=float(rows[-1, 0]),
        samples=len(rows),
    )
