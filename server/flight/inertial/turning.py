"""From samples of the body's rates to the turn between them, with what a turning axis adds (coning).

A gyro's samples are values at instants. Between them the rate is a cubic through the neighbors (three-point slopes,
Hermite), and the turn is the rotation vector of J. E. Bortz ("A New Mathematical Formulation for Strapdown Inertial
Navigation", IEEE Trans. Aerospace and Electronic Systems AES-7, 1971): the integral of the rate plus half the integral of
turn x rate, here by the two Gauss points, right to the fourth power of the step: h/2 (w1 + w2) + sqrt(3)/12 h^2 (w1 x w2).
It is the two-sample algorithm of the books (Titterton and Weston, Strapdown Inertial Navigation Technology; R. B. Miller,
1983, has the one of three) for rates instead of increments. Formulas from memory; tests/SOURCES.md, strapdown-coning.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from protocol.arrays import Bools, Floats

GAP_FACTOR = 2.5  # an interval so many times the usual one has lost samples in it
NEAREST = 40  # stretches that the doubt of a gap is taken from


def usual_step_s(t: Floats) -> float:
    """Return the usual time between samples (s), of times of shape (n,)."""
    return float(np.median(np.diff(t))) if len(t) > 1 else 0.0


def gaps(t: Floats) -> Bools:
    """Return for each interval, shape (n - 1,), whether samples are missing in it."""
    return np.diff(t) > GAP_FACTOR * usual_step_s(t)


def slopes(t: Floats, values: Floats) -> Floats:
    """Return the slope at each sample, values (n, k), by the parabola through it and both neighbors."""
    step = np.diff(t)[:, None]
    between = np.diff(values, axis=0) / step
    inner = (step[1:] * between[:-1] + step[:-1] * between[1:]) / (step[1:] + step[:-1])
    return np.concatenate([between[:1], inner, between[-1:]])


def within(t: Floats, values: Floats, share: float) -> Floats:
    """Return values (n - 1, k) at a share of each interval, by a cubic; a straight line where samples are missing."""
    step = np.diff(t)[:, None]
    a, b = values[:-1], values[1:]
    line = a + share * (b - a)
    if len(t) < 4:
        return line
    slope = slopes(t, values)
    s, u = share, 1.0 - share
    cubic = line + s * u * (u * (slope[:-1] * step - (b - a)) - s * (slope[1:] * step - (b - a)))
    lost = gaps(t)
    # Beside a gap a neighbor's slope reaches across it, so that it is not used there either.
    beside = lost.copy()
    beside[1:] |= lost[:-1]
    beside[:-1] |= lost[1:]
    return np.where(beside[:, None], line, cubic)


def turns_rad(t: Floats, rates_rad_s: Floats) -> Floats:
    """Return the rotation vector (rad, body axes at its start) of each interval, (n - 1, 3), of rates (n, 3)."""
    step = np.diff(t)[:, None]
    one, two = (within(t, rates_rad_s, 0.5 + side * sqrt(3.0) / 6.0) for side in (-1.0, 1.0))
    return 0.5 * step * (one + two) + sqrt(3.0) / 12.0 * step * step * np.cross(one, two)


def integrals(t: Floats, values: Floats) -> Floats:
    """Return the integral over each interval, (n - 1, k), of the same cubic through values (n, k)."""
    step = np.diff(t)[:, None]
    one, two = (within(t, values, 0.5 + side * sqrt(3.0) / 6.0) for side in (-1.0, 1.0))
    return 0.5 * step * (one + two)


def noise_of(values: Floats, around: int = 5) -> Floats:
    """Return the scatter of the samples around each of them, (n, k): one sigma, from second differences, by their median.

    A second difference of white noise has sqrt(6) times its sigma; slow motion has next to none.
    """
    if len(values) < 3:
        return np.zeros_like(values)
    bent = np.abs(np.diff(values, n=2, axis=0))
    bent = np.concatenate([np.repeat(bent[:1], around + 1, axis=0), bent, np.repeat(bent[-1:], around + 1, axis=0)])
    windows = np.lib.stride_tricks.sliding_window_view(bent, 2 * around + 1, axis=0)
    sigma: Floats = np.median(windows, axis=-1) / (0.6745 * sqrt(6.0))
    return sigma


def kinks(values: Floats) -> Floats:
    """Return how far each interval's change is beyond what both neighbors' changes lead to expect, (n - 1, k).

    Where a value steps between two samples, nobody knows when: a motor that lights, a rail that ends.
    """
    change = np.diff(values, axis=0)
    if len(change) < 3:
        return np.abs(change)
    bent = np.abs(np.diff(change, axis=0))
    before, after = np.concatenate([bent[:1], bent]), np.concatenate([bent, bent[-1:]])
    least: Floats = np.minimum(before, after)
    return least


def lost_turn_rad(t: Floats, rates_rad_s: Floats) -> Floats:
    """Return the doubt (rad, one sigma, body axes) of each interval in which samples are missing, (n - 1, 3); 0 elsewhere.

    Tried on the flight itself: stretches of the same length that were heard whole, integrated with and without what lies
    between their ends; of the nearest in time.
    """
    lost = gaps(t)
    doubt = np.zeros((len(t) - 1, rates_rad_s.shape[1]))
    if not lost.any():
        return doubt
    step = usual_step_s(t)
    whole = np.concatenate([np.zeros((1, doubt.shape[1])), np.cumsum(integrals(t, rates_rad_s), axis=0)])
    bad = np.concatenate([[0], np.cumsum(lost)])
    for k in np.flatnonzero(lost):
        many = max(2, round(float(t[k + 1] - t[k]) / step))
        first = np.arange(max(len(t) - many, 0))
        first = first[bad[first + many] == bad[first]]
        if not len(first):
            doubt[k] = 0.5 * (t[k + 1] - t[k]) * np.abs(rates_rad_s).max(axis=0)
            continue
        near = first[np.argsort(np.abs(t[first] + 0.5 * many * step - 0.5 * (t[k] + t[k + 1])), kind="stable")[:NEAREST]]
        span = (t[near + many] - t[near])[:, None]
        off = whole[near + many] - whole[near] - 0.5 * span * (rates_rad_s[near] + rates_rad_s[near + many])
        doubt[k] = np.sqrt(np.mean(off * off, axis=0))
    return doubt
