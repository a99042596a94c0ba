"""How the drag coefficient usually goes with the Mach number.

The factor on the drag of low speeds is 1 + rise psi(M): psi is nothing below `ONSET_MACH`, one at `PEAK_MACH` and falls
beyond it. Free-flight drag of finned bodies (W. E. Stoney, NASA TR R-100, 1961; from memory) begins to rise between M 0.8
and 0.95, is highest between 1.05 and 1.15 at 1.3 to 2.2 times its value before, and at M 2 has lost about half of the rise:
`RISE` with `RISE_SIGMA`, before the flight's own samples say more.
"""

from __future__ import annotations

from math import sqrt

from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import GAS_CONSTANT_J_KG_K, HEAT_RATIO, LAPSE_K_M, SEA_LEVEL_TEMPERATURE_K

# Density falls as exp(-h / this): -d(ln rho)/dh = (g/R - L)/T of the 1976 standard atmosphere at sea level.
DENSITY_HEIGHT_M = SEA_LEVEL_TEMPERATURE_K / (GRAVITY_M_S2 / GAS_CONSTANT_J_KG_K - LAPSE_K_M)
ONSET_MACH, PEAK_MACH, FALL_POWER = 0.8, 1.1, 1.0
RISE, RISE_SIGMA = 0.6, 0.3
COLDEST_K = 200.0


def mach_at(speed_m_s: float, height_m: float, pad_temperature_k: float = SEA_LEVEL_TEMPERATURE_K) -> float:
    """Return the Mach number of an air speed at a height over the pad (m), by the standard lapse."""
    kelvin = max(COLDEST_K, pad_temperature_k - LAPSE_K_M * max(height_m, 0.0))
    return abs(speed_m_s) / sqrt(HEAT_RATIO * GAS_CONSTANT_J_KG_K * kelvin)


def psi(mach: float) -> float:
    """Return the share of the rise that is there at a Mach number, 0 to 1."""
    if mach <= ONSET_MACH:
        return 0.0
    if mach < PEAK_MACH:
        x = (mach - ONSET_MACH) / (PEAK_MACH - ONSET_MACH)
        return x * x * (3.0 - 2.0 * x)
    return float((PEAK_MACH / mach) ** FALL_POWER)
