"""The greatest speed with one sigma: by the forces along the nose from rest on, or by the barometer's steepest climb.

Speed is the integral of (force - g cos tilt) from lift-off on (any textbook of mechanics), a straight line between samples.
Its doubt: the unit's scale, a zero that was taken off as well as the pad shows it, the instant of lift-off, an unknown
lean, where between two samples a step of the force was, and what it did in gaps.

The barometer's steepest `WINDOW_S` only finds the end of the boost: it rounds the top off, the more the slower the bay
fills, and in the boost a port's share of the dynamic pressure, which grows there, looks like climb. So the straight line of
the coast's slopes after it is followed back to the top; there speed falls slowly, and all of this is small. Its doubt: when
the boost ended within that window, the bay's lag, the port's share of what is lost to drag, the scale of heights, the lean.
Shares and offsets are those of ordinary uncalibrated parts; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.motion.way_up import SHOCK_MACH, SHOCK_WALK
from server.flight.unmeasured import Unmeasured

SCALE_SHARE = 0.015
ZERO_M_S2 = 0.15
LEAN_M_S2 = 0.15  # g (1 - cos 10 degrees)
LEANS_M_S3 = 0.03  # and what gravity turns it further while nobody tells the attitude
GAP_S, LONGEST_GAP_S = 0.06, 0.6
GAP_SHARE = 0.3
AT_ONCE_S = 0.1
FEWEST = 6
WINDOW_S = 0.6
NOISE_M = 0.6
COAST_S, LEAST_COAST_S, FEWEST_SLOPES = 1.2, 0.4, 4
TOP_SHARE, TOP_SIGMA = 0.3, 0.2  # how long before the middle of the steepest window the boost ended, in windows
BAY_LAG_S, BAY_LAG_SIGMA_S = 0.08, 0.1  # times the rounding of a top that is left far more slowly than it is reached
PORT_SHARE = 0.035
BENDS_SHARE = 0.15  # of the way back along a straight line, while drag falls with the square of the speed
SOUND_M_S = 340.0
LEAN_SHARE = 0.005  # a path 6 degrees from upright is longer than its height by so much
WELL = 0.2


@dataclass(frozen=True)
class GreatestSpeed:
    """When (s), how fast and how surely (m/s, one sigma)."""

    t_s: float
    speed_m_s: float
    sigma_m_s: float


def by_forces(
    t_s: Floats, along_m_s2: Floats, lift_off_s: float, sigma_lift_off_s: float, cos_tilt: Floats, lean_known: bool
) -> GreatestSpeed | Unmeasured:
    """Return the greatest speed of a boost from forces along the nose, less their zero; arrays (n,) sorted by time.

    They reach from before lift-off to after burnout and hold no clipped sample; `cos_tilt` is the nose's lean at each,
    as an attitude told it (`lean_known`) or 1.
    """
    flies = t_s > lift_off_s
    t, net = t_s[flies], along_m_s2[flies] - GRAVITY_M_S2 * cos_tilt[flies]
    if len(t) < FEWEST:
        return Unmeasured("too few forces in the boost")
    steps = np.diff(t, prepend=lift_off_s)
    if steps.max() > LONGEST_GAP_S:
        return Unmeasured(f"nothing heard for {steps.max():.1f} s of the boost")
    before = np.concatenate(([net[0]], net[:-1]))
    gained = 0.5 * (before + net) * steps
    speed = np.cumsum(gained)
    top = int(np.argmax(speed))
    if top == len(t) - 1:
        return Unmeasured("the end of the boost was not heard")
    pushed_m_s = float(np.cumsum(np.abs(gained) + GRAVITY_M_S2 * steps)[top])
    changed = np.abs(net - before)
    # A step lies anywhere between two samples: uniform, sigma = width / sqrt(12).
    lost = np.where(steps > GAP_S, GAP_SHARE * np.maximum(changed, 0.2 * np.abs(net)), 0.29 * changed)
    gaps = (lost * steps)[: top + 2]
    # Told too early, it still stood at first: what an error of the instant costs is what it pushed with then.
    pushed = float(np.abs(net[t <= max(lift_off_s + 3.0 * sigma_lift_off_s, float(t[0])) + AT_ONCE_S]).max())
    since_s = float(t[top]) - lift_off_s
    sigma = hypot(
        SCALE_SHARE * pushed_m_s,
        hypot(ZERO_M_S2, LEAN_M_S2 + (0.0 if lean_known else LEANS_M_S3 * since_s)) * since_s,
        sigma_lift_off_s * pushed,
        sqrt(float((gaps * gaps).sum())),
    )
    return GreatestSpeed(float(t[top]), float(speed[top]), sigma)


def by_barometer(t_s: Floats, height_m: Floats, lift_off_s: float, scale_share: float) -> GreatestSpeed | Unmeasured:
    """Return the speed at the end of the boost by the coast's raw heights over the pad.

    Arrays (n,) sorted by time, from lift-off to apogee; `scale_share` is one sigma of how far the scale of heights is known.
    """
    table = _slopes(t_s, height_m)
    if not len(table):
        return Unmeasured("too few heights in the climb")
    at_s, steepest = table[int(table[:, 1].argmax())].tolist()
    unheard_s = at_s - 0.5 * WINDOW_S - max([lift_off_s, *t_s[t_s < at_s - 0.5 * WINDOW_S].tolist()])
    if unheard_s > 0.5 * WINDOW_S:
        return Unmeasured(f"nothing heard for {unheard_s:.1f} s before the steepest heights")
    coast = table[(table[:, 0] > at_s + 0.5 * WINDOW_S) & (table[:, 0] <= at_s + 0.5 * WINDOW_S + COAST_S)]
    if len(coast) < FEWEST_SLOPES or coast[-1, 0] - coast[0, 0] < LEAST_COAST_S:
        return Unmeasured("too few heights after the boost")
    middle_s = float(coast[:, 0].mean())
    since, speed = coast[:, 0] - middle_s, float(coast[:, 1].mean())
    falls = max(-float((since * coast[:, 1]).sum() / (since * since).sum()), GRAVITY_M_S2)
    back_s = middle_s - at_s + TOP_SHARE * WINDOW_S
    top = speed + falls * (back_s + BAY_LAG_S)
    # Windows overlap: what they show of the noise is as if so many stood side by side.
    windows = 1.0 + (float(coast[-1, 0]) - float(coast[0, 0])) / WINDOW_S
    apart = float(np.median(np.diff(t_s)))
    noise = NOISE_M * sqrt(12.0 * apart / WINDOW_S**3 / windows)
    sigma = hypot(
        noise * (1.0 + 2.0 * back_s / COAST_S),
        falls * hypot(TOP_SIGMA * WINDOW_S, BAY_LAG_SIGMA_S, BENDS_SHARE * back_s),
        PORT_SHARE * top * falls / GRAVITY_M_S2,
        _shocks_m(max(top, steepest), float(coast[:, 1].min())) / (float(coast[-1, 0]) - float(coast[0, 0]) + WINDOW_S),
        hypot(scale_share, LEAN_SHARE) * top,
    )
    return GreatestSpeed(at_s - TOP_SHARE * WINDOW_S, top * (1.0 + LEAN_SHARE), sigma)


def _shocks_m(fast_m_s: float, slow_m_s: float) -> float:
    """Return by how many meters (one sigma) a port's reading changes while the shocks between two speeds pass it."""
    passed = min(fast_m_s / SOUND_M_S, SHOCK_MACH[1]) - max(slow_m_s / SOUND_M_S, SHOCK_MACH[0])
    return SHOCK_WALK * sqrt(max(passed, 0.0)) * fast_m_s**2 / (2.0 * GRAVITY_M_S2)


def _slopes(t_s: Floats, height_m: Floats) -> Floats:
    """Return (middle, slope) of every window of `WINDOW_S` that was heard, shape (n, 2)."""
    found = []
    starts, stops = np.arange(len(t_s)), np.searchsorted(t_s, t_s + WINDOW_S, side="right")
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        t, height = t_s[start:stop], height_m[start:stop]
        if len(t) < FEWEST or t[-1] - t[0] < 0.7 * WINDOW_S or np.diff(t).max() > 0.5 * WINDOW_S:
            continue
        since = t - t.mean()
        found.append((float(t.mean()), float((since * height).sum() / (since * since).sum())))
    return np.array(found).reshape(-1, 2)


def told_well(found: GreatestSpeed | Unmeasured) -> GreatestSpeed | Unmeasured:
    """Return a speed that is known to `WELL` of itself, or why it is not told."""
    if isinstance(found, GreatestSpeed) and found.sigma_m_s > WELL * abs(found.speed_m_s):
        share = 100.0 * found.sigma_m_s / max(abs(found.speed_m_s), 1e-9)
        return Unmeasured(f"known to \N{PLUS-MINUS SIGN}{share:.0f} % only")
    return found
