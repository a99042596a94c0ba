"""Under how many parachutes did it come down, how fast did it land, and with what energy?

The steady part of the descent is found in stretches of `STRETCH_S`, each with its own least-squares rate; the longest run of
stretches near their median is the settled part, and one weighted line through it gives the rate (weighted least squares: any
textbook of statistics). Its sigma is the greater of the formal one and that of the stretches' scatter, which holds what the
barometer's noise does not: rising and sinking air.

The rate is compared with the expected ones under both, one and no parachute by their likelihoods, normal densities around
each expected rate; no parachute is never slower than one. Expected rates are uncertain too: `AREA_SHARE` (one sigma), more
for a tumbling body, and `AIR_M_S` of air that rises or sinks over the whole descent. A verdict needs `SURE` of the posterior
with equal priors and a rate within `FITS_SIGMAS` of what it names. These numbers are common practice, no source.

Terminal speed: v = sqrt(2 m g / (rho Cd A)) (NASA Glenn: tests/SOURCES.md, terminal-speed), so a rate known at
one density is scaled with the square root of the densities' ratio.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite, log, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats

STRETCH_S = 2.0
FEWEST_IN_STRETCH = 8
FEWEST_STRETCHES = 2
SETTLED_SHARE, SETTLED_M_S = 0.15, 0.5
OPENING_S = 2.0  # after the start of the window: canopies open and bodies swing
LAST_S = 4.0
AREA_SHARE, TUMBLING_SHARE, AIR_M_S = 0.10, 0.35, 0.3
NONE_OVER_ONE = 3.0
SURE, FITS_SIGMAS = 0.95, 3.5
BOTH, ONE, NONE, CANNOT_TELL = "both", "one", "none", "cannot tell"


def landing_energy_j(mass_kg: float, speed_m_s: float) -> float:
    """Return the kinetic energy (J) of a part at landing; about 100 J is what common practice allows, no source."""
    return 0.5 * mass_kg * speed_m_s * speed_m_s


@dataclass(frozen=True)
class Expected:
    """Descent rates (m/s, positive down) by the vehicle's sheet, and the density (kg/m3) they hold at; None: as met.

    Without a rate for no parachute, `NONE_OVER_ONE` times that under one is taken.
    """

    both_m_s: float
    one_m_s: float
    none_m_s: float | None = None
    density_kg_m3: float | None = None


@dataclass(frozen=True)
class Descent:
    """The settled descent: rate (m/s, positive down) and one sigma, from when to when (s), how many heights."""

    rate_m_s: float
    sigma_m_s: float
    start_s: float
    end_s: float
    samples: int


@dataclass(frozen=True)
class CanopyVerdict:
    """Under which parachutes: "both", "one", "none" or "cannot tell", the posterior of each of the three, and why."""

    canopies: str
    posterior: tuple[float, float, float]
    reason: str


def settled_descent(
    t_s: ArrayLike, height_m: ArrayLike, start_s: float, end_s: float, sigma_m: ArrayLike = 0.3
) -> Descent | None:
    """Return the settled descent between deployment and landing (timeline seconds), or None when too little was heard.

    Heights over the pad of any order, with gaps, repeats and numbers that are none; `sigma_m`: one sigma of each or of all.
    """
    t, height, sigma = _clean(t_s, height_m, sigma_m, start_s + OPENING_S, end_s)
    runs = _stretches(t, height, sigma)
    if len(runs) < FEWEST_STRETCHES:
        return None
    rates = np.array([run[2] for run in runs])
    middle = float(np.median(rates))
    near = np.abs(rates - middle) <= np.maximum(SETTLED_SHARE * abs(middle), SETTLED_M_S) + 3.0 * np.array(
        [run[3] for run in runs]
    )
    first, stop = _longest(near.tolist())
    if stop - first < FEWEST_STRETCHES:
        return None
    part = slice(runs[first][0], runs[stop - 1][1])
    slope, formal = _line(t[part], height[part], sigma[part])
    scatter = float(rates[first:stop].std(ddof=1)) / sqrt(stop - first)
    return Descent(-slope, max(formal, scatter), float(t[part][0]), float(t[part][-1]), int(len(t[part])))


def landing_rate(t_s: ArrayLike, height_m: ArrayLike, landing_s: float, sigma_m: ArrayLike = 0.3) -> Descent | None:
    """Return the descent rate over the last `LAST_S` before landing, or None when too little was heard."""
    t, height, sigma = _clean(t_s, height_m, sigma_m, landing_s - LAST_S, landing_s - 0.1)
    if len(t) < FEWEST_IN_STRETCH or t[-1] - t[0] < 0.5 * LAST_S:
        return None
    slope, formal = _line(t, height, sigma)
    return Descent(-slope, formal, float(t[0]), float(t[-1]), len(t))


def which_canopies(descent: Descent | None, expected: Expected, density_kg_m3: float | None = None) -> CanopyVerdict:
    """Return under which parachutes a settled descent was, in air of `density_kg_m3` (mean over the descent).

    Never raises; a rate that is not finite cannot be told. Sources: those of the module's text.
    """
    if descent is None or not (isfinite(descent.rate_m_s) and isfinite(descent.sigma_m_s)):
        return CanopyVerdict(CANNOT_TELL, (1 / 3, 1 / 3, 1 / 3), "too little of a settled descent was heard")
    scale = 1.0
    if expected.density_kg_m3 is not None and density_kg_m3 is not None:
        scale = sqrt(expected.density_kg_m3 / density_kg_m3)
    none = expected.none_m_s if expected.none_m_s is not None else NONE_OVER_ONE * expected.one_m_s
    rates = [scale * rate for rate in (expected.both_m_s, expected.one_m_s, none)]
    sigmas = [
        sqrt(descent.sigma_m_s**2 + (share * rate) ** 2 + AIR_M_S**2)
        for rate, share in zip(rates, (AREA_SHARE, AREA_SHARE, TUMBLING_SHARE), strict=True)
    ]
    off = [(descent.rate_m_s - rate) / sigma for rate, sigma in zip(rates, sigmas, strict=True)]
    logs = [-0.5 * z * z - log(sigma * sqrt(2.0 * pi)) for z, sigma in zip(off, sigmas, strict=True)]
    if descent.rate_m_s < rates[1]:
        logs[2] = float("-inf")
    weights = [exp(value - max(logs)) for value in logs]
    both, one, no = (weight / sum(weights) for weight in weights)
    posterior = (both, one, no)
    best = max(range(3), key=lambda place: posterior[place])
    expectation = f"expected {rates[0]:.1f} under both, {rates[1]:.1f} under one, {rates[2]:.0f} under none"
    said = f"{descent.rate_m_s:.1f} m/s; {expectation}"
    if abs(off[best]) > FITS_SIGMAS:
        return CanopyVerdict(CANNOT_TELL, posterior, f"{said}: it fits none of them")
    if posterior[best] < SURE:
        return CanopyVerdict(CANNOT_TELL, posterior, f"{said}: too close to tell")
    return CanopyVerdict((BOTH, ONE, NONE)[best], posterior, said)


def _clean(
    t_s: ArrayLike, height_m: ArrayLike, sigma_m: ArrayLike, start_s: float, end_s: float
) -> tuple[Floats, Floats, Floats]:
    """Return finite samples within the window, sorted by time, one per instant."""
    t, height = np.asarray(t_s, dtype=np.float64), np.asarray(height_m, dtype=np.float64)
    sigma = np.broadcast_to(np.asarray(sigma_m, dtype=np.float64), t.shape)
    with np.errstate(invalid="ignore"):
        good = (t >= start_s) & (t <= end_s) & (np.abs(height) < 1e5) & (sigma > 0.0) & np.isfinite(sigma)
    t, index = np.unique(t[good], return_index=True)
    return t, height[good][index], sigma[good][index]


def _line(t: Floats, height: Floats, sigma: Floats) -> tuple[float, float]:
    """Return slope and its formal sigma of the weighted least-squares line."""
    weight = 1.0 / (sigma * sigma)
    total = float(weight.sum())
    centered = t - float((weight * t).sum()) / total
    spread = float((weight * centered * centered).sum())
    return float((weight * centered * height).sum()) / spread, 1.0 / sqrt(spread)


def _stretches(t: Floats, height: Floats, sigma: Floats) -> list[tuple[int, int, float, float]]:
    """Cut into stretches; return (first, stop, rate down, sigma) of those in which enough was heard."""
    if len(t) < FEWEST_IN_STRETCH:
        return []
    found = []
    edges = np.searchsorted(t, np.arange(t[0], t[-1] + 1e-9, STRETCH_S))
    for first, stop in zip(edges, [*edges[1:], len(t)], strict=True):
        if stop - first >= FEWEST_IN_STRETCH and t[stop - 1] - t[first] >= 0.5 * STRETCH_S:
            slope, formal = _line(t[first:stop], height[first:stop], sigma[first:stop])
            found.append((int(first), int(stop), -slope, formal))
    return found


def _longest(flags: list[bool]) -> tuple[int, int]:
    """Return the longest run of true flags as (first, stop)."""
    best, first = (0, 0), 0
    for place, flag in enumerate([*flags, False]):
        if not flag:
            if place - first > best[1] - best[0]:
                best = (first, place)
            first = place + 1
    return best
