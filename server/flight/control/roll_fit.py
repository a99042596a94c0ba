"""The roll's fit: authority, fixed setting and damping by generalized least squares, averaged over lags and pushes.

The model and where it is from stand in `roll_authority`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from server.flight.control.roll_window import LAGS_S, RollWindow, running_integral

WALK_RATIOS_PER_S = np.concatenate(([0.0], np.logspace(-1.0, 7.0, 9)))
MEMORIES_S = np.array([0.0, 0.1, 0.3, 1.0])  # of the push; from a gust over the fins to one over the whole coast
# Every ratio with every memory; without a push its memory is nothing.
PUSHES = np.array([(ratio, memory) for memory in MEMORIES_S for ratio in WALK_RATIOS_PER_S if ratio > 0.0 or memory == 0.0])
# Error of a straight line between two fin samples as a share of the bend there, one sigma: 0.29 for a jump at an
# unknown instant (uniform over the interval), less for a servo that takes about one interval to get there.
BETWEEN_SHARE = 0.2
TYPICAL_LAG_S = 0.03  # longer lags are believed less, exponentially; common practice, no source
# With a push that lasts the fins' angle between two samples goes with it, and few memories fit into a coast: the sigma that
# covers, chosen on the first half of the seeds of the tests' own simulation, with what it did on the other half told there.
LASTING_FACTOR = 1.4


@dataclass(frozen=True, slots=True)
class AuthorityFit:
    """Estimates of b, c, -k with their covariance, averaged over lags and pushes; the most likely lag."""

    beta: Floats
    covariance: Floats
    lag_s: float
    degrees: int


def averaged_fit(data: RollWindow) -> AuthorityFit | None:
    """Fit at every lag and push and average by likelihood; None when the columns cannot be told apart."""
    turned = [data.at_samples(running_integral(data.pressure * np.interp(data.grid - lag, *data.fins))) for lag in LAGS_S]
    others = [data.at_samples(s) for s in (running_integral(data.pressure), data.damping_sum)]
    others += [(data.stretch == number).astype(float) for number in np.unique(data.stretch)]
    # Where each stretch has one sensor only, this ties in with the start values; the pseudo-inverse does not mind.
    others += [(data.sensor == number).astype(float) for number in np.unique(data.sensor)[1:]]
    degrees = data.t.size - len(others) - 1
    if degrees < 6:
        return None
    everything = np.stack([*turned, *others, data.rate], axis=1)
    white, log_det = _whitened(data, everything, PUSHES[:, 0], PUSHES[:, 1])
    found = []
    for (ratio, memory), rows, half_det in zip(PUSHES, white, 0.5 * log_det, strict=True):
        for number, lag in enumerate(LAGS_S):
            pick = np.array([number, *range(LAGS_S.size, everything.shape[1])])
            one = _least_squares(rows[:, pick], degrees)
            if one is not None:
                found.append(
                    _One(one[2] - half_det - lag / TYPICAL_LAG_S, float(lag), float(ratio), float(memory), one[0], one[1])
                )
    if not found:
        return None
    fit = _average(found, degrees)
    best = max(found, key=lambda one: one.log_likelihood)
    columns = np.stack([turned[int(np.argmin(np.abs(LAGS_S - best.lag_s)))], *others], axis=1)
    fit.covariance[0, 0] += (fit.beta[0] * _between_samples(data, columns, best)) ** 2
    return fit


def _between_samples(data: RollWindow, columns: Floats, best: _One) -> float:
    """Return the relative error (one sigma) of the authority because fins are drawn as straight lines between samples.

    In each interval the line misses about the bend (the second difference) there. What a kick of that size in one
    interval does to the estimate follows from the fit's own weights; the intervals are independent. Fins jump when
    control starts, so a flight with a moment of control only has most of its error from here.
    """
    t, angle = data.fins
    near = np.flatnonzero((t[1:] > data.t[0] - best.lag_s) & (t[:-1] < data.t[-1]))
    step = np.diff(t)
    bend = np.zeros(t.size)
    bend[1:-1] = np.abs(np.diff(np.diff(angle) / step)) * np.minimum(step[1:], step[:-1])
    missed = np.interp(t[1:], data.grid, data.pressure) * step * np.maximum(bend[1:], bend[:-1])
    begin = t[:-1][near] + best.lag_s
    # A kick lasts to the end of its stretch; what went before a stretch is in its start value anyway.
    kicks = np.clip((data.t[:, None] - begin) / step[near], 0.0, 1.0)
    white, _ = _whitened(
        data, np.concatenate([columns, kicks], axis=1), np.array([best.ratio_per_s]), np.array([best.memory_s])
    )
    fitted, *_ = np.linalg.lstsq(white[0][:, : columns.shape[1]], white[0][:, columns.shape[1] :], rcond=1e-10)
    return float(BETWEEN_SHARE * np.sqrt(((fitted[0] * missed[near]) ** 2).sum()))


def _whitened(data: RollWindow, columns: Floats, ratios_per_s: Floats, memories_s: Floats) -> tuple[Floats, Floats]:
    """Return the columns with the correlation taken out, shape (pushes, n, columns), and the log determinants.

    The innovations of a Kalman filter for a level that is pushed and read with unit noise (A. C. Harvey, "Forecasting,
    Structural Time Series Models and the Kalman Filter", 1989; from memory) are what a Cholesky factor of the covariance
    would give, in a time that grows with n only. The push is a Gauss-Markov process of that memory, whose integral over long
    times wanders by `ratios_per_s`, its steps exact (any textbook on navigation); with no memory the level walks at
    random. All pushes run at once; shapes (pushes,).
    """
    ratio, memory = ratios_per_s, memories_s
    lasting = memory > 0.0
    safe = np.where(lasting, memory, 1.0)
    strength = np.where(lasting, ratio / (2.0 * safe), 0.0)  # variance of the push
    white = np.empty((ratio.size, *columns.shape))
    log_det = np.zeros(ratio.size)
    level, push = np.zeros((2, ratio.size, columns.shape[1]))
    p_level, p_both, p_push = np.zeros((3, ratio.size))
    for i in range(data.t.size):
        if i == 0 or data.stretch[i] != data.stretch[i - 1]:
            level[:], push[:], p_level, p_both, p_push = 0.0, 0.0, np.zeros(ratio.size), np.zeros(ratio.size), strength
        elif data.t[i] > data.t[i - 1]:
            dt = data.t[i] - data.t[i - 1]
            stays = np.where(lasting, np.exp(-dt / safe), 0.0)
            carried = np.where(lasting, memory * (1.0 - stays), 0.0)
            level += carried[:, None] * push
            push *= stays[:, None]
            walked = strength * memory**2 * (2.0 * dt / safe - 3.0 + 4.0 * stays - stays**2)
            p_level = p_level + carried * (2.0 * p_both + carried * p_push) + np.where(lasting, walked, ratio * dt)
            p_both = stays * (p_both + carried * p_push) + strength * carried * (1.0 - stays)
            p_push = stays**2 * p_push + strength * (1.0 - stays**2)
        variance = p_level + 1.0
        innovation = columns[i] - level
        white[:, i, :] = innovation / np.sqrt(variance)[:, None]
        log_det += np.log(variance)
        gain, gain_push = p_level / variance, p_both / variance
        level += gain[:, None] * innovation
        push += gain_push[:, None] * innovation
        p_push = p_push - gain_push * p_both
        p_both = p_both / variance
        p_level = gain
    return white, log_det


def _least_squares(rows: Floats, degrees: int) -> tuple[Floats, Floats, float] | None:
    """Return the first three estimates, their covariance and the restricted log likelihood; None if undetermined.

    `rows` is X with y as its last column. What is left of y is taken from the rows themselves: as a difference of sums of
    squares it was rounding alone for a strong push, and another processor's sums chose another lag.
    """
    product = rows.T @ rows
    scale = np.sqrt(np.maximum(np.diag(product)[:-1], 0.0))
    if not (scale > 0.0).all():
        return None
    values, vectors = np.linalg.eigh(product[:-1, :-1] / np.outer(scale, scale))
    firm = values > 1e-11 * values[-1]
    if (np.abs(vectors[:3, ~firm]) > 1e-4).any():
        return None
    good, kept = values[firm], vectors[:, firm]
    inverse = (kept / good) @ kept.T
    right = product[:-1, -1] / scale
    beta = inverse @ right
    left = rows[:, -1] - rows[:, :-1] @ (beta / scale)
    variance = max(float(left @ left), 1e-20) / degrees
    likelihood = -0.5 * degrees * np.log(variance) - 0.5 * float(np.log(good).sum()) - float(np.log(scale).sum())
    lead = scale[:3]
    return beta[:3] / lead, variance * inverse[:3, :3] / np.outer(lead, lead), float(likelihood)


@dataclass(frozen=True, slots=True)
class _One:
    """The fit at one lag, ratio of push to noise, and memory of the push."""

    log_likelihood: float
    lag_s: float
    ratio_per_s: float
    memory_s: float
    beta: Floats
    covariance: Floats


def _average(found: list[_One], degrees: int) -> AuthorityFit:
    """Weigh the fits by likelihood; their spread joins the covariance."""
    likelihoods = np.array([one.log_likelihood for one in found])
    weights = np.exp(likelihoods - likelihoods.max())
    weights /= weights.sum()
    betas = np.stack([one.beta for one in found])
    beta = weights @ betas
    within = np.tensordot(weights, np.stack([one.covariance for one in found]), axes=1)
    lasting = float(weights[[one.memory_s > 0.0 for one in found]].sum())
    within = within * (1.0 + (LASTING_FACTOR**2 - 1.0) * lasting)
    off = betas - beta
    lags = np.array([one.lag_s for one in found])
    by_lag = {float(lag): float(weights[lags == lag].sum()) for lag in LAGS_S}
    return AuthorityFit(beta, within + (weights[:, None] * off).T @ off, max(by_lag, key=by_lag.__getitem__), degrees)
