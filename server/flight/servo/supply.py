"""How far the servos' supply sags when they move, and how often a servo is at its limits.

The voltage at the servos is what the battery gives less a resistance times the current. Both differ from sample to sample
much faster than a battery empties, so that slow changes are taken out by a straight line in time, and the resistance is the
slope of voltage on current (ordinary least squares; its interval from residuals that may go together: the long-run variance
of W. K. Newey and K. D. West 1987 with a triangle of weights, and the wider bound that goes with it by N. M. Kiefer and
T. J. Vogelsang 2005; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Bools, Floats
from server.flight.servo.drive import Samples, clean

LEAST_SPREAD_A = 0.05  # a current that changes less tells nothing; our choice
FEWEST = 20
TOGETHER_S = 0.03  # voltage and current further apart are not of one moment; our choice
MEMORY_S = 0.5  # residuals further apart count as independent; our choice
NEAR_LIMIT_RAD, LEAST_TIMES = 0.0005, 3


@dataclass(frozen=True, slots=True)
class Sag:
    """Resistance of the supply (ohm) with its 95 % interval, least voltage (V) and the current then (A).

    `reason` says why the resistance is None. `spread_a` is the standard deviation of the current.
    """

    reason: str
    least_v: float | None = None
    least_t: float | None = None
    spread_a: float = 0.0
    ohm: float | None = None
    low: float | None = None
    high: float | None = None


def sag_of(voltage: Samples, current: Samples) -> Sag:
    """Return how the supply sags, from (times, V) and (times, A) in any order and of any packets."""
    (t, volts), (current_t, amps) = clean_pair(voltage), clean_pair(current)
    if not len(t):
        return Sag("its voltage was not heard")
    least = int(np.argmin(volts))
    least_v, least_t = float(volts[least]), float(t[least])
    if not len(current_t):
        return Sag("its current was not heard", least_v, least_t)
    after = (
        np.clip(np.searchsorted(current_t, t), 1, max(len(current_t) - 1, 1))
        if len(current_t) > 1
        else np.zeros(len(t), int)
    )
    before = np.maximum(after - 1, 0)
    nearest = np.where(np.abs(current_t[before] - t) <= np.abs(current_t[after] - t), before, after)
    near = np.abs(current_t[nearest] - t) <= TOGETHER_S
    t, volts, amps = t[near], volts[near], amps[nearest][near]
    if len(t) < FEWEST:
        return Sag("too little was heard of voltage and current together", least_v, least_t)
    spread = float(np.std(amps))
    if spread < LEAST_SPREAD_A:
        return Sag("its current hardly changed", least_v, least_t, spread)
    slow = (t - t.mean()) / max(np.ptp(t), 1e-9)
    columns = np.stack((amps, np.ones_like(t), slow), 1)
    inverse = np.linalg.pinv(columns.T @ columns)
    found = inverse @ columns.T @ volts
    residual = volts - columns @ found
    lags = _lags(t)
    sigma = np.sqrt(_long_run(columns * residual[:, None], lags, inverse)[0, 0] * len(t) / (len(t) - 3))
    half = (1.96 + 2.9694 * lags / len(t)) * float(sigma)
    ohm = float(-found[0])
    return Sag("", least_v, least_t, spread, ohm, ohm - half, ohm + half)


def clean_pair(samples: Samples) -> Samples:
    """Drop what is not finite, sort by time, keep the first of equal times."""
    return clean(samples, 1e6)


def _lags(t: Floats) -> int:
    period_s = float(np.median(np.diff(t)))
    return min(round(MEMORY_S / max(period_s, 1e-6)), len(t) // 4)


def _long_run(scores: Floats, lags: int, inverse: Floats) -> Floats:
    total = scores.T @ scores
    for lag in range(1, lags + 1):
        both = scores[lag:].T @ scores[:-lag]
        total += (1.0 - lag / (lags + 1.0)) * (both + both.T)
    covariance: Floats = inverse @ total @ inverse
    return np.maximum(covariance, 1e-12)


def share_at_travel(commanded: Samples, start_s: float, end_s: float) -> tuple[float, float] | None:
    """Return (share of time the command stood at its own greatest size, that size in rad), None where it never stayed there.

    The greatest size counts as a limit when it was asked at least three times to half a milliradian.
    """
    t, u = clean(commanded)
    inside: Bools = (t >= start_s) & (t <= end_s)
    size = np.abs(u[inside])
    if not len(size):
        return None
    most = float(size.max())
    at = size > most - NEAR_LIMIT_RAD
    if most < 10.0 * NEAR_LIMIT_RAD or at.sum() < LEAST_TIMES:
        return None
    return float(at.mean()), most


def share_at_rate(at_limit: Samples, start_s: float, end_s: float) -> float:
    """Return the share of a stretch of time for which a servo went at its greatest rate; as `Chain.at_rate_limit`."""
    t, limited = at_limit
    if len(t) < 2 or end_s <= start_s:
        return 0.0
    inside = (t >= start_s) & (t <= end_s)
    step = float(np.median(np.diff(t)))
    return float(min(1.0, limited[inside].sum() * step / (end_s - start_s)))
