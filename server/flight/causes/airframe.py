"""What the fit needs to know of the vehicle: where it is pushed and what it weighs, at lift-off and at burnout."""

from __future__ import annotations

from dataclasses import dataclass

from server.flight.airframe.barrowman import cross_section_m2

USUAL_DRAG = 0.6  # coefficient by the cross section; common practice, no source


@dataclass(frozen=True, kw_only=True)
class Body:
    """Sizes and slopes by the cross section of `diameter_m`, stations from the nose tip in m; pairs: lift-off, burnout.

    `damping_m2` is the sum of slope x (station - center of gravity)^2; `lift` the body's own, per radian squared.
    """

    diameter_m: float
    length_m: float
    slope: float
    pressure_center_m: float
    fin_slope: float
    fin_m: float
    lift: float
    mass_kg: tuple[float, float]
    gravity_m: tuple[float, float]
    inertia_kg_m2: tuple[float, float]
    drag: float = USUAL_DRAG

    @property
    def area_m2(self) -> float:
        """Cross section."""
        return cross_section_m2(self.diameter_m)

    @property
    def damping_m2(self) -> float:
        """Sum of slope x (station - center of gravity)^2 over nose and fins, half-way through the burn."""
        middle = 0.5 * sum(self.gravity_m)
        rest = self.slope - self.fin_slope
        # What is not the fins' sits where the center of pressure of all wants it.
        nose_m = (self.slope * self.pressure_center_m - self.fin_slope * self.fin_m) / rest if rest > 0.1 else middle
        return self.fin_slope * (self.fin_m - middle) ** 2 + max(rest, 0.0) * (nose_m - middle) ** 2
