"""How the roll answered when control began: rise, overshoot, settling, steady error, each with its doubt.

Until the gate opens the vehicle rolls freely, its rate a straight line; then the loop takes the rate it has as its initial
condition. An angle law with a lagging servo is of third order in the rate, so that is what is fitted:

    rate(t) = steady + exp(-z w t) (A cos(w_d t) + B sin(w_d t)) + C exp(-l t),   w_d = w sqrt(1 - z^2)

with rate and acceleration continuous where the fins begin, since no servo jumps. w, z, l and the beginning are found by
nonlinear least squares, all else is linear in them (G. H. Golub and V. Pereyra 1973, separable least squares; from memory).
The angle is the rate's integral. What the air does on top is a Gauss-Markov process whose memory and size come from the
residuals by likelihood. Intervals are those of figures worked out from draws: w, z, l and the beginning by a walk
from the best ones on (N. Metropolis and others 1953), the rest from its normal distribution given those.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.optimize import least_squares

from protocol.arrays import Bools, Floats
from server.flight.unmeasured import Unmeasured

Samples = tuple[Floats, Floats]  # times (s) and values

BEFORE_S, LONGEST_S, SHORTEST_S = 0.4, 1.8, 0.6
LATEST_S = 0.1  # the fins begin to turn it so long after the gate at most: servo and computer
MEMORIES_S, PUSH_SHARES = (0.03, 0.1, 0.3, 1.0), (0.0, 3.0, 30.0, 300.0, 3e3)  # its variance over that of one sample
# What is believed before, one sigma each: ln w, z, ln l; wide, so that data decide where they can. Our choice.
BELIEVED, BELIEVED_SIGMA = np.array([np.log(9.0), 0.7, np.log(20.0)]), np.array([1.0, 0.4, 1.0])
# Of the rate at the gate, the slope before, the steady rate, C; and of a sensor's constant error, a third of a degree a
# second.
LINE_SIGMA, SENSOR_SIGMA_RAD_S = np.array([10.0, 30.0, 1.0, 2.0]), 0.006
STARTS = ((7.0, 0.7, 20.0), (15.0, 0.4, 8.0), (4.0, 0.9, 30.0))  # w, z, l
FIRST_NOISE_RAD_S = 0.01
LEARNED, WALKED, LEARNS_AT, STEP = 900, 1500, (300, 600, 900), 2.38 / 2.0  # steps; 2.38 over the root of the dimensions
# Intervals of the draws alone are too narrow: the push is filtered by the loop, and no Gauss-Markov process. Chosen on the
# odd seeds of `tests/accuracy/loops.py`, reported there on the even ones.
WIDER = 1.6
BEGIN_SIGMA = 0.5  # of half the time in which it can have begun
FEWEST = 24
LEAST_RATE_RAD_S = 0.1  # slower at the gate, the answer drowns in what the air does; common practice, no source
DRAWS = 500
SETTLED, RISES = 0.05, (0.9, 0.1)
LOOKED_S, POINTS = 3.0, 601


@dataclass(frozen=True, slots=True)
class Value:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class GateResponse:
    """Seconds after the fins begin (`begins_s`, timeline), SI units.

    `rate_rad_s` at the gate; `rise_s` from 90 % of it to 10 %; `rate_overshoot` how far it swings past the steady rate, a
    share of the rate at the gate; `rate_settled_s` when it stays within 5 %; `steady_rate_rad_s`. Where the law holds an
    angle: `farthest_rad` from the angle at the gate, `angle_overshoot` past the steady angle, a share of the farthest,
    `angle_settled_s`, `steady_angle_rad` from that at the gate. `frequency_rad_s` and `damping` are of the oscillation
    fitted, `samples` how many rates were.
    """

    begins_s: Value
    rate_rad_s: Value
    rise_s: Value
    rate_overshoot: Value
    rate_settled_s: Value
    steady_rate_rad_s: Value
    farthest_rad: Value | None
    angle_overshoot: Value | None
    angle_settled_s: Value | None
    steady_angle_rad: Value | None
    frequency_rad_s: Value
    damping: Value
    samples: int


def gate_response(
    rates_rad_s: Sequence[Samples], gate_s: tuple[float, float], end_s: float, *, holds_angle: bool
) -> GateResponse | Unmeasured:
    """Fit the answer to a gate that opened between the two times of `gate_s`, with control on until `end_s`.

    `rates_rad_s` holds (times, roll rate) of each sensor, shape (n,) each, whose constant errors may differ.
    """
    end_s = min(end_s, gate_s[1] + LONGEST_S)
    if end_s - gate_s[1] < SHORTEST_S:
        return Unmeasured(f"control was on for less than {SHORTEST_S:g} s")
    t, rate, sensor = _together(rates_rad_s, gate_s[0] - BEFORE_S, end_s)
    if t.size < FEWEST or (t > gate_s[1]).sum() < FEWEST // 2 or (t < gate_s[0]).sum() < 2:
        return Unmeasured(f"too few roll rates were heard around the gate ({t.size})")
    fit = _fitted(t, rate, sensor, gate_s[0], gate_s[1] + LATEST_S)
    begun = _value(fit.line[:, 0])
    if abs(begun.value) < LEAST_RATE_RAD_S or begun.low < 0.0 < begun.high:
        return Unmeasured(f"it rolled too slowly when control began ({np.degrees(begun.value):.1f} deg/s) to see an answer")
    found = _figures(fit, holds_angle, t.size)
    if abs(found.steady_rate_rad_s.value) > abs(begun.value) or found.rate_settled_s.value >= LOOKED_S:
        return Unmeasured("the roll rate did not come down after control began")
    return found


def _together(rates: Sequence[Samples], start_s: float, end_s: float) -> tuple[Floats, Floats, Floats]:
    """Return times, rates and the number of the sensor, in order of time; what is not finite is dropped."""
    t = np.concatenate([np.asarray(times, np.float64) for times, _ in rates])
    values = np.concatenate([np.asarray(rate, np.float64) for _, rate in rates])
    sensor = np.repeat(np.arange(len(rates), dtype=np.float64), [len(times) for times, _ in rates])
    order = np.argsort(t, kind="stable")
    order = order[(t[order] >= start_s) & (t[order] <= end_s) & np.isfinite(values[order])]
    return t[order], values[order], sensor[order]


def oscillation(t_s: Floats, frequency: Floats, damping: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return exp(-z w t) cos(w_d t), exp(-z w t) sin(w_d t) / w_d and their derivatives; shapes broadcast.

    Also beyond critical damping, where the circle functions become hyperbolic ones.
    """
    sigma = damping * frequency
    square = frequency**2 * (1.0 - damping**2)
    turning = np.sqrt(np.asarray(square, dtype=np.complex128) + 1e-9)
    decay = np.exp(-sigma * t_s)
    cosine = decay * np.real(np.cos(turning * t_s))
    sine = decay * np.real(np.sin(turning * t_s) / turning)
    return cosine, sine, -sigma * cosine - square * sine, cosine - sigma * sine


def _columns(t: Floats, sensor: Floats, shape: Floats) -> Floats:
    """Return the columns of the linear part, shape (n, 4 and a constant for each sensor): what each of the rate at
    the gate, the slope before, the steady rate and C gives; `shape` is ln w, z, ln l, beginning."""
    after = t - shape[3]
    begun = after >= 0.0
    columns = [np.where(begun, one, 0.0) for one in _answers(np.where(begun, after, 0.0), shape)]
    columns[0] = np.where(begun, columns[0], 1.0)
    columns[1] = np.where(begun, columns[1], after)
    others = [(sensor == number).astype(np.float64) for number in np.unique(sensor)]
    return np.stack([*columns, *others], axis=1)


def _answers(after: Floats, shape: Floats) -> list[Floats]:
    """Return what the four linear parameters give after the beginning, with rate and acceleration continuous there.

    At the beginning A + C + steady is the rate at the gate, and -z w A + B - l C the slope before.
    """
    w, z, fade = np.exp(shape[0]), shape[1], np.exp(shape[2])
    cosine, sine, _, _ = oscillation(after, w, z)
    held = cosine + z * w * sine  # begins with one, at rest
    return [held, sine, 1.0 - held, np.exp(-fade * after) - held + fade * sine]


@dataclass(frozen=True)
class _Fit:
    """Draws of what it could be: shape (DRAWS, 4) and the four linear parameters (DRAWS, 4)."""

    shape: Floats
    line: Floats


def _fitted(t: Floats, rate: Floats, sensor: Floats, earliest_s: float, latest_s: float) -> _Fit:
    """Fit thrice: with white noise first, then with the noise whose residuals those are."""
    middle, half = 0.5 * (earliest_s + latest_s), 0.5 * (latest_s - earliest_s)
    believed = np.append(BELIEVED, middle)
    sigma = np.append(BELIEVED_SIGMA, BEGIN_SIGMA * half)
    bounds = (np.append([0.0, 0.03, np.log(2.0)], earliest_s), np.append([4.5, 2.5, 5.0], latest_s))
    whiten = np.eye(t.size) / FIRST_NOISE_RAD_S
    starts = [np.array([np.log(w), z, np.log(fade), middle]) for w, z, fade in STARTS]

    def whitened(shape: Floats) -> tuple[Floats, Floats]:
        columns = whiten @ _columns(t, sensor, shape)
        line = 1.0 / np.append(LINE_SIGMA, np.full(columns.shape[1] - 4, SENSOR_SIGMA_RAD_S))
        return np.concatenate([columns, np.diag(line)]), np.concatenate([whiten @ rate, np.zeros(line.size)])

    def left(shape: Floats) -> Floats:
        return np.concatenate((_left(whitened, shape), (shape - believed) / sigma))

    for _ in range(3):
        found = [least_squares(left, start, bounds=bounds, x_scale=sigma) for start in starts]
        best: Floats = min(found, key=lambda one: float(one.cost)).x
        starts = [best]
        columns = _columns(t, sensor, best)
        beta = np.linalg.lstsq(*whitened(best), rcond=1e-10)[0]
        whiten = _whitener(t, rate - columns @ beta, columns.shape[1] + 4)
    return _drawn(whitened, best, believed, sigma, bounds)


def _whitener(t: Floats, left: Floats, used: int) -> Floats:
    """Return what makes such residuals white with unit sigma, shape (n, n), for the likeliest push."""
    apart, degrees = np.abs(t[:, None] - t[None, :]), max(t.size - used, 1)
    best, likeliest = np.eye(t.size), -np.inf
    for memory, share in product(MEMORIES_S, PUSH_SHARES):
        factor = np.linalg.cholesky(np.eye(t.size) + share * np.exp(-apart / memory))
        whiten = np.linalg.inv(factor)
        white = whiten @ left
        variance = max(float(white @ white), 1e-20) / degrees
        likelihood = -0.5 * t.size * np.log(variance) - np.log(np.diag(factor)).sum()
        if likelihood > likeliest:
            best, likeliest = whiten / np.sqrt(variance), likelihood
    return best


def _drawn(
    whitened: Callable[[Floats], tuple[Floats, Floats]], best: Floats, believed: Floats, sigma: Floats,
    bounds: tuple[Floats, Floats],
) -> _Fit:  # fmt: skip
    """Walk about the shapes from the best one on, as often at each as it is likely, and draw a line for each.

    `whitened` gives the columns and the rates of a shape, with unit noise.
    """

    def weighed(shape: Floats) -> tuple[float, Floats, Floats]:
        columns, y = whitened(shape)
        product_ = columns.T @ columns
        beta = np.asarray(np.linalg.solve(product_, columns.T @ y), dtype=np.float64)
        left = y - columns @ beta
        far = (shape - believed) / sigma
        log_det = float(np.linalg.slogdet(product_)[1])
        return -0.5 * (float(left @ left) + float(far @ far) + log_det), beta, product_

    steps = np.diag(0.02 * sigma)
    slopes = [_left(whitened, best + step) - _left(whitened, best - step) for step in steps]
    slope = np.stack(slopes, axis=1) / (0.04 * sigma)
    spread = np.linalg.cholesky(np.linalg.inv(slope.T @ slope + np.diag(1.0 / sigma**2)))
    rng = np.random.default_rng(45)
    at, here = best, weighed(best)
    visited: list[Floats] = []
    kept: list[tuple[Floats, tuple[float, Floats, Floats]]] = []
    for number in range(LEARNED + WALKED):
        if number in LEARNS_AT:  # the steps follow what was seen so far
            seen = np.array(visited[number // 3 :])
            spread = np.linalg.cholesky(np.cov(seen.T) + np.diag((1e-4 * sigma) ** 2))
        new = at + STEP * spread @ rng.standard_normal(4)
        if ((new >= bounds[0]) & (new <= bounds[1])).all():
            there = weighed(new)
            if np.log(rng.uniform()) < there[0] - here[0]:
                at, here = new, there
        visited.append(at)
        if number >= LEARNED and number % (WALKED // DRAWS) == 0:
            kept.append((at, here))
    lines = np.empty((len(kept), here[1].size))
    for draw, (_, (_, beta, product_)) in enumerate(kept):
        lines[draw] = beta + np.linalg.solve(np.linalg.cholesky(product_).T, rng.standard_normal(beta.size))
    return _Fit(np.array([shape for shape, _ in kept]), lines[:, :4])


def _left(whitened: Callable[[Floats], tuple[Floats, Floats]], shape: Floats) -> Floats:
    """Return the residuals of the best line for a shape, in units of the noise."""
    columns, y = whitened(shape)
    left: Floats = y - columns @ np.linalg.lstsq(columns, y, rcond=1e-10)[0]
    return left


def _figures(fit: _Fit, holds_angle: bool, samples: int) -> GateResponse:
    t = np.linspace(0.0, LOOKED_S, POINTS)
    parts = np.stack([np.stack(_answers(t, shape)) for shape in fit.shape])  # (draws, 4, points)
    steady = fit.line[:, 2]
    line = fit.line.copy()
    line[:, 2] = 0.0
    line[:, 0] -= steady
    swing = np.einsum("dk,dkp->dp", line, parts)  # from the steady rate
    share = swing / swing[:, :1]
    rise = _passes(t, share, RISES[1]) - _passes(t, share, RISES[0])
    farthest = overshoot = settled = final = None
    if holds_angle:
        angle = np.concatenate(
            [np.zeros((DRAWS, 1)), np.cumsum(0.5 * (swing[:, 1:] + swing[:, :-1]), axis=1) * t[1]], axis=1
        )
        peak_at = np.argmax(np.abs(angle), axis=1)
        peak, end = angle[np.arange(DRAWS), peak_at], angle[:, -1]
        back = np.where(t[None, :] > t[peak_at][:, None], (end[:, None] - angle) * np.sign(peak)[:, None], 0.0)
        farthest, final = _value(peak), _value(end)
        overshoot = _value(np.maximum(back.max(axis=1), 0.0) / np.abs(peak))
        settled = _value(_last(t, np.abs(angle - end[:, None]) > SETTLED * np.abs(peak)[:, None]), t[1])
    return GateResponse(
        _value(fit.shape[:, 3]), _value(fit.line[:, 0]), _value(rise), _value(np.maximum(-share.min(axis=1), 0.0)),
        _value(_last(t, np.abs(share) > SETTLED), t[1]), _value(steady), farthest, overshoot, settled, final,
        _value(np.exp(fit.shape[:, 0])), _value(fit.shape[:, 1]), samples,
    )  # fmt: skip


def _passes(t: Floats, share: Floats, level: float) -> Floats:
    """Return when each row, which begins at one, first falls to a level, between its points; the last time if never."""
    there = share <= level
    at = np.clip(np.where(there.any(axis=1), np.argmax(there, axis=1), t.size - 1), 1, t.size - 1)
    row = np.arange(len(share))
    above, below = share[row, at - 1], share[row, at]
    part: Floats = np.clip((above - level) / np.maximum(above - below, 1e-12), 0.0, 1.0)
    passed: Floats = t[at - 1] + part * t[1]
    return passed


def _last(t: Floats, there: Bools) -> Floats:
    """Return the last time at which it is so, of each row; zero where it never is."""
    return t[np.where(there.any(axis=1), t.size - 1 - np.argmax(there[:, ::-1], axis=1), 0)]


def _value(draws: Floats, least: float = 0.0) -> Value:
    """Return middle and 95 % interval of draws, `WIDER` than they are and at least `least` to each side."""
    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975])
    below, above = (max(WIDER * float(one), least) for one in (middle - low, high - middle))
    return Value(float(middle), float(middle) - below, float(middle) + above)
