"""The pitch and yaw oscillation after the rail or a gust: wave number, damping ratio, period, against the expected ones.

Equation (tests/SOURCES.md, weathercock: I a" + C2 a' + C1 a = 0, C1 ~ v^2, C2 ~ v), written over the way s flown through
the air, where wave number k and damping ratio z do not change with speed:

    theta'' + (v'/v + 2 z k) theta' + k^2 (theta - gamma + w/v) = 0        (' = d/ds)

theta is where the nose points and gamma where the vehicle flies (both measured), w the cross wind (unknown). So a hard
accelerating boost, a curved path and a wind step are part of the model and not taken for something else. The unknown wind
is a mean, steady or growing with height (whichever is far more likely), and a random walk of unknown strength. For given
(k, z, strength) everything else is linear (`swing_model`), hence variable projection (Golub & Pereyra, 1973; from memory)
with the restricted likelihood (Patterson & Thompson, 1971; from memory) instead of plain squares, because a wandering wind
makes neighboring errors alike. First a grid, then finer grids, then Newton's curvature for the intervals. Not peak
picking: a turn and a half in gusty air has no two good peaks. The body's own lift makes the stiffness fall with the angle
of attack; how much comes from the sheet, or is the usual of a slender body.

Two angles in the plane across the mean nose direction, from the quaternion alone: the roll does not matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite, lgamma, log, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats
from server.flight.airframe.swing_model import Course, course_of, likelihood, responses, with_wind
from server.flight.motion.attitude import nose_direction
from server.flight.unmeasured import Unmeasured

WINDOWS_S = (1.1, 1.4, 1.8)  # tried from the start on; common practice, no source
FEWEST = 14
LEAST_SPEED_M_S = 5.0
LONGEST_GAP_S = 0.45
USUAL_SOFTENING_PER_RAD = 0.6  # the simulated vehicle's, 0.3 to 0.9 with its ballast; common practice, no source
USUAL_START_HEIGHT_M = 2.5  # rail exit; common practice, no source
# A mean wind that grows with height is believed on odds of a hundred to one over the longest window, else a steady one: a
# gust, which does not, looks much the same in the first second. Natural logarithm of the likelihoods' ratio.
GROWING_WIND = 5.0
LEAST_TURNS, SAMPLES_PER_TURN = 0.6, 5.0
GREATEST_DAMPING = 0.5
FALSE_ALARM = 1e-3
LINEAR_RAD = 0.6  # beyond this swing a linear equation has no say; common practice, no source
LOOSEST = 0.09  # a 95 % interval of the wave number wider than this to either side is no measurement; common practice
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
        """Return the undamped natural frequency (Hz) at an air speed (m/s): k v / 2 pi."""
        return self.wave_number_1_m * speed_m_s / (2.0 * pi)

    def period_s(self, speed_m_s: float) -> float:
        """Return the damped period (s) at an air speed (m/s): 2 pi / (k v sqrt(1 - z^2))."""
        return 1.0 / (self.frequency_hz(speed_m_s) * sqrt(1.0 - min(self.damping_ratio, 0.99) ** 2))


@dataclass(frozen=True, slots=True)
class FrequencyRatio:
    """Measured over expected frequency with its 95 % interval; one is as built."""

    ratio: float
    low: float
    high: float


def expected_frequency_hz(
    dynamic_pressure_pa: float, area_m2: float, normal_force_slope: float, lever_m: float, lateral_inertia_kg_m2: float
) -> float:
    """Return the undamped frequency sqrt(q A CNa l / I) / 2 pi in Hz; NaN for an unstable vehicle.

    Slope per radian referred to `area_m2`; `lever_m` from the center of gravity back to that of pressure.
    Source: tests/SOURCES.md, weathercock.
    """
    stiffness = dynamic_pressure_pa * area_m2 * normal_force_slope * lever_m
    return sqrt(stiffness / lateral_inertia_kg_m2) / (2.0 * pi) if stiffness >= 0.0 else float("nan")


def expected_damping_ratio(
    density_kg_m3: float, area_m2: float, stiffness_slope_m: float, damping_slope_m2: float, lateral_inertia_kg_m2: float
) -> float:
    """Return C2 / (2 sqrt(C1 I)) (tests/SOURCES.md, weathercock), the same at every speed.

    `stiffness_slope_m` = CNa (xcp - xcg), `damping_slope_m2` = sum of CNa_i (x_i - xcg)^2.
    """
    half = 0.5 * density_kg_m3 * area_m2
    return half * damping_slope_m2 / (2.0 * sqrt(half * stiffness_slope_m * lateral_inertia_kg_m2))


def body_softening_per_rad(
    body_lift: float, center_of_gravity_m: float, body_middle_m: float, normal_force_slope: float, lever_m: float
) -> float:
    """Return by what share the restoring moment falls per radian of angle of attack through the body's own lift.

    Lift coefficient `body_lift` x alpha^2, referred to the cross section, at the middle of the body (Galejs' form, from
    memory); stations from the nose. Negative when the middle is behind the center of gravity: then the body stiffens.
    """
    return body_lift * (center_of_gravity_m - body_middle_m) / (normal_force_slope * lever_m)


def compared(measured: Oscillation, expected_hz: float, speed_m_s: float) -> FrequencyRatio:
    """Return measured over expected frequency (Hz), the expected one being at the air speed (m/s) given."""
    per_wave = speed_m_s / (2.0 * pi) / expected_hz
    low, high = measured.wave_low_1_m * per_wave, measured.wave_high_1_m * per_wave
    return FrequencyRatio(measured.wave_number_1_m * per_wave, low, high)


def oscillation(
    t_s: ArrayLike,
    quaternion: ArrayLike,
    velocity_m_s: ArrayLike,
    start_s: float,
    latest_end_s: float,
    sensor_ahead_m: float = 0.0,
    softening_per_rad: float = USUAL_SOFTENING_PER_RAD,
    start_height_m: float = USUAL_START_HEIGHT_M,
) -> Oscillation | Unmeasured:
    """WINDOW: fit the oscillation from `start_s` (rail exit, or a gust) on, over the window that fixes it best.

    Times (n,), unit quaternions scalar first (n, 4) body to world, world velocities (n, 3); one row per navigation frame. A
    sensor ahead of the center of gravity feels the pitching as a sideways motion: `sensor_ahead_m` takes that out of the
    damping (unknown: zero; 0.1 m makes it about 0.01 too large). `softening_per_rad` is by how much the stiffness falls per
    radian of angle of attack through body lift (`body_softening_per_rad`; unknown: the usual), `start_height_m` the height
    over ground at the start, from which a wind that grows with height does so.
    """
    rows = _cleaned(t_s, quaternion, velocity_m_s, start_s, latest_end_s)
    windows, reason = _windows(rows, start_s, latest_end_s)
    if not windows:
        return Unmeasured(reason)
    known = sensor_ahead_m, softening_per_rad, start_height_m
    steady, growing = (_fit(windows[-1], *known, grows) for grows in (False, True))
    if steady is None or growing is None:
        return Unmeasured("too few turns for its samples")
    grows = growing.value - steady.value > GROWING_WIND
    fits = [_fit(window, *known, grows) for window in windows[:-1]] + [growing if grows else steady]
    found = [_result(window, fit) for window, fit in zip(windows, fits, strict=True) if fit is not None]
    return min(found, key=_rank)


def _windows(rows: Floats, start_s: float, latest_end_s: float) -> tuple[list[Floats], str]:
    """Return the rows of every window that can be fitted, shortest first, and what was wrong when there is none."""
    windows: list[Floats] = []
    for seconds in WINDOWS_S:
        if seconds != WINDOWS_S[0] and start_s + seconds > latest_end_s + 0.05:
            break
        chosen = rows[rows[:, 0] <= start_s + seconds]
        if len(chosen) < FEWEST:
            continue
        if np.diff(chosen[:, 0]).max() > LONGEST_GAP_S:
            return windows, "a gap too long to bridge"
        windows.append(chosen)
    return windows, "too few samples"


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
    kept: Floats = rows[first]
    return kept


@dataclass(frozen=True)
class _SwingFit:
    """The likeliest numbers of one window: point (ln k, z, ln strength), starts (3, 2), and the log-likelihood."""

    course: Course
    point: Floats
    start: Floats
    value: float


def _fit(rows: Floats, ahead_m: float, softening: float, start_height_m: float, growing: bool) -> _SwingFit | None:
    course = course_of(rows, ahead_m, start_height_m, growing)
    # Neither samples nor the grid may be too far apart for the shortest wave: beyond 2.8 of k times the grid's step the
    # integration runs away (limit of stability of fourth-order Runge-Kutta, from memory); here it stays below 1.3.
    step = max(float(np.median(np.diff(course.s))), float(course.grid[1]))
    lowest, highest = log(2 * pi * LEAST_TURNS / course.grid[-1]), log(2 * pi / (SAMPLES_PER_TURN * step))
    if highest - lowest < 0.5:
        return None
    low = np.array([lowest, 0.0, _LOG_STRENGTH[0]])
    high = np.array([highest, GREATEST_DAMPING, _LOG_STRENGTH[1]])
    axes = [np.linspace(lowest, highest, 20), np.array([0.05, 0.18]), np.linspace(*_LOG_STRENGTH, 5)]
    widths = np.array([axes[0][1] - axes[0][0], 0.08, axes[2][1] - axes[2][0]])
    points = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    top = int(np.argmax(likelihood(course, points)[0]))
    point, start, _ = _climb(course, points[top], widths, low, high, 5)
    # The wind just found changes the speed of the air met, and so stiffness and damping.
    course = with_wind(course, point, start, softening)
    return _SwingFit(course, *_climb(course, point, 0.3 * widths, low, high, 8))


def _climb(
    course: Course, point: Floats, widths: Floats, low: Floats, high: Floats, rounds: int
) -> tuple[Floats, Floats, float]:
    """Return the most likely point near one, with its starts and likelihood: cubes of 27 points, ever smaller."""
    cube = np.stack(np.meshgrid(*[np.array([-1.0, 0.0, 1.0])] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    best, start = -np.inf, np.zeros((3, 2))
    for _ in range(rounds):
        points = np.clip(point + 0.6 * widths * cube, low, high)
        value, starts = likelihood(course, points)
        top = int(np.argmax(value))
        if value[top] > best:
            point, best, start = points[top], float(value[top]), starts[top]
        widths = widths * 0.6
    return point, start, best


def _sigmas(course: Course, point: Floats, best: float) -> tuple[float, float]:
    """Return sigmas of ln k and z from the likelihood's curvature, all three parameters together."""
    steps = np.array([0.01, 0.01, 0.3])
    eye = np.eye(3) * steps
    moves = [sign * eye[i] for i in range(3) for sign in (1, -1)]
    moves += [a * eye[i] + b * eye[j] for i, j in ((0, 1), (0, 2), (1, 2)) for a in (1, -1) for b in (1, -1)]
    value = likelihood(course, point + np.array(moves))[0] - best
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


def _false_alarm(course: Course, point: Floats) -> float:
    """Return the chance that a slow trend (a parabola over the way) alone fits as badly, by the F test."""
    movement = responses(course, np.exp(point[:1]), point[1:2])[0][:, :2]
    x = course.s / course.grid[-1]
    trend = np.column_stack([np.ones_like(x), x, x * x])
    rest = [_residual(design, course.theta) for design in (trend, np.column_stack([trend, movement]))]
    free = 2 * len(x) - 12
    # Four amplitudes, the wave number and the damping ratio: six numbers more.
    return _f_tail((rest[0] - rest[1]) / 6.0 / max(rest[1] / free, 1e-300), free)


def _residual(design: Floats, values: Floats) -> float:
    solution = np.linalg.lstsq(design, values, rcond=None)[0]
    return float(((values - design @ solution) ** 2).sum())


def _f_tail(f: float, free: int) -> float:
    """Return P(F > f) for 6 and `free` degrees of freedom: a finite sum, because 6 is even (incomplete beta function)."""
    if f <= 0.0:
        return 1.0
    x, half = free / (free + 6.0 * f), 0.5 * free
    terms = (exp(lgamma(half + j) - lgamma(half) - lgamma(j + 1.0)) * (1.0 - x) ** j for j in range(3))
    return float(x**half * sum(terms))


def _result(rows: Floats, fit: _SwingFit) -> Oscillation:
    course, point, start = fit.course, fit.point, fit.start
    sigma, false_alarm = _sigmas(course, point, fit.value), _false_alarm(course, point)
    k, z = exp(point[0]), float(point[1])
    spread = exp(min(Z95 * sigma[0], 5.0))
    wind = start[2] / course.speed[0]
    attack = start[0] - course.gamma[0] + wind
    amplitude = sqrt(float(attack @ attack + start[1] @ start[1]))
    inside = abs(point[0] - log(2 * pi * LEAST_TURNS / course.grid[-1])) > 0.02
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
        speed_m_s=float(course.speed.mean()),
        start_s=float(rows[0, 0]),
        end_s=float(rows[-1, 0]),
        samples=len(rows),
    )
