"""Do the fins roll the vehicle, how hard, and the right way round: a regression on one flight.

Model (rigid-body roll with strip-theory damping, every textbook on flight dynamics; the twin's `rigid_body` is its own
writing of it): with r the roll rate, q the dynamic pressure, d the mean fin deflection some lag ago,

    dr/dt = b q d + c q - k sqrt(q) r + disturbance

b is the roll authority, c a fixed fin setting error, k the damping (q/v is proportional to sqrt(q) in air of one density).
Differentiating r would amplify its noise, so the model is used integrated: each rate sample equals a start value plus b, c
and k times integrals up to its time. What remains is white sensor noise plus the sum of all that pushes the vehicle and is
not in the model, so the fit is generalized least squares (A. C. Aitken 1935) with the ratio of the two taken from the
restricted likelihood (Patterson and Thompson, Biometrika 58, 1971; from memory). Such a sum makes neighboring residuals
alike; counting them as independent would make the interval far too narrow. The push has a memory (a Gauss-Markov process,
AR(1) in samples; white for a memory of nothing): in closed loop the fins work against a push that lasts, and taken for white
it would hide most of what they do. With the noise's own color in the model the direct method is right in closed loop
(L. Ljung, "System Identification", 1999, chapter 13; from memory).

Lag, ratio and memory are not picked but averaged over a grid, each by its likelihood, so that not knowing them widens the
interval. Where fins were not heard for longer than `LONGEST_GAP_S` the sum starts anew with a start value of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import copysign, exp, hypot, inf, log, sqrt

import numpy as np

from protocol.arrays import Floats, Ints

Samples = tuple[Floats, Floats]  # times (s) and values

EFFECTIVE, WEAK, REVERSED = "effective", "weak", "reversed"
NOT_EXCITED, NOT_ENOUGH_DATA = "not excited", "not enough data"

LONGEST_GAP_S = 0.16  # two fin packets of 20 Hz lost in a row; common practice, no source
LONGEST_PRESSURE_GAP_S = 0.6  # dynamic pressure changes slowly; common practice, no source
LAGS_S = np.arange(0.0, 0.1501, 0.01)
WALK_RATIOS_PER_S = np.concatenate(([0.0], np.logspace(-1.0, 7.0, 9)))
MEMORIES_S = np.array([0.0, 0.1, 0.3, 1.0])  # of the push; from a gust over the fins to one over the whole coast
# Every ratio with every memory; without a push its memory is nothing.
PUSHES = np.array([(ratio, memory) for memory in MEMORIES_S for ratio in WALK_RATIOS_PER_S if ratio > 0.0 or memory == 0.0])
# Error of a straight line between two fin samples as a share of the bend there, one sigma: 0.29 for a jump at an
# unknown instant (uniform over the interval), less for a servo that takes about one interval to get there.
BETWEEN_SHARE = 0.2
TYPICAL_LAG_S = 0.03  # longer lags are believed less, exponentially; common practice, no source
MOST_SHARE = 5.0  # one sigma; beyond it nothing is known of the size
MODEL_SHARE = 0.01  # air of one density, linear fins: the model itself; common practice, no source
FEWEST_SAMPLES = 20  # common practice, no source
MOST_SAMPLES = 800  # more would only cost time: every n-th is used
SMALLEST_MOVEMENT_RAD = 0.001  # standard deviation, three times the noise of the mean of four sensors; common practice
# With a push that lasts the fins' angle between two samples goes with it, and few memories fit into a coast: the sigma that
# covers, chosen on the first half of the seeds of the tests' own simulation, with what it did on the other half told there.
LASTING_FACTOR = 1.4
WEAK_SHARE = 0.5  # common practice, no source
LARGEST = 1e7  # of any quantity here, so that squares stay numbers; common practice, no source
LONGEST_WINDOW_S = 120.0  # more is not one coast; common practice, no source
_GRID_S = 0.005


@dataclass(frozen=True, slots=True)
class RollAuthority:
    """The verdict with its reason, and the numbers behind it; None where there was nothing to fit.

    `authority` is in rad/s2 per Pa and rad of mean deflection, `sigma` its standard error, `low` and `high` the 95 %
    interval. `lag_s` is the most likely lag from measured deflection to roll. `trim_rad` is the deflection that would
    stop the roll of the fixed fin setting (-c/b) with `trim_sigma_rad`, None unless the authority is known to have a
    sign. `damping` is k (s-1 Pa-0.5), `movement_rad` the standard deviation of the deflection in the window.
    """

    verdict: str
    reason: str
    samples: int
    movement_rad: float
    authority: float | None = None
    sigma: float | None = None
    low: float | None = None
    high: float | None = None
    lag_s: float | None = None
    damping: float | None = None
    trim_rad: float | None = None
    trim_sigma_rad: float | None = None


def roll_authority(
    rates_rad_s: Sequence[Samples],
    fins_rad: Samples,
    pressure_pa: Samples,
    *,
    expected: float | None = None,
    pressure_sigma_share: float = 0.0,
) -> RollAuthority:
    """Judge the fins from one window of free flight, off the rail and before anything separates.

    `rates_rad_s` holds (times, roll rate) of each sensor, whose constant errors may differ; `fins_rad` (times, mean
    measured deflection of all fins); `pressure_pa` (times, dynamic pressure). Each shape (n,), any order; what is not
    finite is dropped. `expected` is the designer's authority with the sign that counts as right. `pressure_sigma_share`
    is the relative error (one sigma) common to all dynamic pressures, as a speed over ground in wind has (see
    `pressure_share`): it widens the interval but cannot put the sign in doubt.
    """
    fins, pressure = _clean(fins_rad), _clean(pressure_pa)
    rates = [_clean(samples) for samples in rates_rad_s]
    movement = float(np.std(fins[1])) if fins[0].size else 0.0
    heard = {
        "roll rate": any(t.size for t, _ in rates),
        "fins": fins[0].size >= 4,
        "speed": pressure[0].size >= 2,
    }
    if not all(heard.values()):
        lacking = " and ".join(name for name, is_heard in heard.items() if not is_heard)
        return RollAuthority(NOT_ENOUGH_DATA, f"too little was heard of {lacking}", 0, movement)
    data = _gather(rates, fins, pressure)
    if data is None or data.t.size < FEWEST_SAMPLES:
        count = 0 if data is None else data.t.size
        reason = f"{count} roll rates with fins heard around them, {FEWEST_SAMPLES} needed"
        return RollAuthority(NOT_ENOUGH_DATA, reason, count, movement)
    movement = data.movement_rad
    if movement < SMALLEST_MOVEMENT_RAD:
        return RollAuthority(NOT_EXCITED, f"the fins moved by {movement:.4f} rad only", data.t.size, movement)
    fit = _averaged_fit(data)
    if fit is None:
        return RollAuthority(NOT_EXCITED, "the fins' effect cannot be told from the rest", data.t.size, movement)
    return _judged(data, fit, expected, pressure_sigma_share)


def pressure_share(wind_m_s: float, speed_m_s: float) -> float:
    """Return the relative error of a dynamic pressure from speed over ground, for a wind of unknown direction.

    Wind along the path changes the speed from v to v + w, the pressure by the factor (1 + w/v)^2; its logarithm is taken.
    `speed_m_s` is the speed while control was on.
    """
    return 2.0 * log(1.0 + abs(wind_m_s) / speed_m_s) if speed_m_s > 0.0 else inf


# ---------------------------------------------------------------- the data on one time axis


def _clean(samples: Samples) -> Samples:
    """Drop what is not finite or beyond any sense, sort by time, keep the first of equal times."""
    t, values = np.asarray(samples[0], dtype=np.float64), np.asarray(samples[1], dtype=np.float64)
    with np.errstate(invalid="ignore"):
        good = (np.abs(t) < LARGEST) & (np.abs(values) < LARGEST)
    kept, first = np.unique(t[good], return_index=True)
    return kept, values[good][first]


@dataclass(frozen=True, slots=True)
class _Data:
    """Rate samples that can be used, with their stretch and sensor, and what is needed for the integrals."""

    t: Floats
    rate: Floats
    stretch: Ints
    sensor: Ints
    grid: Floats
    pressure: Floats  # on the grid, never negative
    damping_sum: Floats  # integral of sqrt(q) r on the grid
    fins: Samples
    movement_rad: float

    def at_samples(self, on_grid: Floats) -> Floats:
        """Return a running integral at the rate samples."""
        return np.interp(self.t, self.grid, on_grid)


def _gather(rates: list[Samples], fins: Samples, pressure: Samples) -> _Data | None:
    t = np.concatenate([times for times, _ in rates])
    values = np.concatenate([rate for _, rate in rates])
    sensor = np.repeat(np.arange(len(rates)), [times.size for times, _ in rates])
    order = np.argsort(t, kind="stable")
    t, values, sensor = t[order], values[order], sensor[order]
    stretch = _stretches(t, fins[0], pressure[0])
    stretch = _without_rate_gaps(t, stretch)
    used = stretch >= 0
    if not used.any():
        return None
    first, last = t[used][0], t[used][-1]
    if last - first > LONGEST_WINDOW_S:
        return None
    grid = np.arange(first - 2 * _GRID_S, last + 3 * _GRID_S, _GRID_S)
    q = np.maximum(np.interp(grid, *pressure), 0.0)
    damping = _running_integral(np.sqrt(q) * np.interp(grid, t, values))
    near = (fins[0] >= first - LAGS_S[-1]) & (fins[0] <= last)
    movement = float(np.std(fins[1][near])) if near.any() else 0.0
    step = -(-int(used.sum()) // MOST_SAMPLES)
    pick = np.flatnonzero(used)[::step]
    return _Data(t[pick], values[pick], stretch[pick], sensor[pick], grid, q, damping, fins, movement)


def _stretches(t: Floats, fin_t: Floats, pressure_t: Floats) -> Ints:
    """Number the stretches in which fins (also the longest lag ago) and pressure are known; -1 where they are not."""
    holes = [(a, b) for a, b in zip(fin_t[:-1], fin_t[1:], strict=True) if b - a > LONGEST_GAP_S]
    edges = [fin_t[0], *(x for hole in holes for x in hole), fin_t[-1]]
    stretch = np.full(t.size, -1, dtype=np.int64)
    for number in range(len(edges) // 2):
        start, end = edges[2 * number], edges[2 * number + 1]
        stretch[(t >= start + LAGS_S[-1]) & (t <= end)] = number
    after = np.clip(np.searchsorted(pressure_t, t), 1, pressure_t.size - 1)
    wide = pressure_t[after] - pressure_t[after - 1] > LONGEST_PRESSURE_GAP_S
    stretch[wide | (t < pressure_t[0]) | (t > pressure_t[-1])] = -1
    return stretch


def _without_rate_gaps(t: Floats, stretch: Ints) -> Ints:
    """Begin a new stretch where no sensor gave a rate for long, and drop stretches of fewer than three samples."""
    used = np.flatnonzero(stretch >= 0)
    if used.size == 0:
        return stretch
    fresh = (np.diff(t[used]) > LONGEST_PRESSURE_GAP_S) | (np.diff(stretch[used]) != 0)
    number = np.concatenate(([0], np.cumsum(fresh)))
    number[np.bincount(number)[number] < 3] = -1
    out = np.full(t.size, -1, dtype=np.int64)
    out[used] = number
    return out


def _running_integral(values: Floats) -> Floats:
    """Return the trapezoid sum up to each point of the grid, shape as given."""
    return np.concatenate(([0.0], np.cumsum(0.5 * _GRID_S * (values[1:] + values[:-1]))))


# ---------------------------------------------------------------- the fit


@dataclass(frozen=True, slots=True)
class _AuthorityFit:
    """Estimates of b, c, -k with their covariance, averaged over lags and pushes; the most likely lag."""

    beta: Floats
    covariance: Floats
    lag_s: float
    degrees: int


def _averaged_fit(data: _Data) -> _AuthorityFit | None:
    """Fit at every lag and push and average by likelihood; None when the columns cannot be told apart."""
    turned = [data.at_samples(_running_integral(data.pressure * np.interp(data.grid - lag, *data.fins))) for lag in LAGS_S]
    others = [data.at_samples(s) for s in (_running_integral(data.pressure), data.damping_sum)]
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


def _between_samples(data: _Data, columns: Floats, best: _One) -> float:
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


def _whitened(data: _Data, columns: Floats, ratios_per_s: Floats, memories_s: Floats) -> tuple[Floats, Floats]:
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


def _average(found: list[_One], degrees: int) -> _AuthorityFit:
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
    return _AuthorityFit(beta, within + (weights[:, None] * off).T @ off, max(by_lag, key=by_lag.__getitem__), degrees)


# ---------------------------------------------------------------- the verdict


def _judged(data: _Data, fit: _AuthorityFit, expected: float | None, pressure_sigma_share: float) -> RollAuthority:
    authority = float(fit.beta[0])
    sigma = sqrt(float(fit.covariance[0, 0]) + (MODEL_SHARE * authority) ** 2)
    # Student's t at 97.5 %, first term of the Cornish-Fisher expansion (Abramowitz and Stegun 26.7.5).
    half = (1.95996 + 2.3722 / fit.degrees) * sigma
    low, high = authority - half, authority + half
    share = min(max(0.0, pressure_sigma_share), MOST_SHARE)
    if share > 0.0:
        low, high = _widened(authority, low, high, 1.95996 * share)
        sigma = sqrt(sigma**2 + (share * authority) ** 2)
    verdict, reason = _verdict(authority, low, high, expected)
    trim = trim_sigma = None
    if low > 0.0 or high < 0.0:
        trim = -float(fit.beta[1]) / authority
        slope = np.array([trim, 1.0]) / authority
        trim_sigma = sqrt(max(0.0, float(slope @ fit.covariance[:2, :2] @ slope)))
    return RollAuthority(
        verdict, reason, data.t.size, data.movement_rad, authority, sigma, low, high, fit.lag_s,
        -float(fit.beta[2]), trim, trim_sigma,
    )  # fmt: skip


def _widened(authority: float, low: float, high: float, factor_log: float) -> tuple[float, float]:
    """Return the interval widened by a factor nobody knows: it can change the size of the authority, never its sign."""
    if low < 0.0 < high:
        return authority + (low - authority) * exp(factor_log), authority + (high - authority) * exp(factor_log)
    near, far = sorted((low, high), key=abs)
    least = authority * exp(-hypot(log(authority / near), factor_log))
    most = authority * exp(hypot(log(far / authority), factor_log))
    return min(least, most), max(least, most)


def _verdict(authority: float, low: float, high: float, expected: float | None) -> tuple[str, str]:
    right = copysign(1.0, expected) if expected else 1.0
    least, most = sorted((right * low, right * high))
    enough = WEAK_SHARE * abs(expected) if expected else -inf
    if most < 0.0:
        return REVERSED, "turning the fins rolls the vehicle the wrong way"
    if least > 0.0:
        if expected and most < enough:
            return WEAK, f"{100 * authority / expected:.0f} % of the expected roll authority"
        return EFFECTIVE, "turning the fins rolls the vehicle the right way"
    if most < enough:
        return WEAK, f"the fins moved, and less than {100 * WEAK_SHARE:.0f} % of the expected roll came of it"
    return NOT_EXCITED, "too little fin movement to tell the sign of the roll it gives"
