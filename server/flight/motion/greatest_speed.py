"""The greatest speed with one sigma: by the forces along the nose from rest on, or by the barometer's steepest climb.

Speed is the integral of (force - g cos tilt) from lift-off on (any textbook of mechanics), a straight line between samples.
Its doubt: the unit's scale, a zero that was taken off as well as the pad shows it, the instant of lift-off, an unknown
lean, and what the force did in gaps. The barometer's is the slope of the steepest `WINDOW_S`; around the end of a boost that
is too little by what the speed bends there, and a static port reads a share of the dynamic pressure, whose change looks like
climb. Shares and offsets are those of ordinary uncalibrated parts; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.unmeasured import Unmeasured

SCALE_SHARE = 0.015
ZERO_M_S2 = 0.15
LEAN_M_S2 = 0.15  # g (1 - cos 10 degrees)
LEANS_M_S3 = 0.03  # and what gravity turns it further while nobody tells the attitude
GAP_S, LONGEST_GAP_S = 0.06, 0.6
GAP_SHARE = 0.3
FEWEST = 6
WINDOW_S = 0.6
NOISE_M = 0.4
PORT_SHARE = 0.02
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
    pushed_m_s = float(np.cumsum(np.abs(gained) + GRAVITY_M_S2 * steps)[top])
    gaps = np.where(steps > GAP_S, GAP_SHARE * np.maximum(np.abs(net - before), 0.2 * np.abs(net)) * steps, 0.0)[: top + 2]
    since_s = float(t[top]) - lift_off_s
    sigma = hypot(
        SCALE_SHARE * pushed_m_s,
        hypot(ZERO_M_S2, LEAN_M_S2 + (0.0 if lean_known else LEANS_M_S3 * since_s)) * since_s,
        sigma_lift_off_s * abs(float(net[0])),
        sqrt(float((gaps * gaps).sum())),
    )
    return GreatestSpeed(float(t[top]), float(speed[top]), sigma)


def by_barometer(t_s: Floats, height_m: Floats) -> GreatestSpeed | Unmeasured:
    """Return the steepest climb of raw heights over the pad; arrays (n,) sorted by time, from lift-off to apogee."""
    steepest: tuple[float, float, float] | None = None
    slopes = []
    starts, stops = np.arange(len(t_s)), np.searchsorted(t_s, t_s + WINDOW_S, side="right")
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        t, height = t_s[start:stop], height_m[start:stop]
        if len(t) < FEWEST or t[-1] - t[0] < 0.7 * WINDOW_S or np.diff(t).max() > 0.5 * WINDOW_S:
            continue
        spread = float(((t - t.mean()) ** 2).sum())
        slope = float(((t - t.mean()) * height).sum()) / spread
        slopes.append((float(t.mean()), slope))
        if steepest is None or slope > steepest[1]:
            steepest = (float(t.mean()), slope, NOISE_M / sqrt(spread))
    if steepest is None:
        return Unmeasured("too few heights in the climb")
    at_s, slope, noise = steepest
    table = np.array(slopes)
    near = table[np.abs(table[:, 0] - at_s) <= WINDOW_S]
    bend_m_s2 = float(near[:, 1].max() - near[:, 1].min()) / WINDOW_S
    missed = bend_m_s2 * WINDOW_S / 8.0
    port = PORT_SHARE * slope * bend_m_s2 / GRAVITY_M_S2
    return GreatestSpeed(at_s, slope + 0.5 * missed, hypot(noise, 0.5 * missed, port))


def told_well(found: GreatestSpeed | Unmeasured) -> GreatestSpeed | Unmeasured:
    """Return a speed that is known to `WELL` of itself, or why it is not told."""
    if isinstance(found, GreatestSpeed) and found.sigma_m_s > WELL * abs(found.speed_m_s):
        share = 100.0 * found.sigma_m_s / max(abs(found.speed_m_s), 1e-9)
        return Unmeasured(f"known to \N{PLUS-MINUS SIGN}{share:.0f} % only")
    return found
