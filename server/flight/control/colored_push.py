"""Least squares for rates that something unknown pushes: white noise on each sample, and the sum of a push with a memory.

What is left of a rate after everything known is taken out is a sensor's noise plus the integral of all that pushes the
vehicle and is not in the model. Whitening makes such samples independent; the fit at each strength and memory of the push is
weighed by its restricted likelihood (Patterson and Thompson, Biometrika 58, 1971; from memory). Why a push with a memory
matters in closed loop stands in `roll_authority`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats, Ints

WALK_RATIOS_PER_S = np.concatenate(([0.0], np.logspace(-1.0, 7.0, 9)))
MEMORIES_S = np.array([0.0, 0.1, 0.3, 1.0])  # of the push; from a gust over the fins to one over the whole coast
# Every ratio with every memory; without a push its memory is nothing.
PUSHES = np.array([(ratio, memory) for memory in MEMORIES_S for ratio in WALK_RATIOS_PER_S if ratio > 0.0 or memory == 0.0])
TYPICAL_LAG_S = 0.03  # longer lags are believed less, exponentially; common practice, no source
# With a push that lasts the fins' angle between two samples goes with it, and few memories fit into a coast: the sigma that
# covers, chosen on the first half of the seeds of the tests' own simulation, with what it did on the other half told there.
LASTING_FACTOR = 1.4
MOST_SCATTER = 0.5  # common practice, no source
# One sigma of what the scatter took away, as a share of it: chosen on odd seeds of tests/accuracy/control_effectiveness.
SCATTER_DOUBT = 0.3


def whitened(t: Floats, stretch: Ints, columns: Floats, ratios_per_s: Floats, memories_s: Floats) -> tuple[Floats, Floats]:
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
    for i in range(t.size):
        if i == 0 or stretch[i] != stretch[i - 1]:
            level[:], push[:], p_level, p_both, p_push = 0.0, 0.0, np.zeros(ratio.size), np.zeros(ratio.size), strength
        elif t[i] > t[i - 1]:
            dt = t[i] - t[i - 1]
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


def least_squares(
    rows: Floats, leading: int, degrees: int, scatter: Floats | None = None
) -> tuple[Floats, Floats, float] | None:
    """Return the first `leading` estimates, their covariance and the restricted log likelihood; None if undetermined.

    `rows` is X with y as its last column. What is left of y is taken from the rows themselves: as a difference of sums of
    squares it was rounding alone for a strong push, and another processor's sums chose another lag. `scatter` (m, m) is what
    measurement errors of the first m columns add to X'X on average: without it these estimates are too small (errors in
    variables, the corrected least squares of W. A. Fuller, "Measurement Error Models", 1987; from memory). None where
    the scatter is more than `MOST_SCATTER` of what the columns tell.
    """
    product = rows.T @ rows
    scale = np.sqrt(np.maximum(np.diag(product)[:-1], 0.0))
    if not (scale > 0.0).all():
        return None
    values, vectors = np.linalg.eigh(product[:-1, :-1] / np.outer(scale, scale))
    firm = values > 1e-11 * values[-1]
    if (np.abs(vectors[:leading, ~firm]) > 1e-4).any():
        return None
    good, kept = values[firm], vectors[:, firm]
    inverse = (kept / good) @ kept.T
    beta = inverse @ (product[:-1, -1] / scale)
    shares, doubt = inverse, np.zeros(leading)
    if scatter is not None:
        m = len(scatter)
        drowned = scatter / np.outer(scale[:m], scale[:m])
        if np.linalg.eigvals(inverse[:m, :m] @ drowned).real.max() > MOST_SCATTER:
            return None
        # (P - E D E')^-1 from P^-1: only the first m columns scatter (Woodbury's identity).
        gain = inverse[:, :m] @ np.linalg.inv(np.eye(m) - drowned @ inverse[:m, :m]) @ drowned
        undone = gain @ beta[:m]
        beta, doubt = beta + undone, SCATTER_DOUBT * undone[:leading]
        mended = inverse + gain @ inverse[:m]
        shares = mended + mended[:, :m] @ drowned @ mended[:m]
    left = rows[:, -1] - rows[:, :-1] @ (beta / scale)
    variance = max(float(left @ left), 1e-20) / degrees
    likelihood = -0.5 * degrees * np.log(variance) - 0.5 * float(np.log(good).sum()) - float(np.log(scale).sum())
    lead = scale[:leading]
    covariance = (variance * shares[:leading, :leading] + np.outer(doubt, doubt)) / np.outer(lead, lead)
    return beta[:leading] / lead, covariance, float(likelihood)


@dataclass(frozen=True, slots=True)
class PushFit:
    """The fit at one lag, ratio of push to noise, and memory of the push."""

    log_likelihood: float
    lag_s: float
    ratio_per_s: float
    memory_s: float
    beta: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True)
class AveragedFit:
    """Estimates with their covariance, averaged over lags and pushes; the most likely lag, and the likeliest single fit."""

    beta: Floats
    covariance: Floats
    lag_s: float
    degrees: int
    best: PushFit


@dataclass(frozen=True, slots=True)
class Regression:
    """Rate samples and what may explain them, each as an integral up to the sample, in order of time.

    `t`, `stretch`, `rate` of shape (n,); within a stretch samples belong together. `turned` of shape (lags, n, m) holds m
    columns of what the fins do at each of `lags_s`; `others` of shape (n, k) the rest. The first `leading` of the m + k
    coefficients are told. A lag is believed less the longer it is, exponentially by `typical_lag_s`. Where the fins are
    known with independent errors, `spread` (n, errors) is what a unit of each does to a column and `noise` (errors, m, m)
    its covariance: what they add to the moments is taken out.
    """

    t: Floats
    stretch: Ints
    rate: Floats
    turned: Floats
    lags_s: Floats
    others: Floats
    leading: int
    typical_lag_s: float = TYPICAL_LAG_S
    noise: Floats | None = None
    spread: Floats | None = None

    @property
    def degrees(self) -> int:
        """Samples less coefficients."""
        return len(self.t) - int(self.turned.shape[2]) - int(self.others.shape[1])

    def columns(self, lag_s: float) -> Floats:
        """Return all columns at one of the lags, shape (n, m + k)."""
        return np.concatenate([self.turned[int(np.argmin(np.abs(self.lags_s - lag_s)))], self.others], axis=1)


def averaged_fit(data: Regression) -> AveragedFit | None:
    """Fit at every lag and push and average by likelihood; None when the columns cannot be told apart."""
    lags, n, m = data.turned.shape
    degrees = data.degrees
    if degrees < 6:
        return None
    turned = np.moveaxis(data.turned, 0, 1).reshape(n, lags * m)
    everything = np.concatenate([turned, data.others, data.rate[:, None]], axis=1)
    white, log_det = whitened(data.t, data.stretch, everything, PUSHES[:, 0], PUSHES[:, 1])
    found = []
    scattered = _scattered(data)
    for (ratio, memory), rows, half_det, scatter in zip(PUSHES, white, 0.5 * log_det, scattered, strict=True):
        for number, lag in enumerate(data.lags_s):
            pick = np.array([*range(number * m, number * m + m), *range(lags * m, everything.shape[1])])
            one = least_squares(rows[:, pick], data.leading, degrees, scatter)
            if one is not None:
                likelihood = one[2] - half_det - lag / data.typical_lag_s
                found.append(PushFit(likelihood, float(lag), float(ratio), float(memory), one[0], one[1]))
    return average(found, degrees, data.lags_s) if found else None


def _scattered(data: Regression) -> list[Floats | None]:
    """Return for each push what the scatter of the fins' samples adds to the moments of their whitened columns, (m, m)."""
    if data.noise is None or data.spread is None or not data.noise.any():
        return [None] * len(PUSHES)
    white, _ = whitened(data.t, data.stretch, data.spread, PUSHES[:, 0], PUSHES[:, 1])
    return [np.tensordot((rows * rows).sum(axis=0), data.noise, axes=1) for rows in white]


def average(found: list[PushFit], degrees: int, lags_s: Floats) -> AveragedFit:
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
    by_lag = {float(lag): float(weights[lags == lag].sum()) for lag in lags_s}
    best = max(found, key=lambda one: one.log_likelihood)
    covariance = within + (weights[:, None] * off).T @ off
    return AveragedFit(beta, covariance, max(by_lag, key=by_lag.__getitem__), degrees, best)


def moved_by(data: Regression, best: PushFit, kicks: Floats) -> Floats:
    """Return how far a unit of each added column would move the told estimates, shape (leading, added).

    `kicks` of shape (n, added): rates that the model does not have.
    """
    columns = data.columns(best.lag_s)
    together = np.concatenate([columns, kicks], axis=1)
    white, _ = whitened(data.t, data.stretch, together, np.array([best.ratio_per_s]), np.array([best.memory_s]))
    known, added = white[0][:, : columns.shape[1]], white[0][:, columns.shape[1] :]
    fitted = np.asarray(np.linalg.lstsq(known, added, rcond=1e-10)[0], dtype=np.float64)
    return fitted[: data.leading]
