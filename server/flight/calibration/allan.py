"""Allan deviation of a rate that should stand still: overlapping, with bounds; and the three coefficients read off it.

    avar(m tau0) = mean over k of (mean of m samples from k + m less that from k)^2 / 2        (NIST SP 1065,
    overlapping) avar(tau) = 3 Q^2 / tau^2 + N^2 / tau + B^2 2 ln 2 / pi + K^2 tau / 3                      (IEEE Std
    952)

Q: quantization (rad), N: angle random walk (rad/s per root hertz), B: bias instability (rad/s), K: rate random walk
(rad/s2 per root hertz). Bounds of a deviation are chi-square with the degrees of freedom of NIST SP 1065 for the noise
that reigns there. The coefficients are the least squares of no coefficient below zero, weighted by those degrees of
freedom; a coefficient's doubt comes from how the deviations at neighboring times hang together (`TOGETHER`). Formulas
from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np

from protocol.arrays import Floats, Ints
from server.flight.calibration.estimate import Calibration, Estimated, UncalibratedFault

FEWEST = 100
SHARE = 5  # the longest time is a fifth of the record: longer ones have hardly a degree of freedom
CONFIDENCE = 0.95
WHITE, FLICKER, WALK = 0, -1, -2
SLOPES = {WHITE: -0.5, FLICKER: 0.0, WALK: 0.5}
# Deviations an octave apart share samples, and the four terms share a curve: so much wider than independent ones would
# say, from simulated units, no theory.
TOGETHER = 1.25
TERMS = ("quantization", "angle_random_walk", "bias_instability", "rate_random_walk")
UNITS = ("rad", "rad/s/sqrt(Hz)", "rad/s", "rad/s2/sqrt(Hz)")


@dataclass(frozen=True)
class Deviations:
    """Overlapping Allan deviations at `tau_s`, each with its bounds at 95 % and degrees of freedom; arrays of one length."""

    tau_s: Floats
    deviation: Floats
    low: Floats
    high: Floats
    freedom: Floats


def overlapping_deviation(values: Floats, factors: Ints) -> Floats:
    """Return the overlapping Allan deviation (k,) of even rates (n,) at averaging factors (k,), each at most n / 2."""
    phase = np.concatenate(([0.0], np.cumsum(values - values.mean())))
    told = np.empty(len(factors))
    for place, m in enumerate(factors.tolist()):
        second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
        told[place] = sqrt(float(np.mean(second * second)) / 2.0) / m
    return told


def degrees_of_freedom(phases: int, m: int, noise: int) -> float:
    """Return the equivalent degrees of freedom of the overlapping deviation at factor m, `phases` = samples + 1."""
    n = float(phases)
    if noise == WHITE:
        return (3.0 * (n - 1.0) / (2.0 * m) - 2.0 * (n - 2.0) / n) * 4.0 * m * m / (4.0 * m * m + 5.0)
    if noise == FLICKER:
        return 2.0 * (n - 2.0) ** 2 / (2.3 * n - 4.9) if m == 1 else 5.0 * n * n / (4.0 * m * (n + 3.0 * m))
    return (n - 2.0) / m * ((n - 1.0) ** 2 - 3.0 * m * (n - 1.0) + 4.0 * m * m) / (n - 3.0) ** 2


def octaves(count: int) -> Ints:
    """Return averaging factors 1, 2, 4 and so on to a fifth of `count` samples."""
    return 2 ** np.arange(int(np.log2(max(count // SHARE, 1))) + 1, dtype=np.int64)


def deviations(values: Floats, tau0_s: float, factors: Ints | None = None) -> Deviations:
    """Return the deviations of evenly spaced rates (n,), `tau0_s` apart, with bounds. Raises UncalibratedFault."""
    from scipy import stats

    if len(values) < FEWEST:
        raise UncalibratedFault(f"{len(values)} samples are too few for an Allan deviation; {FEWEST} are the least")
    chosen = octaves(len(values)) if factors is None else factors
    told = overlapping_deviation(values, chosen)
    slope = np.gradient(np.log(np.maximum(told, 1e-300)), np.log(chosen)) if len(chosen) > 1 else np.full(1, -0.5)
    noises = [min(SLOPES, key=lambda kind, s=s: abs(SLOPES[kind] - s)) for s in slope.tolist()]  # type: ignore[misc]
    freedom = np.array(
        [max(degrees_of_freedom(len(values) + 1, m, kind), 1.0) for m, kind in zip(chosen.tolist(), noises, strict=True)]
    )
    tail = 0.5 * (1.0 - CONFIDENCE)
    low, high = (np.asarray(told * np.sqrt(freedom / stats.chi2.ppf(q, freedom))) for q in (1.0 - tail, tail))
    return Deviations(np.asarray(chosen * tau0_s, dtype=np.float64), told, low, high, freedom)


def even(t_s: Floats, values: Floats) -> tuple[float, Floats]:
    """Return the spacing (s) and values (n, k) on an even grid: a lost packet is bridged by a straight line.

    Raises UncalibratedFault where more than one in twenty is missing.
    """
    spacing = float(np.median(np.diff(t_s)))
    grid = np.arange(t_s[0], t_s[-1] + 0.5 * spacing, spacing)
    if len(t_s) < 0.95 * len(grid):
        raise UncalibratedFault(
            f"{100 * (1 - len(t_s) / len(grid)):.0f} % of the packets are missing; 5 % at most can be bridged"
        )
    return spacing, np.column_stack([np.interp(grid, t_s, values[:, k]) for k in range(values.shape[1])])


def coefficients(told: Deviations) -> tuple[Floats, Floats]:
    """Return Q, N, B, K (4,) and their sigmas (4,); a coefficient that is zero has its bound as sigma."""
    from scipy import optimize

    tau, avar = told.tau_s, told.deviation**2
    terms = np.column_stack((3.0 / tau**2, 1.0 / tau, np.full(len(tau), 2.0 * log(2.0) / pi), tau / 3.0))
    squares = np.zeros(4)
    model = avar
    for _ in range(4):  # a variance scatters as its own size: weighted by what the model says, not by what came out
        weight = np.sqrt(0.5 * told.freedom) / np.maximum(model, 1e-300)
        scale = np.sqrt((terms * weight[:, None]) ** 2).sum(axis=0)
        squares = optimize.nnls(terms * weight[:, None] / scale, avar * weight)[0] / scale
        model = terms @ squares
    weighted = terms * (np.sqrt(0.5 * told.freedom) / model)[:, None]
    size = np.sqrt((weighted**2).sum(axis=0))
    sigma = TOGETHER * np.sqrt(np.diag(np.linalg.pinv((weighted / size).T @ (weighted / size)))) / size
    value = np.sqrt(squares)
    return value, np.where(squares > sigma, sigma / np.maximum(2.0 * value, 1e-300), np.sqrt(sigma))


def allan(t_s: Floats, rates: Floats) -> Calibration:
    """Return the four coefficients of each axis (3,) at rest: times (n,), rates (n, 3). Raises UncalibratedFault."""
    spacing, values = even(t_s, rates)
    told = [coefficients(deviations(values[:, axis], spacing)) for axis in range(values.shape[1])]
    estimates = tuple(
        Estimated(name, np.array([v[place] for v, _ in told]), np.array([s[place] for _, s in told]), unit)
        for place, (name, unit) in enumerate(zip(TERMS, UNITS, strict=True))
    )
    seconds = len(values) * spacing
    heard = f"{seconds / 60:.0f} minutes" if seconds >= 120.0 else f"{seconds:.0f} s"
    said = (f"Heard for {heard}: noise slower than about {seconds / SHARE:.0f} s is not told.",)
    return Calibration("allan", estimates, said)
