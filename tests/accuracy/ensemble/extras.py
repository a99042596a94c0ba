"""Vehicles with what few have: a second motor, a canopy that opens in the coast, a cord that parts under canopy.

They are drawn beside the ensemble's other vehicles, with numbers of their own, so that those stay as they were. Invented.
"""

from __future__ import annotations

import random
from dataclasses import replace
from math import sqrt

from tests.accuracy.ensemble.motion import DoesNotFly, G, SecondMotor, Vehicle

STAGED, EARLY, PARTED = "staged", "early", "parted"
EXTRAS = (STAGED, EARLY, PARTED)


def with_extra(vehicle: Vehicle, kind: str, target_m: float, extra: str, draw: random.Random) -> tuple[Vehicle, str]:
    """Return a drawn vehicle with its extra, and how it comes down; raises DoesNotFly where it makes no sense."""
    if vehicle.is_steered or target_m < 150.0:
        raise DoesNotFly
    if extra == STAGED:
        return replace(vehicle, second=_second(vehicle, target_m, draw)), kind
    under = kind if kind == "dual" else "single"
    if extra == EARLY:
        fastest = 0.6 * sqrt(2.0 * G * target_m)
        return replace(vehicle, opens_climb_m_s=draw.uniform(25.0, max(30.0, min(90.0, fastest)))), under
    highest = min(target_m, vehicle.main_at_m) if under == "dual" else target_m
    parts = replace(vehicle, parts_at_m=highest * draw.uniform(0.35, 0.75), kept_share=draw.uniform(0.2, 0.6))
    return parts, under


def _second(vehicle: Vehicle, target_m: float, draw: random.Random) -> SecondMotor:
    """Return a motor that gives a quarter to two thirds of the speed the height takes, with a booster in half of them."""
    gains = draw.uniform(0.25, 0.65) * 1.2 * sqrt(2.0 * G * target_m)
    ratio = draw.uniform(3.0, 12.0)
    burn_s = gains / ((ratio - 1.0) * G)
    thrust_n = ratio * vehicle.dry_kg * G
    return SecondMotor(
        after_s=draw.uniform(0.4, 3.5),
        burn_s=burn_s,
        thrust_n=thrust_n,
        fuel_kg=min(thrust_n * burn_s / vehicle.exhaust_m_s, vehicle.dry_kg),
        dropped_kg=vehicle.dry_kg * draw.uniform(0.2, 0.8) if draw.random() < 0.5 else 0.0,
    )
