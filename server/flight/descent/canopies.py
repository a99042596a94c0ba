"""Under how many parachutes did it come down by its sheet, and with what energy did it land?

The rate of a settled stage (`stages`) is compared with the expected ones under both, one and no parachute by their
likelihoods, normal densities around each expected rate; no parachute is never slower than one. Expected rates are
uncertain too: `AREA_SHARE` (one sigma), more for a tumbling body, and `AIR_M_S` of air that rises or sinks over the whole
descent. A verdict needs `SURE` of the posterior with equal priors and a rate within `FITS_SIGMAS` of what it names.
These numbers are common practice, no source.

Terminal speed: v = sqrt(2 m g / (rho Cd A)) (NASA Glenn: tests/SOURCES.md, terminal-speed), so a rate known at
one density is scaled with the square root of the densities' ratio.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite, log, pi, sqrt

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
