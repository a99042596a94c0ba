"""Received level against distance: how well free space describes it, how much it fades, and what range is left.

In free space the level falls by 20 log10(d) (ITU-R P.525): level = intercept - 20 log10(d / 1 m) + fading, so one number,
the level at 1 m, holds transmitter, antennas and fixed losses. A free exponent n, level = a - 10 n log10(d), shows whether
the flight fits that; it needs distances that differ. Fading changes slowly against the samples, so neighbors are alike:
standard errors are larger by sqrt((1 + r)/(1 - r)) with r the correlation of neighbors (the effective sample size of a
first-order process, every textbook on time series). Range is left until the level is the receiver's sensitivity plus a
margin of 2.33 sigma of the fading, above which a normal fading stays for 99 % of the time.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log10, pi, sqrt

import numpy as np

from protocol.arrays import Floats

LIGHT_M_S = 299792458.0
MARGIN_99 = 2.3263  # normal distribution
FEWEST_SAMPLES = 8  # common practice, no source
LEAST_SPREAD = 3.0  # distances that differ by this factor, for a free exponent; common practice, no source
NEAREST_M, FARTHEST_M = 1.0, 1e6
LOWEST_DBM, HIGHEST_DBM = -200.0, 50.0


def free_space_loss_db(distance_m: float, frequency_hz: float) -> float:
    """Return the loss between isotropic antennas, 20 log10(4 pi d f / c) dB (ITU-R P.525)."""
    return 20.0 * log10(4.0 * pi * distance_m * frequency_hz / LIGHT_M_S)


@dataclass(frozen=True, slots=True)
class Exponent:
    """The fall of the level with distance, fitted freely: 2 is free space; one sigma and the 95 % interval."""

    value: float
    sigma: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class RangeFit:
    """The level at 1 m under free space with its 95 % interval (dBm), the fading about it (dB, one sigma), the samples.

    `independent` is how many independent samples they are worth. `exponent` is None where distances hardly differ.
    """

    level_1_m_dbm: float
    sigma_db: float
    low_dbm: float
    high_dbm: float
    fading_db: float
    samples: int
    independent: float
    exponent: Exponent | None

    def level_dbm(self, distance_m: float) -> float:
        """Return the level (dBm) to expect at a distance (m), never nearer than `NEAREST_M` (ITU-R P.525, free space)."""
        return self.level_1_m_dbm - 20.0 * log10(max(distance_m, NEAREST_M))


@dataclass(frozen=True, slots=True)
class Reach:
    """The distance (m) at which the level with its fading margin meets the sensitivity, with its 95 % interval.

    `margin_db` is how far the expected level at the present distance lies above that, `left_m` how much further it is.
    """

    greatest_m: float
    low_m: float
    high_m: float
    margin_db: float
    left_m: float


def fit_range(t_s: Floats, distance_m: Floats, level_dbm: Floats) -> RangeFit | None:
    """Fit the levels of one flight: time (s), slant distance between the antennas (m), level (dBm), each shape (n,).

    Values that are not finite or beyond sense and repeats of a time are left out; None with fewer than
    `FEWEST_SAMPLES` or when they are not worth three independent ones.
    """
    t, distance, level = _clean(t_s, distance_m, level_dbm)
    if t.size < FEWEST_SAMPLES:
        return None
    intercepts = level + 20.0 * np.log10(distance)
    mean = float(intercepts.mean())
    rest = intercepts - mean
    independent = _independent(t, rest)
    if independent < 3.0:
        return None
    fading = sqrt(float(rest @ rest) / (t.size * (1.0 - 1.0 / independent)))
    sigma = fading / sqrt(independent)
    half = _students(independent - 1.0) * sigma
    return RangeFit(
        mean, sigma, mean - half, mean + half, fading, t.size, independent, _exponent(distance, level, independent)
    )


def reach(fit: RangeFit, sensitivity_dbm: float, distance_m: float, margin_sigmas: float = MARGIN_99) -> Reach:
    """Return how far the link will reach, at a present distance (m): sensitivity plus a margin of so many fading sigmas.

    Source: free space (ITU-R P.525) with a normal fading margin, common practice.
    """
    needed = sensitivity_dbm + margin_sigmas * fit.fading_db
    # The fading itself is known to fading / sqrt(2 n); it moves the margin.
    half = sqrt(
        ((fit.high_dbm - fit.low_dbm) / 2) ** 2 + (1.96 * margin_sigmas * fit.fading_db) ** 2 / (2 * fit.independent)
    )
    excess = fit.level_1_m_dbm - needed
    greatest = _distance(excess)
    return Reach(
        greatest,
        _distance(excess - half),
        _distance(excess + half),
        fit.level_dbm(distance_m) - needed,
        max(0.0, greatest - distance_m),
    )


def _distance(excess_db: float) -> float:
    return float(10.0 ** (min(max(excess_db, 0.0), 20.0 * log10(FARTHEST_M)) / 20.0))


def _clean(t_s: Floats, distance_m: Floats, level_dbm: Floats) -> tuple[Floats, Floats, Floats]:
    t, distance, level = (np.asarray(values, dtype=np.float64) for values in (t_s, distance_m, level_dbm))
    with np.errstate(invalid="ignore"):
        good = np.isfinite(t) & (distance > 0.0) & (distance < FARTHEST_M)
        good &= (level > LOWEST_DBM) & (level < HIGHEST_DBM)
    kept, first = np.unique(t[good], return_index=True)
    return kept, np.maximum(distance[good][first], NEAREST_M), level[good][first]


def _independent(t: Floats, rest: Floats) -> float:
    """Return how many independent samples a correlated series is worth; neighbors across a gap are not compared."""
    step = np.diff(t)
    near = step <= 1.5 * float(np.median(step))
    variance = float(rest @ rest) / t.size
    if variance < 1e-12 or not near.any():
        return float(t.size)
    r = float((rest[1:] * rest[:-1])[near].mean()) / variance
    # A sample's correlation is too small by about (1 + 4 r)/n (M. G. Kendall, Biometrika 41, 1954; from memory).
    r = min(max(r + (1.0 + 4.0 * r) / t.size, 0.0), 0.98)
    return t.size * (1.0 - r) / (1.0 + r)


def _exponent(distance: Floats, level: Floats, independent: float) -> Exponent | None:
    if distance.max() < LEAST_SPREAD * distance.min() or independent < 4.0:
        return None
    x = -10.0 * np.log10(distance)
    off = x - x.mean()
    square = float(off @ off)
    value = float(off @ (level - level.mean())) / square
    rest = level - level.mean() - value * off
    sigma = sqrt(float(rest @ rest) / (independent - 2.0) / square)
    half = _students(independent - 2.0) * sigma
    return Exponent(value, sigma, value - half, value + half)


def _students(degrees: float) -> float:
    """Return Student's t at 97.5 %: two terms of the Cornish-Fisher expansion (Abramowitz and Stegun 26.7.5)."""
    z = 1.959964
    first, second = (z**3 + z) / 4.0, (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
    return z + first / degrees + second / degrees**2
