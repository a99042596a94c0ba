"""Where in a record of force the burn lies, and what the cell shows at rest before and after it. SI units: s, N."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from protocol.arrays import Floats

LEAST_REST_S, LONGEST_REST_S, LEAST_SAMPLES = 0.5, 10.0, 10
AHEAD_S, AHEAD_SHARE = 0.05, 0.1  # before the burn's rough begin, in s and as a share of it, where rest is over: chosen
SETTLES_S, SETTLES_SHARE = 0.3, 0.4  # after its rough end, in s and as a share of it, until it is at rest: chosen
JOINED_S = 0.3  # a dip of the thrust no longer than this belongs to the burn: chosen
CLEAR_SIGMAS = 8.0
BATCHES = 12


@dataclass(frozen=True)
class RoughBurn:
    """Where force stands above a share of its peak, s; `turned` where the force points to negative numbers."""

    begin_s: float
    end_s: float
    turned: bool


@dataclass(frozen=True)
class Offset:
    """What the cell shows without thrust, N, at the ends of the burn, with standard deviations; a line between.

    At rest from `from_s` to `until_s`, and from `settled_s` on. `density` is that of slow noise, N^2 s: the variance of an
    area over a time is density times that time.
    """

    from_s: float
    until_s: float
    settled_s: float
    begin_n: float
    end_n: float
    sigma_begin_n: float
    sigma_end_n: float
    density: float

    def at(self, t_s: Floats) -> Floats:
        """Return the offset at times, same shape, N: level before and after."""
        return np.interp(t_s, [self.until_s, self.settled_s], [self.begin_n, self.end_n])


def longest_burn(t: Floats, force: Floats, share: float) -> RoughBurn | None:
    """Return where force, averaged over five samples, stands above a share of its peak; None where nothing does."""
    smooth = np.convolve(np.pad(force, 2, mode="edge"), np.ones(5) / 5.0, "valid")
    first = t <= t[0] + max(0.3, 0.03 * (t[-1] - t[0]))
    level = float(np.median(smooth[first]))
    away = smooth - level
    turned = -float(away.min()) > float(away.max())
    away = -away if turned else away
    peak = float(away.max())
    noise = 1.4826 * float(np.median(np.abs(np.diff(force)))) / sqrt(2.0)
    if peak <= 0.0 or peak < CLEAR_SIGMAS * noise / sqrt(5.0):
        return None
    above = np.flatnonzero(away > max(share * peak, 3.0 * noise / sqrt(5.0)))
    parts = np.split(above, np.flatnonzero(np.diff(t[above]) > JOINED_S) + 1)
    top = int(np.argmax(away))
    burn = next(part for part in parts if part[0] <= top <= part[-1])
    return RoughBurn(float(t[burn[0]]), float(t[burn[-1]]), turned)


def offset_of(t: Floats, force: Floats, begin_s: float, end_s: float) -> Offset | None:
    """Return the offset about a burn, None where the record holds too little rest before or after."""
    burn = end_s - begin_s
    until = begin_s - max(AHEAD_S, min(AHEAD_SHARE * burn, 0.2))
    settled = end_s + max(SETTLES_S, SETTLES_SHARE * burn)
    long = min(LONGEST_REST_S, max(2.0, 2.0 * burn))
    before, after = (t >= until - long) & (t <= until), (t >= settled) & (t <= settled + long)
    ends = []
    for part, edge in ((before, until), (after, settled)):
        if int(part.sum()) < LEAST_SAMPLES or t[part][-1] - t[part][0] < LEAST_REST_S * 0.9:
            return None
        ends.append(_carried(t[part], force[part], edge))
    density = max((one[2] + two) / 2.0 for one, two in zip(ends, (ends[1][2], ends[0][2]), strict=True))
    spans = [float(t[part][-1] - t[part][0]) for part in (before, after)]
    # A line fitted over a time T and read at its end has four times the variance of a mean over T.
    sigmas = [sqrt(4.0 * density / span) for span in spans]
    from_s = float(t[before][0])
    return Offset(from_s, until, settled, ends[0][0], ends[1][0], sigmas[0], sigmas[1], density)


def _carried(t: Floats, force: Floats, edge_s: float) -> tuple[float, float, float]:
    """Return a line's value at an edge, its slope, and the density of slow noise about it by the scatter of means."""
    slope, value = np.polyfit(t - edge_s, force, 1)
    rest = force - np.polyval([slope, value], t - edge_s)
    span = float(t[-1] - t[0])
    means = np.array([float(part.mean()) for part in np.array_split(rest, BATCHES)])
    step = span / max(1, len(t) - 1)
    white = float(np.var(rest)) * step
    return float(value), float(slope), max(float(means.var()) * BATCHES / (BATCHES - 2) * span / BATCHES, white)
