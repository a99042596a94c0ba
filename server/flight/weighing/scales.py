"""Mass and center of gravity of a body that lies on two scales.

Each carries its share: m = F + R, x = (F f + R r) / m, with the readings F and R in kg at f and r in m from the nose tip.
Source: equilibrium of moments, any textbook of mechanics (tests/SOURCES.md, two-scale-weighing).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from protocol.errors import Problem
from server.flight.weighing.pendulum import Measured


class ScalesProblem(Problem):
    """A weighing that cannot be; the text is one plain sentence."""


@dataclass(frozen=True)
class Weighed:
    """Mass in kg and center of gravity in m from the nose tip."""

    mass: Measured
    center: Measured


def reading(values: Sequence[float], scale_sigma_kg: float) -> Measured:
    """Return one scale's reading (kg) of repeated weighings: its own doubt stays, their scatter shrinks by the root."""
    kg = np.asarray(values, dtype=np.float64)
    scatter = float(np.std(kg, ddof=1)) / sqrt(len(kg)) if len(kg) > 1 else 0.0
    return Measured(float(kg.mean()), hypot(scale_sigma_kg, scatter))


def weighed(front: Measured, rear: Measured, front_m: Measured, rear_m: Measured) -> Weighed:
    """Return mass and center of gravity; errors of the readings and the places are taken as independent.

    Raises ScalesProblem for a scale that carries nothing and for places in the wrong order.
    """
    if front.value <= 0.0 or rear.value <= 0.0:
        raise ScalesProblem("Both scales must carry something: the center of gravity lies between them.")
    if not rear_m.value > front_m.value:
        raise ScalesProblem("The rear scale stands behind the front one, both in meters from the nose tip.")
    mass = front.value + rear.value
    center = (front.value * front_m.value + rear.value * rear_m.value) / mass
    parts = (
        front.sigma * (front_m.value - center) / mass,
        rear.sigma * (rear_m.value - center) / mass,
        front_m.sigma * front.value / mass,
        rear_m.sigma * rear.value / mass,
    )
    return Weighed(Measured(mass, hypot(front.sigma, rear.sigma)), Measured(center, hypot(*parts)))
