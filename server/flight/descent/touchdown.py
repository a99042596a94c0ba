"""The end of the fall and the rate just before it, from raw heights that reach over the landing into the rest."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.descent.heights import AIR_SHARE, NORMAL_MAD, SAMPLES_IN_BLOCK, SLOWEST_M_S, Heights, line

# Of the fall for the speed at landing; a height this far over the rest is in the air.
LAST_S, CLEAR_M, CLEAR_SIGMAS = 3.0, 2.0, 4.0
CORNER_S, TOUCHDOWN_REST_S, BENDS_SIGMAS = 2.0, 0.8, 5.0
GATHERS_M_S2 = 0.3 * GRAVITY_M_S2  # less is a gust or swinging; a free fall that no drag holds yet gathers more


@dataclass(frozen=True)
class Touchdown:
    """The end of the fall by the raw heights: when (s) with one sigma, and the rate (m/s) just before with one sigma."""

    t_s: float
    sigma_s: float
    rate_m_s: float
    sigma_m_s: float


def touchdown(heard: Heights) -> Touchdown | None:
    """Return when the fall ended and how fast it was then, from raw heights that reach over the landing into the rest.

    A falling line that ends in a level one is fitted around the last height clear of the rest, its corner tried at every
    half sample; the rate is that of the line through the last `LAST_S` in the air. None when the window holds no fall that
    ends, or too little on either side.
    """
    t, height = heard.t_s, heard.height_m
    if len(t) < 4 * SAMPLES_IN_BLOCK:
        return None
    rest_m = float(np.median(height[t >= t[-1] - TOUCHDOWN_REST_S]))
    steps = np.diff(height)
    noise_m = NORMAL_MAD * float(np.median(np.abs(steps - np.median(steps)))) / sqrt(2.0)
    above = np.flatnonzero(height > rest_m + max(CLEAR_M, CLEAR_SIGMAS * max(heard.sigma_m, noise_m)))
    if not len(above) or (t > t[above[-1]]).sum() < SAMPLES_IN_BLOCK:
        return None
    near_s = float(t[above[-1]])
    use = (t >= near_s - 0.5 * CORNER_S) & (t <= near_s + CORNER_S + TOUCHDOWN_REST_S)
    if use.sum() < 3 * SAMPLES_IN_BLOCK:
        return None
    corner = _corner(t[use], height[use], near_s)
    last = (t >= corner - LAST_S) & (t < corner)
    if last.sum() < SAMPLES_IN_BLOCK or t[last][-1] - t[last][0] < 0.3 * LAST_S:
        return None
    rate, sigma, noise_m = _rate_at(t[last] - corner, height[last], heard.sigma_m)
    if rate < SLOWEST_M_S:
        return None
    after = min(int(np.searchsorted(t, corner)), len(t) - 1)
    gap = float(t[after] - t[after - 1])
    sigma = sqrt(sigma * sigma + (AIR_SHARE * rate) ** 2)
    return Touchdown(corner, sqrt((noise_m / rate) ** 2 + gap * gap / 12.0), rate, sigma)


def _rate_at(tau: Floats, height: Floats, sigma_m: float) -> tuple[float, float, float]:
    """Return the rate (m/s, down) at tau = 0, its sigma, and the scatter (m): of a line, or of a parabola if it bends."""
    slope, spread, left = line(tau, height)
    straight = -slope, max(left, sigma_m) / sqrt(spread), max(left, sigma_m)
    if len(tau) < 3 * SAMPLES_IN_BLOCK:
        return straight
    design = np.column_stack((np.ones(len(tau)), tau, tau * tau))
    inverse = np.linalg.inv(design.T @ design)
    fit = inverse @ (design.T @ height)
    misses = height - design @ fit
    noise = max(sigma_m, sqrt(float(misses @ misses) / (len(tau) - 3)))
    gathers = -2.0 * float(fit[2])
    if gathers < max(GATHERS_M_S2, 2.0 * BENDS_SIGMAS * noise * sqrt(inverse[2, 2])):
        return straight
    return -float(fit[1]), noise * sqrt(inverse[1, 1]), noise


def _corner(t: Floats, height: Floats, near_s: float) -> float:
    """Return the time of the corner (s) with which a falling and then a level line fit best."""
    step = max(0.5 * float(np.median(np.diff(t))), 0.01)
    best = (np.inf, near_s)
    for corner in np.arange(near_s, min(near_s + CORNER_S, float(t[-1])), step).tolist():
        before = np.maximum(corner - t, 0.0)
        if not before.any():
            continue  # nothing was heard for a while before: one sample is no line
        slope, _, left = line(before, height)
        if slope > 0.0 and left < best[0]:
            best = left, corner
    return best[1]
