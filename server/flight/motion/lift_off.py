"""The instant of lift-off with one sigma that holds, also when the radio lost the samples around it, or without any force.

On the pad the force along the nose is what holds the vehicle up; it rises over that at the instant of lift-off. Where the
force changes is found by the cumulative sum of what it exceeds half its step by, which is least just before (the likeliest
change of a mean: E. S. Page, "Continuous Inspection Schemes", Biometrika 41, 1954), so that a weak motor that shakes is
found like a strong one; the ramp of the thrust is then followed down.

The first strong force heard can be late by as much as a burst of loss is long. But height remembers: with the force known
after that sample, the barometer tells how much speed and height the vehicle already had there. So the lift-off instant is
found by least squares: the instant T for which the double integral of (force - gravity) from T on, force held at its first
heard value before the first sample, meets the barometer's heights best. One unknown, searched on a grid (least squares: any
textbook of statistics). Without a force it is a steady acceleration from rest that meets the heights best.

A bay fills late, by a time nobody knows: one that lags by 0.1 s makes T late by as much, and the fit is as good. So sigma is
the distance from T, root mean square, over all instants, all lags of `LAGS_S` and, where a force is known, a port that reads
right or wrong in the flow (`PORT_SHARES`), by what the heights say of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2

LOOK_BACK_S, LOOK_S = 5.0, 1.2
FINEST_S = 0.002
BAROMETER_NOISE_M = 0.3
# Static ports read wrong in the flow; heights after this are no better a witness than the integral itself.
WITNESS_S = 0.9
SHORT_GAP_S = 0.06
# Small bays with a hole of the usual size follow within a hundredth of a second, badly vented ones within a quarter.
# Common practice, no source; the first is the likeliest in a bay that was made for it.
PORT_LAG_S = 0.02
LAGS_S = (PORT_LAG_S, 0.0, 0.05, 0.1, 0.15, 0.25)
# Of the dynamic pressure, what a port in the flow may read wrong (one and two sigmas of `way_up`): under a steady push
# v^2 / 2g is push over gravity times the height, so that a strong motor makes a large share of the height of it.
PORT_SHARES = (0.0, -0.035, 0.035, -0.07, 0.07)
LEAST_READ = 0.1
# What makes heights err besides noise, for sigma: gusts, and this share of the height gained (thrust within a gap, scale).
HEIGHT_SIGMA_M, HEIGHT_SHARE = 0.6, 0.08
STAMP_S = 0.004  # time stamps and the sensor's own averaging
HELD_S = 0.6  # before the force was heard: until when the pad's is learned
# After it: from when until when the motor's is, and by how many; the last is that of a motor that burns for a third of a
# second, of which all that was strong is used.
PUSHES = ((0.1, LOOK_S, 4), (0.1, 0.5, 4), (0.0, 0.25, 3))
STEP_SIGMAS, LEAST_STEP_M_S2 = 3.0, 0.4
FEWEST_FORCES, FEWEST_HEIGHTS = 4, 4
HIGH_M = 30.0  # of the heights that a steady acceleration is fitted to
LONGEST_BACK_S = 8.0
# What burns its own weight away gains this much acceleration a second while it hardly lifts itself: g^2 over an exhaust
# speed of 1800 m/s, as solid motors have it (common practice). A strong one has left before it counts.
LIGHTER_M_S3 = GRAVITY_M_S2**2 / 1800.0


@dataclass(frozen=True)
class LiftOff:
    """When (s), how sure (one sigma, s), and the force along the nose right after (m/s2; NaN where none is known)."""

    t_s: float
    sigma_s: float
    force_m_s2: float


def lift_off(
    force_t_s: Floats, force_m_s2: Floats, height_t_s: Floats, height_m: Floats, heard_s: float, cos_tilt: float = 1.0
) -> LiftOff | None:
    """Return the instant of lift-off near `heard_s`, the first sign of it known so far, or None when nothing can be said.

    `force_*`: specific force along the nose of any units merged, any order; `height_*`: raw height over the pad. Both may
    hold NaN and gaps. `cos_tilt` of the rail turns the force into its vertical part.
    """
    force_t, force = _clean(force_t_s, force_m_s2, heard_s - LOOK_BACK_S, heard_s + LOOK_S)
    step = _step(force_t, force, heard_s)
    if step is None:
        return _by_heights(*_clean(height_t_s, height_m, heard_s - LONGEST_BACK_S, np.inf))
    change, first, noise_s = step
    begin, end = float(force_t[first - 1]), float(force_t[first])
    ramp_s = 0.25 * float(force_t[change] - force_t[first])
    alone = LiftOff(
        0.5 * (begin + end),
        float(np.hypot(np.hypot((end - begin) / 3.46, noise_s), np.hypot(ramp_s, STAMP_S))),
        force[first],
    )
    if end - begin <= SHORT_GAP_S:
        # Uniform between the two samples: sigma = width / sqrt(12). Heights could not tell it better.
        return alone
    height_t, height = _clean(height_t_s, height_m, begin - LOOK_S, end + WITNESS_S)
    before, after = height[height_t < begin], height_t > end
    if after.sum() < FEWEST_HEIGHTS:
        return alone
    level = before.mean() if len(before) >= FEWEST_HEIGHTS else 0.0
    t_s, sigma_s = _search(force_t[first:], force[first:], height_t[after], height[after] - level, begin, end, cos_tilt)
    return LiftOff(t_s, float(np.hypot(sigma_s, noise_s)), alone.force_m_s2)


def _step(t: Floats, force: Floats, heard_s: float) -> tuple[int, int, float] | None:
    """Return the first sample of strong force, the first one over that at rest, and one sigma (s) of the noise's doing."""
    rest = force[t < heard_s - HELD_S]
    level = float(np.median(rest)) if len(rest) >= FEWEST_FORCES else GRAVITY_M_S2
    scatter = 1.4826 * float(np.median(np.abs(rest - level))) if len(rest) >= FEWEST_FORCES else 0.0
    for from_s, until_s, fewest in PUSHES:
        pushed = force[(t >= heard_s + from_s) & (t <= heard_s + until_s)]
        if len(pushed) < fewest:
            continue
        excess = float(np.median(pushed)) - level
        shaken = 1.4826 * float(np.median(np.abs(pushed - level - excess)))
        if excess >= max(STEP_SIGMAS * max(scatter, shaken) / np.sqrt(len(pushed)), LEAST_STEP_M_S2):
            break
    else:
        return None
    over = np.clip(force - level, -excess, 2.0 * excess) - 0.5 * excess
    sums = np.concatenate(([0.0], np.cumsum(over)))
    # The stretch that exceeds the most; a short boost is over within the window.
    ended = int(np.argmax(sums - np.minimum.accumulate(sums)))
    change = int(np.argmin(sums[: ended + 1]))
    if change == 0:
        return None  # it pushed before anything was heard
    first = change
    while first > 1 and force[first - 1] - level > max(STEP_SIGMAS * scatter, 0.1 * excess):
        first -= 1
    spacing = float(np.median(np.diff(t)))
    return change, first, spacing * 2.0 * (max(shaken, scatter) / excess) ** 2


def _search(
    force_t: Floats, force: Floats, height_t: Floats, height: Floats, begin: float, end: float, cos_tilt: float
) -> tuple[float, float]:
    """Return the instant between `begin` and `end` whose integrated heights fit best, and one sigma of it."""
    up = force * cos_tilt - GRAVITY_M_S2
    pushes = float(np.median(up[: max(len(up) // 2, 1)]))  # the first force heard may be on its rise
    step = np.diff(force_t)
    climb = np.concatenate(([0.0], np.cumsum(0.5 * (up[1:] + up[:-1]) * step)))
    rise = np.concatenate(([0.0], np.cumsum(climb[:-1] * step + step * step * (2 * up[:-1] + up[1:]) / 6.0)))
    tried = np.linspace(begin, end, max(8, int(np.ceil((end - begin) / FINEST_S)) + 1))
    early = end - tried
    speed, way = up[0] * early, 0.5 * up[0] * early * early

    def misses(lag_s: float, port_share: float = 0.0) -> Floats:
        at = height_t - lag_s
        read = max(1.0 - port_share * pushes / GRAVITY_M_S2, LEAST_READ)
        index = np.clip(np.searchsorted(force_t, at, side="right") - 1, 0, len(force_t) - 1)
        rest = at - force_t[index]
        gained = rise[index] + climb[index] * rest + 0.5 * up[index] * rest * rest
        later = gained[None, :] + way[:, None] + speed[:, None] * (at - force_t[0])[None, :]
        within = 0.5 * up[0] * np.maximum(at[None, :] - tried[:, None], 0.0) ** 2
        return np.asarray(height[None, :] - read * np.where(at[None, :] < force_t[0], within, later))

    best = int((misses(PORT_LAG_S) ** 2).sum(axis=1).argmin())
    each = [misses(lag_s, share) for lag_s in LAGS_S for share in PORT_SHARES]
    return float(tried[best]), _sigma(tried, best, each, height)


def _by_heights(t: Floats, height: Floats) -> LiftOff | None:
    """Return when a thrust from rest began that meets the heights, up to `HIGH_M`, best: steady, of what grows lighter."""
    high = np.flatnonzero(height > HIGH_M)
    count = int(high[0]) + 1 if len(high) else len(t)
    t, height = t[:count], height[:count]
    if count < 2 * FEWEST_HEIGHTS or float(height.max()) < 2.0:
        return None
    tried = np.arange(float(t[0]), float(t[-1]), 5 * FINEST_S)

    def misses(lag_s: float) -> Floats:
        since = np.maximum(t[None, :] - lag_s - tried[:, None], 0.0)
        bend = 0.5 * since * since
        power = (bend * bend).sum(axis=1)
        left = height[None, :] - LIGHTER_M_S3 / 6.0 * since**3
        slope = np.where(power > 0.0, (bend * left).sum(axis=1) / np.maximum(power, 1e-12), 0.0)
        return np.asarray(left - np.maximum(slope, 0.0)[:, None] * bend)

    weight = 1.0 / (HEIGHT_SIGMA_M**2 + (HEIGHT_SHARE * height) ** 2)
    best = int((misses(PORT_LAG_S) ** 2 * weight[None, :]).sum(axis=1).argmin())
    sigma_s = _sigma(tried, best, [misses(lag_s) for lag_s in LAGS_S], height)
    return LiftOff(float(tried[best]), float(np.hypot(sigma_s, 0.29 * float(np.median(np.diff(t))))), float("nan"))


def _sigma(tried: Floats, best: int, misses: list[Floats], height: Floats) -> float:
    """Return the distance from the best instant, root mean square over all instants and lags by their likelihood."""
    variance = HEIGHT_SIGMA_M**2 + (HEIGHT_SHARE * height) ** 2
    cost = np.array([(miss * miss / variance[None, :]).sum(axis=1) for miss in misses])
    # The least of each lag counts as one fit as good as another: the forces are not sure enough to tell lags apart.
    likely = np.exp(-0.5 * (cost - cost.min(axis=1, keepdims=True)))
    likely /= likely.sum(axis=1, keepdims=True)
    away = tried - tried[best]
    return float(np.hypot(np.sqrt((likely * away[None, :] ** 2).sum() / len(misses)), 0.29 * float(tried[1] - tried[0])))


def _clean(t_s: Floats, values: Floats, start: float, stop: float) -> tuple[Floats, Floats]:
    """Return finite samples within the window, sorted by time, one per instant."""
    good = np.isfinite(t_s) & np.isfinite(values) & (t_s >= start) & (t_s <= stop)
    t, kept = t_s[good], values[good]
    _, index = np.unique(t, return_index=True)
    return t[index], kept[index]
