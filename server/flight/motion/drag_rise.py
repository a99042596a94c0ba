"""How the drag coefficient goes with the Mach number, and what a flight's own forces say of it.

The factor on the drag of low speeds is 1 + rise psi(M): psi is nothing below `ONSET_MACH`, one at `PEAK_MACH` and falls
beyond it. Free-flight drag of finned bodies (W. E. Stoney, NASA TR R-100, 1961; from memory) begins to rise between M 0.8
and 0.95, is highest between 1.05 and 1.15 at 1.3 to 2.2 times its value before, and at M 2 has lost about half of the rise:
`RISE` with `RISE_SIGMA`, before the flight's own samples say more.
"""

from __future__ import annotations

from math import exp, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import GAS_CONSTANT_J_KG_K, HEAT_RATIO, LAPSE_K_M, SEA_LEVEL_TEMPERATURE_K

# Density falls as exp(-h / this): -d(ln rho)/dh = (g/R - L)/T of the 1976 standard atmosphere at sea level.
DENSITY_HEIGHT_M = SEA_LEVEL_TEMPERATURE_K / (GRAVITY_M_S2 / GAS_CONSTANT_J_KG_K - LAPSE_K_M)
ONSET_MACH, PEAK_MACH, FALL_POWER = 0.8, 1.1, 1.0
RISE, RISE_SIGMA = 0.6, 0.3
COLDEST_K = 200.0
SAMPLE_M_S2, SAMPLE_SHARE = 0.3, 0.05  # what one force is off, in m/s2 and of the drag
LASTING_S = 0.1
FORGET_MACH = 0.25  # drag at another speed is another drag
LEAST_KAPPA_1_M = 1e-6
FEWEST = 3


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


class DragByMach:
    """INCREMENTAL: drag = x (k + w psi(M)), x = v^2 rho / rho_pad, by weighted least squares (any textbook of statistics).

    The rise w over k is believed to be `RISE` within `RISE_SIGMA` before, as one more row. Older samples are forgotten as
    the Mach number goes away from theirs.
    """

    def __init__(self) -> None:
        self.count = 0
        self._aa = self._ab = self._bb = self._ay = self._by = 0.0
        self._last: tuple[float, float] | None = None

    def take(self, t_s: float, drag_m_s2: float, speed_m_s: float, height_m: float, mach: float) -> None:
        """Take the deceleration by drag (m/s2, forward force negated) at an air speed (m/s) and height over the pad (m)."""
        passed = LASTING_S
        if self._last is not None:
            passed = t_s - self._last[0]
            keep = exp(-abs(mach - self._last[1]) / FORGET_MACH)
            self._aa, self._ab, self._bb, self._ay, self._by = (
                keep * part for part in (self._aa, self._ab, self._bb, self._ay, self._by)
            )
        self._last = (t_s, mach)
        x = speed_m_s * speed_m_s * exp(-height_m / DENSITY_HEIGHT_M)
        weight = min(1.0, passed / LASTING_S) / (SAMPLE_M_S2**2 + (SAMPLE_SHARE * drag_m_s2) ** 2)
        a, b = x, x * psi(mach)
        self._aa += weight * a * a
        self._ab += weight * a * b
        self._bb += weight * b * b
        self._ay += weight * a * drag_m_s2
        self._by += weight * b * drag_m_s2
        self.count += 1

    def estimate(self) -> tuple[float, float, Floats] | None:
        """Return k and w (1/m) and their covariance (2, 2) by the samples' scatter; None without samples."""
        if self.count < FEWEST or self._aa <= 0.0:
            return None
        k = max(self._ay / (self._aa + RISE * self._ab), LEAST_KAPPA_1_M)
        for _ in range(3):
            row = 1.0 / (RISE_SIGMA * k) ** 2
            aa, ab, bb = self._aa + RISE * RISE * row, self._ab - RISE * row, self._bb + row
            determinant = aa * bb - ab * ab
            k = max((self._ay * bb - self._by * ab) / determinant, LEAST_KAPPA_1_M)
        w = max(0.0, (self._by - ab * k) / bb)
        return float(k), float(w), np.array([[bb, -ab], [-ab, aa]]) / determinant
