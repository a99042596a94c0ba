"""A curve of many samples as few points with the same impulse, as a sheet keeps it."""

from __future__ import annotations

import numpy as np

from protocol.arrays import Floats

POINTS_AT_MOST = 32
NEAR = 0.003  # of the peak, by which straight lines may miss a sample: chosen
FAINT = 0.01  # of the peak, where a curve begins and ends


def few_points(
    t_s: Floats, thrust_n: Floats, impulse_n_s: float, at_most: int = POINTS_AT_MOST
) -> list[tuple[float, float]]:
    """Return at most so many points (s from the first thrust, N) whose area is the impulse, to rounding (0.1 ms, 1 mN).

    Points are put where the straight line between two is furthest off (Ramer 1972, Douglas and Peucker 1973, from memory);
    then their heights are set by least squares to the samples, and scaled to the impulse. Raises ValueError without thrust.
    """
    peak = float(thrust_n.max())
    top = int(np.argmax(thrust_n))
    if peak <= 0.0 or impulse_n_s <= 0.0:
        raise ValueError("no thrust")
    under_before = np.flatnonzero(thrust_n[:top] < FAINT * peak)
    under_after = np.flatnonzero(thrust_n[top:] < FAINT * peak)
    first = int(under_before[-1]) if len(under_before) else 0
    last = top + int(under_after[0]) if len(under_after) else len(t_s) - 1
    t, thrust = t_s[first : last + 1] - t_s[first], np.maximum(thrust_n[first : last + 1], 0.0)
    knots = _knots(t, thrust, at_most)
    heights = np.maximum(_fitted(t, thrust, t[knots]), 0.0)
    heights[0] = heights[-1] = 0.0
    times = np.round(t[knots], 4)
    kept = np.concatenate([[True], np.diff(times) > 0.0])
    times, heights = times[kept], heights[kept]
    heights = np.round(heights * impulse_n_s / area_under(times, heights), 3)
    return list(zip(times.tolist(), heights.tolist(), strict=True))


def area_under(t: Floats, values: Floats) -> float:
    """Return the area under straight lines between points, both (n,)."""
    return float(np.sum(0.5 * (values[1:] + values[:-1]) * np.diff(t)))


def _knots(t: Floats, thrust: Floats, at_most: int) -> list[int]:
    knots = [0, int(np.argmax(thrust)), len(t) - 1]
    knots = sorted(set(knots))
    while len(knots) < min(at_most, len(t)):
        off = np.abs(thrust - np.interp(t, t[knots], thrust[knots]))
        worst = int(np.argmax(off))
        if off[worst] <= NEAR * thrust.max():
            break
        knots = sorted({*knots, worst})
    return knots


def _fitted(t: Floats, thrust: Floats, knots: Floats) -> Floats:
    """Return the heights at knots (k,) of the broken line nearest to the samples, its ends at zero."""
    hats = np.column_stack([np.interp(t, knots, one) for one in np.eye(len(knots))[1:-1]])
    inner = np.linalg.lstsq(hats, thrust, rcond=None)[0]
    return np.concatenate([[0.0], inner, [0.0]])
