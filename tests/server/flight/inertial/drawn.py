"""A flight of `tests/accuracy/turning_flights.py` and a unit of it integrated, for the tests of this folder."""

from __future__ import annotations

from functools import cache

import numpy as np

from server.flight.inertial.believing import heading_of
from server.flight.inertial.inputs import Unit, unit_of
from server.flight.inertial.leveling import Rest, UnitErrors, at_rest, start_of
from server.flight.inertial.strapdown import Strapdown, integrate
from tests.accuracy.turning_flights import TurningFlight, draw_flight

BEFORE_S = 0.2


@cache
def flight(seed: int) -> TurningFlight:
    """Return a drawn flight, drawn once."""
    return draw_flight(seed)


def heard(one: TurningFlight, name: str = "a") -> Unit:
    """Return one of its units, cleaned."""
    given = one.units[name]
    lift_off, apogee = one.moments["lift_off"], one.moments["apogee_time"]
    unit = unit_of(given.t, given.force, given.rates, lift_off - BEFORE_S, apogee, one.moments["burnout"])
    assert unit is not None
    return unit


def integrated(one: TurningFlight, unit: Unit) -> Strapdown:
    """Return the unit integrated, its heading on the pad the true one."""
    before = one.moments["lift_off"] - BEFORE_S
    rest = at_rest(unit.t, unit.force, unit.rates, before - 0.1)
    assert isinstance(rest, Rest)
    errors = UnitErrors()
    heading = heading_of(one.quaternion[:50], start_of(rest, errors).quaternion)
    return integrate(unit.t, unit.force, unit.rates, start_of(rest, errors, heading), before)


def turned(attitude: np.ndarray, about: np.ndarray) -> np.ndarray:
    """Return attitudes (n, 4) turned in world axes by a rotation vector (3,)."""
    from server.flight.inertial.rotations import of_vector, product

    return product(of_vector(about), attitude)
