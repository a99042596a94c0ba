"""How hard fins turn the vehicle about one axis: least squares on one window of flight under a push that lasts.

Model, body axes, +z out of the nose (rigid body with linear aerodynamics: V. Klein and E. A. Morelli, "Aircraft System
Identification", 2006, equation error; R. E. Maine and K. W. Iliff, NASA RP-1138; from memory): with body rates (p, q, r),
dynamic pressure Q, air speed V, velocity v and wind w across, fin modes d some lag ago, for pitch

    dp/dt = sum b_j Q d_j + c Q - k sqrt(Q) p + s Q (v_y - w_y) / V + t (while the motor burns) + g q r + push

likewise for yaw with (v_x - w_x) and -g p r, and for roll without s, t, g. The wind is constant over the ground and turned
into the body's axes with the attitude; at large angles there is a column for the body's own lift as well; g, 1 less the
roll inertia's share of the lateral one, is known. Nothing is differentiated: each rate sample equals a start value plus
these coefficients times integrals up to its time, and what remains is whitened (`colored_push`); what the fins' samples
scatter is taken out. A gyro not square to the axis hears some of the roll: for pitch and yaw each sensor has a share of the
roll rate of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.control.colored_push import AveragedFit, Regression, averaged_fit, moved_by
from server.flight.control.roll_authority import MODEL_SHARE
from server.flight.control.roll_fit import BETWEEN_SHARE, between_samples, levels
from server.flight.control.roll_window import LAGS_S, RollWindow, Samples, clean, gather, running_integral
from server.flight.effectiveness.fin_curve import cubic, first_order
from server.flight.effectiveness.modes import COLUMN_OF

# A moment between two fast rolls tells nothing of pitch: some two seconds at 50 Hz. Common practice.
FEWEST = {"roll": 20, "pitch": 100, "yaw": 100}
# What turns on its own by less (one sigma) hardly stands out from its sensors' scatter; common practice, no source.
LEAST_OWN_RAD = 0.002
# A command jumps at once, anywhere between two samples: one sigma of a uniform instant, as a share of the jump.
JUMP_SHARE = 0.29
# One sigma of an effect told by commands alone, for servos that are no lag of first order; our choice.
COMMANDED_SHARE = 0.06
# Of the body between two samples of attitude or fins; a cubic through four of them then follows. Our choice.
MOST_TURN_RAD = 0.5
# What the least squares tell is a little sure of itself: chosen on the odd seeds of tests/accuracy/control_effectiveness.
SIGMA_FACTOR = 1.2
LEAST_BODY_LIFT_RAD = 0.15  # the body itself bears as the square of the angle: from here on it counts; our choice
USUAL_GYROSCOPIC = 0.99  # of a slender vehicle; common practice, no source


@dataclass(frozen=True, slots=True)
class Heard:
    """One window of flight, off the rail and before anything separates.

    `rates`: of each sensor times (n,) and body rates x, y, z, shape (n, 3), rad/s. `fins`: times (m,) and what turned, one
    column for each fin or mode, shape (m, k), rad; `is_commanded` where nothing measured it. `pressure`: times and dynamic
    pressure, Pa. `motion`: times (l,) and, shape (l, 3) each, in body axes: the velocity over ground (m/s), and the
    unit vectors to east and north; None where attitude or velocity is not known. `burnout_s` is the end of thrust,
    `fin_noise` (k, k) the covariance of the fins' samples at rest, rad2. `kicks`: when a
    side motor began to push, and for how long (s): what it did across is left free.
    """

    rates: Sequence[tuple[Floats, Floats]]
    fins: tuple[Floats, Floats]
    pressure: Samples
    motion: tuple[Floats, Floats, Floats, Floats] | None = None
    is_commanded: bool = False
    burnout_s: float | None = None
    fin_noise: Floats | None = None
    gyroscopic: float = USUAL_GYROSCOPIC
    kicks: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class AxisFit:
    """What each column of the fins does about one axis: rad/s2 per Pa and rad, with one sigma and Student's 95 % interval.

    Shapes (k,); NaN where the column did not move on its own (`moved`, one sigma in rad). `setting` is c, `damping` k.
    `regression` and `fit` are kept for what would have been needed (`excitation`).
    """

    axis: str
    samples: int
    moved: Floats
    value: Floats
    sigma: Floats
    low: Floats
    high: Floats
    setting: float
    damping: float
    lag_s: float
    covariance: Floats
    used: tuple[int, ...]
    regression: Regression
    fit: AveragedFit
    window: RollWindow


def fit_axis(heard: Heard, axis: str, least_own_rad: float = LEAST_OWN_RAD) -> AxisFit | None:
    """Fit one of `modes.AXES`; None where too little was heard, or nothing can be told apart."""
    made = window_of(heard, axis)
    if made is None:
        return None
    window, fins = made
    near = (fins[0] >= window.t[0] - LAGS_S[-1]) & (fins[0] <= window.t[-1])
    used, moved = moving(fins[1][near], least_own_rad)
    fins_used = (fins[0], fins[1][:, list(used)])
    known = _others(heard, axis, window)
    if known is None:
        return None
    turned = turned_by(window, fins_used, heard.is_commanded)
    noise, spread = _errors(heard, window, fins_used, used)
    leading = turned.shape[2] + 2
    regression = Regression(
        window.t, window.stretch, known[0], turned, LAGS_S, known[1], leading, noise=noise, spread=spread
    )
    fit = averaged_fit(regression)
    if fit is None:
        return None
    return _told(axis, window, fins, used, moved, regression, fit, heard.is_commanded)


def window_of(heard: Heard, axis: str) -> tuple[RollWindow, tuple[Floats, Floats]] | None:
    """Return the rates about one axis that can be used, and the fins, cleaned; None where that is too little."""
    column = COLUMN_OF[axis]
    fins = _clean_rows(*heard.fins)
    pressure = clean(heard.pressure)
    slowly = [_slowly(t, values, heard, axis) for t, values in heard.rates]
    rates = [clean((t, values[:, column])) for t, values in slowly]
    if fins[0].size < 4 or pressure[0].size < 2 or not any(t.size for t, _ in rates):
        return None
    window = gather(rates, (fins[0], fins[1].mean(axis=1)), pressure)
    if window is None or window.t.size < FEWEST[axis] or fins[1].shape[1] == 0:
        return None
    return window, fins


def _slowly(t: Floats, values: Floats, heard: Heard, axis: str) -> tuple[Floats, Floats]:
    """Return the rates between which the body does not turn too far: what goes on across is lost in a fast roll."""
    if axis == "roll" or heard.motion is None or heard.motion[0].size < 4:
        return t, values
    between_s = max(float(np.median(np.diff(np.sort(one)))) for one in (heard.motion[0], heard.fins[0]) if one.size > 1)
    kept = np.abs(values[:, 2]) * between_s <= MOST_TURN_RAD
    return t[kept], values[kept]


def moving(angles: Floats, least_own_rad: float = LEAST_OWN_RAD) -> tuple[tuple[int, ...], Floats]:
    """Return which columns move on their own, and by how much each (rad, one sigma); one that does not leaves first."""
    moved = own_movement(angles)
    used = list(range(angles.shape[1]))
    while used:
        own = own_movement(angles[:, used])
        moved[used] = own
        if own.min() >= least_own_rad:
            break
        used.pop(int(own.argmin()))
    return tuple(used), moved


def own_movement(angles: Floats) -> Floats:
    """Return how much (one sigma) each column moves that the others and a constant do not, shape (m, k) to (k,)."""
    rows, count = angles.shape
    out = np.zeros(count)
    if rows <= count + 1:
        return out
    for j in range(count):
        rest = np.column_stack([np.ones(rows), np.delete(angles, j, axis=1)])
        fitted, *_ = np.linalg.lstsq(rest, angles[:, j], rcond=1e-10)
        out[j] = float(np.std(angles[:, j] - rest @ fitted))
    return out


def turned_by(window: RollWindow, fins: tuple[Floats, Floats], is_commanded: bool) -> Floats:
    """Return what each column of the fins turned by at each lag, shape (lags, n, k), in Pa rad s."""
    t, angles = fins
    out = np.empty((LAGS_S.size, window.t.size, angles.shape[1]))
    for number, lag in enumerate(LAGS_S):
        for j in range(angles.shape[1]):
            if is_commanded:
                there = np.interp(window.grid, t, angles[:, j])
                there = first_order(there, lag, float(window.grid[1] - window.grid[0])) if lag > 0.0 else there
            else:
                there = cubic(t, angles[:, j], window.grid - lag)
            out[number, :, j] = window.at_samples(running_integral(window.pressure * there))
    return out


def _all_rates(heard: Heard) -> tuple[Floats, Floats]:
    """Return the rates of all sensors in order of time."""
    t, values = (np.concatenate([one[i] for one in heard.rates]) for i in (0, 1))
    order = np.argsort(t, kind="stable")
    return t[order], values[order]


def _clean_rows(t: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Drop rows with anything that is not finite, sort, keep the first of equal times."""
    good = np.isfinite(t) & np.isfinite(values).all(axis=1)
    kept, first = np.unique(t[good], return_index=True)
    return kept, values[good][first]


def without_fins(
    heard: Heard, axis: str, window: RollWindow, fins: tuple[Floats, Floats], lag_s: float
) -> Regression | None:
    """Return the model with the fins among what is known at one lag, and nothing turned yet; None where that is lacking."""
    known = _others(heard, axis, window)
    if known is None:
        return None
    at_lag = turned_by(window, fins, heard.is_commanded)[int(np.argmin(np.abs(LAGS_S - lag_s)))]
    others = np.concatenate([at_lag, known[1]], axis=1)
    return Regression(window.t, window.stretch, known[0], np.zeros((1, window.t.size, 0)), LAGS_S[:1], others, 0)


def _others(heard: Heard, axis: str, window: RollWindow) -> tuple[Floats, Floats] | None:
    """Return the rates and the columns of all but the fins; None where pitch or yaw lack the attitude."""
    q, grid = window.pressure, window.grid
    on_grid = [q]
    rate = window.rate
    direct: list[Floats] = []
    if axis != "roll":
        across = _across(heard, axis, window)
        if across is None:
            return None
        columns, gyroscopic, roll = across
        on_grid += columns
        rate = rate - window.at_samples(running_integral(gyroscopic))
        heard_roll = np.interp(window.t, grid, roll)
        direct = [np.where(window.sensor == number, heard_roll, 0.0) for number in np.unique(window.sensor)]
        direct += [ramp(window.t, began_s, burn_s) for began_s, burn_s in heard.kicks]
        if heard.burnout_s is not None and grid[0] < heard.burnout_s:
            on_grid.append((grid < heard.burnout_s).astype(float))
    known = [window.at_samples(running_integral(one)) for one in on_grid]
    others = np.stack([known[0], window.at_samples(window.damping_sum), *known[1:], *direct, *levels(window)], axis=1)
    return rate, others


def _errors(
    heard: Heard, window: RollWindow, fins: tuple[Floats, Floats], used: tuple[int, ...]
) -> tuple[Floats | None, Floats | None]:
    """Return the independent errors of the fins as `Regression` takes them: sensors' scatter, or when a command jumped."""
    if heard.is_commanded:
        return _jumps(window, fins)
    if heard.fin_noise is None:
        return None, None
    near = (fins[0] >= window.t[0] - 0.1) & (fins[0] <= window.t[-1] + 0.1)
    count = int(near.sum())
    basis = window.pressure[:, None] * cubic(fins[0][near], np.eye(count), window.grid)
    summed = np.cumsum(basis, axis=0) * float(window.grid[1] - window.grid[0])
    place = np.clip(np.searchsorted(window.grid, window.t), 0, window.grid.size - 1)
    return np.broadcast_to(heard.fin_noise[np.ix_(used, used)], (count, len(used), len(used))), summed[place]


def _jumps(window: RollWindow, fins: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return what commands that jumped somewhere between two samples may miss: what changes in one interval only."""
    t, angles = fins
    near = np.flatnonzero((t[1:] > window.t[0]) & (t[:-1] < window.t[-1]))
    step, change = np.diff(t), np.abs(np.diff(angles, axis=0))
    bend = np.zeros(angles.shape)
    bend[1:-1] = np.abs(np.diff(angles, n=2, axis=0))
    jump = np.minimum(change, np.minimum(bend[1:], bend[:-1]))
    missed = (JUMP_SHARE * step * np.interp(t[1:], window.grid, window.pressure))[:, None] * jump
    kicks = np.clip((window.t[:, None] - t[:-1][near]) / step[near], 0.0, 1.0)
    return (missed[near] ** 2)[:, :, None] * np.eye(angles.shape[1]), kicks


def ramp(t: Floats, began_s: float, burn_s: float) -> Floats:
    """Return what a push of constant strength has done to the rate, from nothing to all of it."""
    return np.clip((t - began_s) / burn_s, 0.0, 1.0)


def _across(heard: Heard, axis: str, window: RollWindow) -> tuple[list[Floats], Floats, Floats] | None:
    """Return stiffness and wind columns, the known gyroscopic acceleration and the roll rate, on the grid."""
    if heard.motion is None or heard.motion[0].size < 4:
        return None
    t, velocity, east, north = heard.motion
    speed = np.interp(window.grid, t, np.sqrt((velocity * velocity).sum(axis=1)))
    over_speed = window.pressure / np.maximum(speed, 1.0)
    side = 1 if axis == "pitch" else 0
    columns = [over_speed * np.interp(window.grid, t, one[:, side]) for one in (velocity, east, north)]
    tangent = np.interp(window.grid, t, np.hypot(velocity[:, 0], velocity[:, 1])) / np.maximum(speed, 1.0)
    if tangent.max() > LEAST_BODY_LIFT_RAD:
        columns.append(columns[0] * tangent)
    times, rates = _all_rates(heard)
    p, q, r = (np.interp(window.grid, times, rates[:, i]) for i in range(3))
    return columns, heard.gyroscopic * (q * r if axis == "pitch" else -p * r), r


def _told(
    axis: str,
    window: RollWindow,
    fins: tuple[Floats, Floats],
    used: tuple[int, ...],
    moved: Floats,
    regression: Regression,
    fit: AveragedFit,
    is_commanded: bool,
) -> AxisFit:
    """Put the fit's numbers in the places of the columns, with what lies between two samples of the fins."""
    m = len(used)
    covariance = fit.covariance.copy()
    for place, j in enumerate(used):
        kicks, missed = between_samples(window, (fins[0], fins[1][:, j]), fit.best.lag_s)
        effect = moved_by(regression, fit.best, kicks) * missed * fit.beta[place] * BETWEEN_SHARE
        covariance[:m, :m] += effect[:m] @ effect[:m].T
    # Student's t at 97.5 %, first term of the Cornish-Fisher expansion (Abramowitz and Stegun 26.7.5).
    wide = SIGMA_FACTOR * (1.95996 + 2.3722 / fit.degrees)
    share = COMMANDED_SHARE if is_commanded else MODEL_SHARE
    value, sigma = np.full((2, moved.size), np.nan)
    for place, j in enumerate(used):
        value[j] = fit.beta[place]
        sigma[j] = sqrt(float(covariance[place, place]) + (share * value[j]) ** 2)
    return AxisFit(
        axis, window.t.size, moved, value, sigma, value - wide * sigma, value + wide * sigma,
        float(fit.beta[m]), -float(fit.beta[m + 1]), fit.lag_s, covariance, used, regression, fit, window,
    )  # fmt: skip
