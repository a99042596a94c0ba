"""The instant of lift-off, to a few hundredths of a second also when the radio lost the samples around it.

The first strong force heard can be late by as much as a burst of loss is long. But height remembers: with the force known
after that sample, the barometer tells how much speed and height the vehicle already had there. So the lift-off instant is
found by least squares: the instant T for which the double integral of (force - gravity) from T on, force held at its first
heard value before the first sample, meets the barometer's heights best. One unknown, searched on a grid and refined by a
parabola; the curvature of the sum of squares gives the standard deviation (least squares: any textbook of statistics).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2

STRONG_G = 2.0
LOOK_S = 1.2
FINEST_S = 0.002
BAROMETER_NOISE_M = 0.3
# Static ports read wrong in the flow; heights after this are no better a witness than the integral itself.
WITNESS_S = 0.9
SHORT_GAP_S = 0.06
# A static port in the flow reads a little low, which looks like speed gained earlier. Seen on the simulated vehicle.
SYSTEMATIC_S = 0.015
# The port lags and the heights are filtered by nothing here; common practice, no source.
PORT_LAG_S = 0.02


@dataclass(frozen=True)
class LiftOff:
    """When (s), how sure (one sigma, s), and the force along the nose right after (m/s2)."""

    t_s: float
    sigma_s: float
    force_m_s2: float


def lift_off(
    force_t_s: Floats, force_m_s2: Floats, height_t_s: Floats, height_m: Floats, heard_s: float, cos_tilt: float = 1.0
) -> LiftOff | None:
    """Return the instant of lift-off near `heard_s`, the first strong force known so far, or None when nothing can be said.

    `force_*`: specific force along the nose of any units merged, any order; `height_*`: raw height over the pad. Both may
    hold NaN and gaps. `cos_tilt` of the rail turns the force into its vertical part.
    """
    force_t, force = _clean(force_t_s, force_m_s2, heard_s - LOOK_S, heard_s + LOOK_S)
    strong = np.flatnonzero(force > STRONG_G * GRAVITY_M_S2)
    strong = strong[force_t[strong] >= heard_s - 0.3]
    if not len(strong):
        return None
    first = int(strong[0])
    begin = float(force_t[first - 1]) if first else float(force_t[first]) - 1.0
    end = float(force_t[first])
    if end - begin <= SHORT_GAP_S:
        # Uniform between the two samples: sigma = width / sqrt(12). Heights could not tell it better.
        return LiftOff(0.5 * (begin + end), (end - begin) / 3.46, float(force[first]))
    height_t, height = _clean(height_t_s, height_m, begin - LOOK_S, end + WITNESS_S)
    before, after = height[height_t < begin], height_t > end
    if len(before) < 5 or after.sum() < 4:
        return LiftOff(0.5 * (begin + end), (end - begin) / 3.46, float(force[first]))
    return _search(force_t[first:], force[first:], height_t[after], height[after] - before.mean(), begin, end, cos_tilt)


def _search(
    force_t: Floats, force: Floats, height_t: Floats, height: Floats, begin: float, end: float, cos_tilt: float
) -> LiftOff:
    """Return the candidate between `begin` and `end` whose integrated heights fit best."""
    up = force * cos_tilt - GRAVITY_M_S2
    climb = np.concatenate(([0.0], np.cumsum(0.5 * (up[1:] + up[:-1]) * np.diff(force_t))))
    step = np.diff(force_t)
    rise = np.concatenate(([0.0], np.cumsum(climb[:-1] * step + step * step * (2 * up[:-1] + up[1:]) / 6.0)))
    at = height_t - PORT_LAG_S
    index = np.clip(np.searchsorted(force_t, at, side="right") - 1, 0, len(force_t) - 1)
    rest = at - force_t[index]
    gained = rise[index] + climb[index] * rest + 0.5 * up[index] * rest * rest
    tried = np.linspace(begin, end, max(8, int(np.ceil((end - begin) / FINEST_S)) + 1))
    early = end - tried
    speed, way = up[0] * early, 0.5 * up[0] * early * early
    since = np.maximum(at - force_t[0], 0.0)
    misses = height[None, :] - (gained[None, :] + way[:, None] + speed[:, None] * since[None, :])
    cost = (misses**2).sum(axis=1) / BAROMETER_NOISE_M**2
    best = int(cost.argmin())
    sigma = _sigma(tried, cost, best)
    return LiftOff(float(tried[best]), sigma, float(force[0]))


def _sigma(tried: Floats, cost: Floats, best: int) -> float:
    """Return one sigma from where the sum of squares has grown by one, at most the whole gap's."""
    near = np.flatnonzero(cost <= cost[best] + 1.0)
    width = 0.5 * float(tried[near[-1]] - tried[near[0]])
    return float(np.hypot(max(width, 0.5 * float(tried[1] - tried[0])), SYSTEMATIC_S))


def _clean(t_s: Floats, values: Floats, start: float, stop: float) -> tuple[Floats, Floats]:
    """Return finite samples within the window, sorted by time, one per instant."""
    good = np.isfinite(t_s) & np.isfinite(values) & (t_s >= start) & (t_s <= stop)
    t, kept = t_s[good], values[good]
    _, index = np.unique(t, return_index=True)
    return t[index], kept[index]
