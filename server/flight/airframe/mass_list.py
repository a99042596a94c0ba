"""Mass, center of gravity and pitch inertia of a list of pieces: sums and the parallel-axis theorem, nothing else.

A piece is a thin rod along the axis of the length it is given (zero: a point). What its width adds, m r^2 / 4, is less than
1 % of a slender vehicle's pitch inertia and is left out. Stations in m from the nose tip, SI units.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Piece:
    """One line of the list: mass in kg, its middle's station and its length along the axis in m."""

    name: str
    mass_kg: float
    station_m: float
    length_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Sum:
    """All pieces together: mass in kg, center of gravity in m, inertia across the axis about it in kg m2."""

    mass_kg: float
    center_m: float
    lateral_inertia_kg_m2: float


def summed(pieces: Iterable[Piece]) -> Sum:
    """Return the sum. Raises ValueError when there is no mass.

    Source: parallel-axis theorem and m l^2 / 12 of a thin rod, any textbook of mechanics.
    """
    pieces = tuple(pieces)
    mass = sum(piece.mass_kg for piece in pieces)
    if mass <= 0.0:
        raise ValueError("no mass")
    center = sum(piece.mass_kg * piece.station_m for piece in pieces) / mass
    inertia = sum(piece.mass_kg * ((piece.station_m - center) ** 2 + piece.length_m**2 / 12.0) for piece in pieces)
    return Sum(mass, center, inertia)
