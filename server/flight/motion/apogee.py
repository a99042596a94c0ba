"""The measured apogee of one source of height, and how two sources differ.

A parabola fitted by weighted least squares around the top: flight near apogee is free fall but for a little drag, so the
curvature gets a prior of -g +- `CURVATURE_M_S2`, which lets a few samples on one side of a gap do. Robust in two ways:
the top is looked for in a running median over `MEDIAN_S`, which neither the pressure burst of an ejection charge nor a
shorter dip passes, and the fit is reweighted with Tukey's biweight (Beaton & Tukey, 1974; from memory). The window ends
soon after the top, because a parachute may open there. Window lengths: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2

MEDIAN_S = 0.8
BEFORE_S, AFTER_S = 1.6, 0.35
CURVATURE_M_S2 = 1.0
FEWEST = 6
ROUNDS = 12
BIWEIGHT = 4.685  # 95 % efficient for normal errors
LEAST_SCALE_M = 0.02


@dataclass(frozen=True, slots=True)
class Apogee:
    """Where a source of height has its top: time (s), height (m), one sigma of the height (m), samples used."""

    t_s: float
    height_m: float
    sigma_m: float
    samples: int


@dataclass(frozen=True, slots=True)
class ApogeeDifference:
    """First source minus second: seconds, meters, one sigma of the meters when the two are independent."""

    seconds: float
    height_m: float
    sigma_m: float


def apogee_of(
    t_s: ArrayLike, height_m: ArrayLike, before_s: float = BEFORE_S, after_s: float = AFTER_S, fewest: int = FEWEST
) -> Apogee | None:
    """WINDOW: return the top of a height history; None when there are too few samples or it has no top inside.

    The parabola is fitted from `before_s` before the top to `after_s` behind it, to `fewest` samples at least.

    Arrays of shape (n,), any order; samples that are not finite and repeated times are dropped. The sigma is that of
    the noise alone, widened by the lag-one correlation of the residuals; an offset of the whole source is not in it.
    """
    t, height = _cleaned(t_s, height_m)
    if len(t) < fewest:
        return None
    top_s = float(t[np.argmax(_running_median(t, height))])
    chosen = (t >= top_s - before_s) & (t <= top_s + after_s)
    if chosen.sum() < fewest:
        return None
    fitted = _fit(t[chosen] - top_s, height[chosen])
    # The window is laid around a guess; one more round around the fitted top.
    if fitted is not None and abs(fitted.t_s) <= before_s:
        again = top_s + fitted.t_s
        chosen = (t >= again - before_s) & (t <= again + after_s)
        if chosen.sum() >= FEWEST:
            top_s, fitted = again, _fit(t[chosen] - again, height[chosen])
    if fitted is None or not t[0] < top_s + fitted.t_s < t[-1]:
        return None
    return Apogee(top_s + fitted.t_s, fitted.height_m, fitted.sigma_m, fitted.samples)


def difference(one: Apogee, other: Apogee) -> ApogeeDifference:
    """Return how two sources differ: the first less the second, sigmas added in squares as of independent sources."""
    return ApogeeDifference(one.t_s - other.t_s, one.height_m - other.height_m, hypot(one.sigma_m, other.sigma_m))


def _cleaned(t_s: ArrayLike, height_m: ArrayLike) -> tuple[Floats, Floats]:
    t, height = np.asarray(t_s, dtype=np.float64), np.asarray(height_m, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(height)
    t, first = np.unique(t[good], return_index=True)
    return t, height[good][first]


def _running_median(t: Floats, height: Floats) -> Floats:
    low = np.searchsorted(t, t - 0.5 * MEDIAN_S, side="left")
    high = np.searchsorted(t, t + 0.5 * MEDIAN_S, side="right")
    return np.array([np.median(height[a:b]) for a, b in zip(low, high, strict=True)])


def _fit(t: Floats, height: Floats) -> Apogee | None:
    """Fit height = a + b t + c t^2 with a prior on c; the time of the result counts from t = 0."""
    weights, scale = _first_weights(t, height)
    for _ in range(ROUNDS):
        solved = _solve(t, height, weights, scale)
        if solved is None:
            return None
        (a, b, c), covariance = solved
        residual = height - (a + b * t + c * t * t)
        before = weights
        weights, scale = _biweight(residual)
        if np.allclose(weights, before, atol=1e-6):
            break
    if c >= 0.0:
        return None
    peak = -b / (2 * c)
    gradient = np.array([1.0, peak, peak * peak])
    used = weights > 0.0
    variance = float(gradient @ covariance @ gradient) * _correlation_factor(residual[used])
    return Apogee(peak, float(a + b * peak + c * peak * peak), sqrt(max(variance, 0.0)), int(used.sum()))


def _first_weights(t: Floats, height: Floats) -> tuple[Floats, float]:
    """With the curvature of free fall taken off a line is left; the median of pairwise slopes finds it (Theil, Sen)."""
    straight = height + 0.5 * GRAVITY_M_S2 * t * t
    i, j = np.triu_indices(len(t), 1)
    apart = t[j] - t[i]
    slope = np.median((straight[j] - straight[i])[apart > 0.1] / apart[apart > 0.1]) if (apart > 0.1).any() else 0.0
    residual = straight - slope * t
    return _biweight(residual - np.median(residual))


def _biweight(residual: Floats) -> tuple[Floats, float]:
    """Return weights and the robust standard deviation they rest on."""
    scale = max(1.4826 * float(np.median(np.abs(residual))), LEAST_SCALE_M)
    return np.clip(1.0 - (residual / (BIWEIGHT * scale)) ** 2, 0.0, None) ** 2, scale


def _solve(t: Floats, height: Floats, weights: Floats, scale: float) -> tuple[Floats, Floats] | None:
    if (weights > 0.0).sum() < FEWEST:
        return None
    root = np.sqrt(weights) / scale
    design = np.stack([np.ones_like(t), t, t * t], axis=1) * root[:, None]
    rows = np.vstack([design, [0.0, 0.0, 2.0 / CURVATURE_M_S2]])
    right = np.append(height * root, -GRAVITY_M_S2 / CURVATURE_M_S2)
    solution, _, rank, _ = np.linalg.lstsq(rows, right, rcond=None)
    if rank < 3:
        return None
    return solution, np.linalg.inv(rows.T @ rows)


def _correlation_factor(residual: Floats) -> float:
    """Return (1 + r) / (1 - r) for the lag-one correlation r of the residuals, at least 1 (first-order process)."""
    power = float(residual @ residual)
    if len(residual) < 3 or power == 0.0:
        return 1.0
    r = min(max(float(residual[1:] @ residual[:-1]) / power, 0.0), 0.95)
    return (1.0 + r) / (1.0 - r)
