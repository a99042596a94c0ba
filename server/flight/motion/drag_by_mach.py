"""What a flight's own forces say of its drag over Mach number, on top of the shape it is believed to have."""

from __future__ import annotations

from math import exp

import numpy as np

from protocol.arrays import Floats
from server.flight.motion.drag_curve import USUAL, Shape
from server.flight.motion.drag_rise import DENSITY_HEIGHT_M

SAMPLE_M_S2, SAMPLE_SHARE = 0.3, 0.05  # what one force is off, in m/s2 and of the drag
LASTING_S = 0.1
FORGET_MACH = 0.25  # drag at another speed is another drag
LEAST_KAPPA_1_M = 1e-6
FEWEST = 3


class DragByMach:
    """INCREMENTAL: drag = x (k + w share(M)), x = v^2 rho / rho_pad, by weighted least squares (any textbook of statistics).

    The rise w over k is believed to be the shape's within its sigma before, as one more row. Older samples are forgotten as
    the Mach number goes away from theirs.
    """

    def __init__(self, shape: Shape = USUAL) -> None:
        self._shape = shape
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
        a, b = x, x * self._shape.share(mach)
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
        rise, sigma = self._shape.rise, self._shape.sigma
        k = max(self._ay / (self._aa + rise * self._ab), LEAST_KAPPA_1_M)
        for _ in range(3):
            row = 1.0 / (sigma * k) ** 2
            aa, ab, bb = self._aa + rise * rise * row, self._ab - rise * row, self._bb + row
            determinant = aa * bb - ab * ab
            k = max((self._ay * bb - self._by * ab) / determinant, LEAST_KAPPA_1_M)
        w = max(0.0, (self._by - ab * k) / bb)
        return float(k), float(w), np.array([[bb, -ab], [-ab, aa]]) / determinant
