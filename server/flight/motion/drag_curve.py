"""The drag coefficient over Mach number as the sheet declares it, or the usual shape where it does not.

Both are written as k (1 + rise share(M)), so that one estimate serves: the usual shape's share is `psi` and its rise is
hardly known before; a declared curve's share is how far it departs from its value at the lowest Mach number, and its rise
is 1, as far as a curve from wind tunnel or computation is right (`DECLARED_SIGMA`). The level is the flight's own to learn
in both; before it does, a declared one is right within `LEVEL_SIGMA`: paint, launch lugs and gaps. Both sigmas are our
choice.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

from server.flight.motion.drag_rise import RISE, RISE_SIGMA, psi

DECLARED_SIGMA, LEVEL_SIGMA = 0.12, 0.2


@dataclass(frozen=True, slots=True)
class DragCurve:
    """Points (Mach number, drag coefficient by the cross section of the sheet's diameter), two or more, ascending."""

    points: tuple[tuple[float, float], ...]

    @property
    def low(self) -> float:
        """The coefficient at the lowest Mach number."""
        return self.points[0][1]

    def at(self, mach: float) -> float:
        """Return the coefficient: straight lines between the points, level beyond them."""
        points = self.points
        after = bisect_right(points, mach, key=lambda point: point[0])
        if after == 0 or after == len(points):
            return points[min(after, len(points) - 1)][1]
        (m0, c0), (m1, c1) = points[after - 1], points[after]
        return c0 + (c1 - c0) * (mach - m0) / (m1 - m0)


@dataclass(frozen=True, slots=True)
class Shape:
    """How drag goes with Mach number: k (1 + rise share(M)), the rise known within `sigma`."""

    rise: float = RISE
    sigma: float = RISE_SIGMA
    curve: DragCurve | None = None

    @classmethod
    def of(cls, curve: DragCurve | None) -> Shape:
        """Return the shape by a declared curve, the usual one without."""
        return USUAL if curve is None else cls(1.0, DECLARED_SIGMA, curve)

    def share(self, mach: float) -> float:
        """Return the share of the rise that is there at a Mach number."""
        return psi(mach) if self.curve is None else self.curve.at(mach) / self.curve.low - 1.0

    def factor(self, mach: float) -> float:
        """Return the drag there over that at low speed, for the rise as it is believed before."""
        return 1.0 + self.rise * self.share(mach)


USUAL = Shape()
