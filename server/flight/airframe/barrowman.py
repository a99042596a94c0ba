"""Where the air pushes: normal-force slope and center of pressure of a slender finned vehicle at small angles of attack.

Source: J. S. Barrowman, "The Practical Calculation of the Aerodynamic Characteristics of Slender Finned Vehicles", thesis,
1967 (from memory): slender-body theory for what widens or narrows, Diederich's lift slope for fins, and the
interference of a round body after NACA Report 1307 in the simple form 1 + R / (s + R). It holds well below the speed
of sound, for attack angles of a few degrees and for bodies much longer than wide. Cylinders carry nothing here; what their
lift does at larger angles is `oscillation.body_softening_per_rad`.

Slopes are per radian and refer to the cross section of the body's largest diameter; stations in m from the nose tip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, pi, sqrt

# Center of pressure of a nose over its length: 1 - volume / (base area x length), slender-body theory.
NOSE_CENTERS = {"cone": 2.0 / 3.0, "ogive": 0.466, "parabola": 0.5, "ellipsoid": 1.0 / 3.0}
NOSE_SLOPE = 2.0
# Of six fins each pair shields the others a little: half the interference (Barrowman, for six; from memory).
FIN_COUNTS = {3: 1.0, 4: 1.0, 6: 0.5}


@dataclass(frozen=True, slots=True)
class Part:
    """One lifting part: slope per radian at a station in m."""

    name: str
    slope: float
    station_m: float


@dataclass(frozen=True, slots=True)
class FinSet:
    """Trapezoidal fins: chords at root and tip, span of one fin beyond the body, sweep of the leading edge; all in m."""

    name: str
    count: int
    root_m: float
    tip_m: float
    span_m: float
    sweep_m: float
    root_leading_edge_m: float

    @property
    def area_m2(self) -> float:
        """Area of one fin, m2."""
        return 0.5 * (self.root_m + self.tip_m) * self.span_m

    @property
    def centroid_m(self) -> float:
        """Station of the middle of its area, m from the nose tip (centroid of a trapezoid, any table of plane figures)."""
        a, b, s = self.root_m, self.tip_m, self.sweep_m
        return self.root_leading_edge_m + (a * a + a * b + b * b + s * (a + 2.0 * b)) / (3.0 * (a + b))

    def scaled(self, factor: float) -> FinSet:
        """Return the set with every length scaled; the trailing edge at the root stays where it is."""
        trailing = self.root_leading_edge_m + self.root_m
        root, tip, span, sweep = (factor * value for value in (self.root_m, self.tip_m, self.span_m, self.sweep_m))
        return FinSet(self.name, self.count, root, tip, span, sweep, trailing - factor * self.root_m)


@dataclass(frozen=True, slots=True)
class Balance:
    """The whole: slope per radian, and the station in m at which it may be thought to act."""

    slope: float
    center_m: float
    parts: tuple[Part, ...]

    def damping_sum_m2(self, gravity_m: float) -> float:
        """Return the sum of slope x (station - center of gravity)^2 in m2, what `expected_damping_ratio` asks for.

        `gravity_m`: the center of gravity, m from the nose tip.
        """
        return sum(part.slope * (part.station_m - gravity_m) ** 2 for part in self.parts)


def nose(shape: str, length_m: float, base_m: float, reference_m: float) -> Part:
    """Return a nose by its shape (a key of `NOSE_CENTERS`), length and base diameter, all in m.

    `reference_m` is the diameter of the cross section that slopes refer to, here and below. Source: Barrowman 1967 (from
    memory), slender-body theory: 2 per radian of the base's area for any shape.
    """
    return Part("nose", NOSE_SLOPE * (base_m / reference_m) ** 2, NOSE_CENTERS[shape] * length_m)


def transition(name: str, start_m: float, length_m: float, fore_m: float, aft_m: float, reference_m: float) -> Part:
    """Return a cone that changes the diameter from `fore_m` to `aft_m`; one that narrows pushes the other way.

    Raises ValueError when the diameters are the same: then there is nothing.
    """
    if fore_m == aft_m:
        raise ValueError("a transition between equal diameters carries nothing")
    slope = NOSE_SLOPE * ((aft_m / reference_m) ** 2 - (fore_m / reference_m) ** 2)
    ratio = fore_m / aft_m
    return Part(name, slope, start_m + length_m / 3.0 * (1.0 + (1.0 - ratio) / (1.0 - ratio * ratio)))


def fins(fin_set: FinSet, body_m: float, reference_m: float) -> Part:
    """Return a set of 3, 4 or 6 fins on a body of diameter `body_m` (m); the force acts at a quarter of the mean chord.

    Source: Barrowman 1967 (from memory): slope after Diederich, interference 1 + R / (s + R), station of trapezoids.
    """
    a, b, span, sweep = fin_set.root_m, fin_set.tip_m, fin_set.span_m, fin_set.sweep_m
    radius, middle = 0.5 * body_m, hypot(span, sweep + 0.5 * (b - a))
    beside = 1.0 + FIN_COUNTS[fin_set.count] * radius / (span + radius)
    slope = 4.0 * fin_set.count * (span / reference_m) ** 2 / (1.0 + sqrt(1.0 + (2.0 * middle / (a + b)) ** 2))
    quarter = sweep / 3.0 * (a + 2.0 * b) / (a + b) + (a + b - a * b / (a + b)) / 6.0
    return Part(fin_set.name, beside * slope, fin_set.root_leading_edge_m + quarter)


def balance(parts: Sequence[Part]) -> Balance:
    """Return the sum of parts. Raises ValueError when together they carry nothing."""
    slope = sum(part.slope for part in parts)
    if slope <= 0.0:
        raise ValueError("nothing that carries: no nose and no fins")
    return Balance(slope, sum(part.slope * part.station_m for part in parts) / slope, tuple(parts))


def margin_calibers(center_of_pressure_m: float, center_of_gravity_m: float, diameter_m: float) -> float:
    """Return the static margin in body diameters; positive when the center of pressure is behind."""
    return (center_of_pressure_m - center_of_gravity_m) / diameter_m


def cross_section_m2(diameter_m: float) -> float:
    """Return the area (m2) of the circle all slopes refer to."""
    return pi * diameter_m**2 / 4.0
