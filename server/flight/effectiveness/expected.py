"""What the fins' shape promises: turning by Barrowman's slope of the set (J. S. Barrowman, 1967; see `barrowman`).

A fin turned by d pushes like one that meets the air at d: `share` is how much of that the movable part gives (1 for a fin
that turns whole). With S the cross section, C the slope of the whole set per radian, of which each of n fins bears 2/n
across, and y the spanwise middle of a fin from the axis:

    roll  2 S C share y / roll inertia        pitch, yaw  S C share (fins' station - center of gravity) / lateral inertia

in rad/s2 per Pa and radian of a mode (`modes`).
"""

from __future__ import annotations

from dataclasses import dataclass

from server.flight.airframe.barrowman import FinSet, cross_section_m2, fins


@dataclass(frozen=True, slots=True)
class Expected:
    """Effectiveness in rad/s2 per Pa and rad; None where the sheet lacks what it takes."""

    roll: float | None = None
    across: float | None = None

    def of(self, axis: str) -> float | None:
        """Return that of an axis' own mode."""
        return self.roll if axis == "roll" else self.across


def fin_middle_m(fin_set: FinSet, body_m: float) -> float:
    """Return the spanwise middle of a fin's area from the body's axis, m (centroid of a trapezoid)."""
    a, b = fin_set.root_m, fin_set.tip_m
    return 0.5 * body_m + fin_set.span_m / 3.0 * (a + 2.0 * b) / (a + b)


def expected(
    fin_set: FinSet,
    diameter_m: float,
    share: float,
    *,
    center_of_gravity_m: float | None = None,
    roll_inertia_kg_m2: float | None = None,
    lateral_inertia_kg_m2: float | None = None,
) -> Expected:
    """Return what the set promises; lengths in m from the nose tip, inertia in kg m2 about the center of gravity."""
    part = fins(fin_set, diameter_m, diameter_m)
    whole = cross_section_m2(diameter_m) * part.slope * share
    roll = across = None
    if roll_inertia_kg_m2 is not None:
        roll = 2.0 * whole * fin_middle_m(fin_set, diameter_m) / roll_inertia_kg_m2
    if lateral_inertia_kg_m2 is not None and center_of_gravity_m is not None:
        across = whole * (part.station_m - center_of_gravity_m) / lateral_inertia_kg_m2
    return Expected(roll, across)
