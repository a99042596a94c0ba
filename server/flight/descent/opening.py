"""Was it held back while it still climbed, as by a parachute or a body that opens early?

A body that nothing holds back rises from a height h and a climb rate v to h + v s - a s^2 / 2 after s seconds, with a the
deceleration it had just before: that of gravity and of a drag which only gets less. Raw heights that miss more than
`SHORT_SHARE` of this climb, by more than `SURE_SIGMAS` of their noise, were held back. A pressure pulse of an ejection has
gone by then (`LOOKS_S`), and an apogee must follow soon: what the shock does to the port's pressure around Mach 1 is far
from one.

`SHORT_SHARE`, `FAST_M_S` and the lengths of time are our choice. Slower than `FAST_M_S` it would turn over by itself before
the look is over, and what it flew sideways is then lost to the air and to the port's pressure: a step in the heights.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.descent.heights import Heights

BEFORE_S, EARLIER_S = 1.0, 1.0  # the line before, and how much earlier the one that shows the deceleration
LOOKS_S = ((1.2, 2.0), (2.6, 3.4))  # the second shows that it was no long pulse
FEWEST, FEWEST_AFTER = 4, 3
FAST_M_S, SHORT_SHARE, SURE_SIGMAS = 22.0, 0.5, 5.0
APOGEE_FOLLOWS_S = 4.0
LEAST_SLOWED_M_S2 = 0.5 * GRAVITY_M_S2


@dataclass(frozen=True)
class Opening:
    """When it was held back (s), its climb rate then (m/s) with one sigma, and how much lower (m) it stayed 1.6 s later."""

    t_s: float
    climb_m_s: float
    sigma_m_s: float
    short_m: float


def held_back(heard: Heights, coasts_from_s: float, apogee_s: float) -> Opening | None:
    """Return where it was held back most in its coast, from `coasts_from_s` to apogee (s); None where it was not.

    `heard` reaches some seconds over the apogee.
    """
    t, height = heard.t_s, heard.height_m
    found: Opening | None = None
    for at_s in t[(t >= apogee_s - APOGEE_FOLLOWS_S) & (t <= apogee_s)].tolist():
        if at_s - BEFORE_S - EARLIER_S < coasts_from_s:
            continue
        one = _at(t, height, heard.sigma_m, at_s)
        if one is not None and (found is None or one.short_m > found.short_m):
            found = one
    return found


def _at(t: Floats, height: Floats, sigma_m: float, at_s: float) -> Opening | None:
    now, earlier = (_climb(t, height, sigma_m, at_s - ago) for ago in (0.0, EARLIER_S))
    if now is None or earlier is None:
        return None
    (mean_s, mean_m, climb, noise_m), (earlier_s, _, was, earlier_m) = now, earlier
    # Heights that err err together, as under a swinging body or a pulse: a slope is no better than two of them.
    sigma = sqrt(12.0) * max(noise_m, earlier_m) / BEFORE_S
    slowed = (was - climb) / (mean_s - earlier_s)
    if slowed < LEAST_SLOWED_M_S2 - 2.0 * sigma / (mean_s - earlier_s):
        return None  # nothing in a coast speeds up: the pressure is not the air's
    slows = max(slowed, GRAVITY_M_S2)
    climb_now = climb - slows * (at_s - mean_s)
    if climb_now < FAST_M_S:
        return None
    short_m = []
    for start_s, stop_s in LOOKS_S:
        after = (t >= at_s + start_s) & (t <= at_s + stop_s)
        if after.sum() < FEWEST_AFTER:
            return None
        seconds = float(t[after].mean()) - mean_s
        free_m = mean_m + climb * seconds - 0.5 * slows * seconds * seconds
        short_m.append(free_m - float(np.median(height[after])))
        gains_s = float(t[after].mean()) - at_s
        gain_m = climb_now * gains_s - 0.5 * slows * gains_s * gains_s
        if short_m[-1] < max(SHORT_SHARE * gain_m, SURE_SIGMAS * sqrt((sigma * seconds) ** 2 + sigma_m**2)):
            return None
    return Opening(at_s, climb_now, sigma, short_m[0])


def _climb(t: Floats, height: Floats, sigma_m: float, end_s: float) -> tuple[float, float, float, float] | None:
    """Return mean time and height, slope of the line (m/s) and what is left (m), over the last `BEFORE_S` before a time."""
    use = (t > end_s - BEFORE_S - 1e-9) & (t <= end_s + 1e-9)
    if use.sum() < FEWEST:
        return None
    when, high = t[use], height[use]
    tau = when - when.mean()
    spread = float(tau @ tau)
    if when[-1] - when[0] < 0.6 * BEFORE_S:
        return None
    slope = float(tau @ high) / spread
    left = high - high.mean() - slope * tau
    noise_m = max(sigma_m, sqrt(float(left @ left) / max(len(tau) - 2, 1)))
    return float(when.mean()), float(high.mean()), slope, noise_m
