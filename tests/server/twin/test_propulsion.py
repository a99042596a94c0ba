"""The motor and mass properties against integrals and the parallel-axis theorem."""

from __future__ import annotations

import numpy as np
import pytest

from server.twin import propulsion
from server.twin.sandpiper import BodyNumbers, MotorNumbers

MOTOR, BODY = MotorNumbers(), BodyNumbers()


def test_impulse_is_the_area_under_the_curve() -> None:
    times = np.linspace(0.0, 1.6, 160001)
    thrust = [propulsion.thrust_n(MOTOR, float(t)) for t in times[::100]]
    assert propulsion.total_impulse_n_s(MOTOR) == pytest.approx(np.trapezoid(thrust, times[::100]), rel=1e-4)


def test_burn_uses_up_the_propellant() -> None:
    table = propulsion.burn_table(MOTOR, BODY, 0.0025)
    assert table[0].mass_kg == pytest.approx(BODY.dry_mass_kg + MOTOR.propellant_kg)
    assert table[0].mass_kg == pytest.approx(1.62)  # at lift-off: tests/SOURCES.md, sandpiper-mass
    assert table[-1].mass_kg == BODY.dry_mass_kg and table[-1].thrust_n == 0.0
    masses = [point.mass_kg for point in table]
    assert masses == sorted(masses, reverse=True)
    # Mass lost is the integral of the flow.
    lost = sum(point.flow_kg_s for point in table) * 0.0025
    assert lost == pytest.approx(MOTOR.propellant_kg, rel=1e-3)


def test_center_moves_forward_and_inertia_falls() -> None:
    table = propulsion.burn_table(MOTOR, BODY, 0.0025)
    assert table[0].center_m - table[-1].center_m > 0.01
    assert table[-1].center_m == pytest.approx(BODY.dry_center_m)
    assert table[0].lateral_inertia_kg_m2 > table[-1].lateral_inertia_kg_m2
    assert table[-1].lateral_inertia_kg_m2 == pytest.approx(BODY.dry_lateral_inertia_kg_m2)


def test_inertia_of_two_bodies_by_reduced_mass() -> None:
    # Two points turn about their common center with m1 m2/(m1 + m2) d^2 (textbook), plus each one's own inertia.
    point = propulsion.mass_point(MOTOR, BODY, 0.0, 0.0)
    reduced = BODY.dry_mass_kg * MOTOR.propellant_kg / point.mass_kg
    apart = MOTOR.propellant_center_m - BODY.dry_center_m
    own = BODY.dry_lateral_inertia_kg_m2 + MOTOR.propellant_kg * BODY.propellant_length_m**2 / 12.0
    assert point.lateral_inertia_kg_m2 == pytest.approx(own + reduced * apart**2)


def test_thrust_to_weight_is_above_five() -> None:
    mean = propulsion.total_impulse_n_s(MOTOR) / MOTOR.thrust_n[-1][0]
    assert mean / (1.62 * 9.80665) > 5.0
