"""Many flights at once against the simulated vehicle's own motion, flight by flight, and against closed forms.

The simulated vehicle steps 5 ms in plain floats and leaves its rail at the first step beyond the end, so that its exit may
be 0.09 m late: 0.35 m/s of speed, whence the tolerances. Both were written from the same equations: the agreement shows that
the arrays are right, not the equations. The closed form is that of tests/SOURCES.md, coast.
"""

from __future__ import annotations

from dataclasses import replace
from math import atan, cos, log, sqrt

import numpy as np
import pytest

from protocol.units import GRAVITY_M_S2
from server.flight.airframe.thrust_curve import curve_of
from server.flight.dispersion.ascent import climb, step_for
from server.twin.sandpiper import Number, Vehicle, changed
from tests.server.flight.dispersion.twins import flown, lot_of

AIRS: dict[str, dict[str, Number]] = {
    "still": {"wind.speed_at_10_m_m_s": 0.0},
    "steady wind": {"wind.speed_at_10_m_m_s": 5.0},
    "gust": {"wind.speed_at_10_m_m_s": 4.5, "wind.gust.peak_m_s": 14.0, "wind.gust.hold_s": 1.5},
}


def drawn_vehicles(air: str, count: int) -> list[Vehicle]:
    """Return vehicles of other motors, masses, drags, rails and faults each, in one kind of air without eddies."""
    random = np.random.default_rng(len(air))
    return [
        changed(
            Vehicle(),
            {
                "wind.turbulence_m_s": 0.0,
                **AIRS[air],
                "rail.tilt_deg": random.uniform(0.0, 6.0),
                "rail.azimuth_deg": random.uniform(0.0, 360.0),
                "motor.thrust_factor": random.uniform(0.75, 1.1),
                "motor.misalignment_deg": random.uniform(0.0, 0.3),
                "fins.misalignment_rad": random.uniform(-0.004, 0.004),
                "body.dry_mass_kg": random.uniform(1.4, 1.7),
                "body.drag_coast": random.uniform(0.4, 0.8),
            },
        )
        for _ in range(count)
    ]


@pytest.mark.parametrize("air", AIRS)
def test_each_flight_is_the_simulated_vehicles(air: str) -> None:
    vehicles = drawn_vehicles(air, 4)
    found = climb(lot_of(vehicles), np.random.default_rng(0))
    for index, vehicle in enumerate(vehicles):
        twin = flown(vehicle, open_after_s=None)
        assert found.exit_speed_m_s[index] == pytest.approx(twin.exit_speed_m_s, abs=0.36)
        assert found.exit_attack_rad[index] == pytest.approx(twin.exit_attack_rad, abs=np.radians(0.5))
        assert found.lean_rad[index] == pytest.approx(twin.lean_rad, abs=np.radians(0.4))
        assert found.apogee_m[index] == pytest.approx(twin.apogee_m, rel=0.003)
        assert found.apogee_s[index] == pytest.approx(twin.apogee_s, abs=0.02)
        assert found.ground_m[0, index] == pytest.approx(twin.east_m, abs=2.0)
        assert found.ground_m[1, index] == pytest.approx(twin.north_m, abs=2.0)


def test_straight_up_it_is_the_closed_form() -> None:
    """Constant thrust, mass and density: v = sqrt(a/k) tanh(sqrt(a k) t) and the coast ln(1 + k v^2/g)/(2 k)."""
    lot = lot_of([changed(Vehicle(), {"rail.tilt_deg": 0.0, "motor.misalignment_deg": 0.0, "wind.speed_at_10_m_m_s": 0.0})])
    burn_s, thrust_n = 3.0, 60.0
    lot = replace(
        lot,
        curve=curve_of([(0.0, thrust_n), (burn_s, thrust_n)]),
        impulse_factor=np.ones(1),
        burn_factor=np.ones(1),
        propellant_kg=np.full(1, 1e-9),
        powered_drag=np.ones(1),
        temperature_k=np.full(1, 1e9),  # the air as thick at any height
        winds=replace(lot.winds, eddy_m_s=np.zeros(1)),
    )
    found = climb(lot, np.random.default_rng(0))
    mass = lot.dry_mass_kg[0]
    k = 0.5 * lot.density_kg_m3[0] * lot.area_m2 * lot.drag[0] / mass
    a = thrust_n / mass - GRAVITY_M_S2
    speed = sqrt(a / k) * np.tanh(sqrt(a * k) * burn_s)
    burnt_m = log(np.cosh(sqrt(a * k) * burn_s)) / k
    coast_m = log(1.0 + k * speed**2 / GRAVITY_M_S2) / (2.0 * k)
    coast_s = atan(speed * sqrt(k / GRAVITY_M_S2)) / sqrt(GRAVITY_M_S2 * k)
    assert found.fastest_m_s[0] == pytest.approx(speed, rel=0.004)
    assert found.apogee_m[0] == pytest.approx(burnt_m + coast_m, rel=0.004)
    assert found.apogee_s[0] == pytest.approx(burn_s + coast_s, abs=0.02)
    assert np.abs(found.ground_m).max() < 1e-6


def test_drag_rises_with_the_mach_number() -> None:
    lot = lot_of([Vehicle(), Vehicle()])
    rising = replace(lot, factor_mach=np.array([[0.0, 0.05, 10.0], [1.0, 2.0, 2.0]]), mach_rise=np.array([0.0, 1.0]))
    doubled = replace(lot, drag=lot.drag * np.array([1.0, 2.0]))
    one, two = (climb(which, np.random.default_rng(0)).apogee_m for which in (rising, doubled))
    assert one[0] == two[0]
    assert one[1] == pytest.approx(two[1], rel=0.01)


def test_one_that_never_leaves_its_rail_is_said_and_spoils_no_other() -> None:
    weak = changed(Vehicle(), {"motor.thrust_factor": 0.1})
    found = climb(lot_of([Vehicle(), weak]), np.random.default_rng(0))
    alone = climb(lot_of([Vehicle()]), np.random.default_rng(0))
    assert found.left.tolist() == [True, False]
    assert np.isnan(found.apogee_m[1]) and np.isnan(found.ground_m[:, 1]).all()
    assert found.exit_speed_m_s[0] == pytest.approx(alone.exit_speed_m_s[0])
    assert np.isfinite(found.apogee_m[0])


def test_a_stiff_vehicle_gets_smaller_steps_and_stays_finite() -> None:
    lot = lot_of([Vehicle()])
    stiff = replace(lot, dry_inertia_kg_m2=lot.dry_inertia_kg_m2 / 30.0)
    assert step_for(stiff) < 0.9 * step_for(lot)
    found = climb(stiff, np.random.default_rng(0))
    assert found.apogee_m[0] == pytest.approx(climb(lot, np.random.default_rng(0)).apogee_m[0], rel=0.05)
    assert cos(found.lean_rad[0]) > 0.9
