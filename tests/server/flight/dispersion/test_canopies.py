"""The way down: terminal speed, drift, a hard opening, and the simulated vehicle's two bodies on their cord.

The opening at speed is integrated a second time by scipy. Terminal speed: tests/SOURCES.md, terminal-speed.
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.dispersion.ascent import Ascents, climb
from server.flight.dispersion.canopies import Canopies, at_times, descend
from server.flight.dispersion.lot import Lot
from server.twin.sandpiper import Vehicle
from tests.server.flight.dispersion.test_ascent import drawn_vehicles
from tests.server.flight.dispersion.twins import canopies_of, flown, lot_of

ONE = np.ones(1)


def dropped(velocity: tuple[float, float, float], up_m: float) -> Ascents:
    """Return one flight that is known at a single moment, 1 s after ignition."""
    course = np.array([[0.0, 0.0, up_m, *velocity]])[..., None].repeat(2, axis=0)
    return Ascents(
        left=ONE > 0.0,
        lift_off_s=ONE,
        exit_s=ONE,
        exit_speed_m_s=ONE,
        exit_attack_rad=ONE,
        lean_rad=ONE,
        apogee_m=up_m * ONE,
        apogee_s=ONE,
        fastest_m_s=ONE,
        ground_m=np.zeros((2, 1)),
        ground_s=1e9 * ONE,
        t=np.ones((2, 1)),
        course=course,
    )


def even_air(wind_m_s: float = 0.0) -> Lot:
    """Return one vehicle in air as thick at any height and a wind to the north that does not change."""
    lot = lot_of([Vehicle()], eddies=False)
    calm = replace(lot.winds, factor=np.zeros(1))
    mean = replace(calm.mean, east_m_s=np.zeros(200), north_m_s=np.full(200, wind_m_s))
    return replace(lot, temperature_k=np.full(1, 1e9), winds=replace(calm, mean=mean, factor=ONE))


def opening(area_m2: float, opening_s: float = 1e-3) -> Canopies:
    return Canopies(ONE, 0.02 * ONE, area_m2 * ONE, opening_s * ONE)


def test_it_falls_at_the_terminal_speed_and_drifts_with_the_wind() -> None:
    lot = even_air(4.0)
    ground, rate = descend(lot, dropped((0.0, 4.0, 0.0), 300.0), opening(0.9), np.random.default_rng(0))
    terminal = sqrt(2.0 * lot.dry_mass_kg[0] * GRAVITY_M_S2 / (lot.density_kg_m3[0] * 0.9))
    assert rate[0] == pytest.approx(terminal, rel=1e-4)
    # From rest it falls v^2/g ln cosh(g t/v) in t (tests/SOURCES.md, coast, downward): v^2/g ln 2 behind the steady fall.
    seconds = 300.0 / terminal + terminal / GRAVITY_M_S2 * np.log(2.0)
    assert ground[1, 0] == pytest.approx(4.0 * seconds, rel=0.003)
    assert abs(ground[0, 0]) < 1e-9


def test_a_canopy_that_opens_at_speed_is_what_an_integrator_has() -> None:
    lot, start = even_air(3.0), (25.0, 0.0, 30.0)
    ground, _ = descend(lot, dropped(start, 200.0), opening(0.9, 0.6), np.random.default_rng(0))
    factor = 0.5 * lot.density_kg_m3[0] / lot.dry_mass_kg[0]

    def rate(t: float, s: Floats) -> list[float]:
        air = s[3:] - np.array([0.0, 3.0, 0.0])
        pull = factor * (0.02 + 0.88 * min(1.0, t / 0.6) ** 3) * np.linalg.norm(air) * air
        return [*s[3:], -pull[0], -pull[1], -pull[2] - GRAVITY_M_S2]

    def hits(t: float, s: Floats) -> float:
        return float(s[2])

    hits.terminal = True  # type: ignore[attr-defined]
    exact = solve_ivp(rate, (0.0, 300.0), [0.0, 0.0, 200.0, *start], rtol=1e-9, atol=1e-9, events=hits, max_step=0.1)
    assert ground[:, 0] == pytest.approx(exact.y[:2, -1], abs=0.3)


@pytest.mark.parametrize("charges", [(True, True), (True, False)])
@pytest.mark.parametrize("air", ["still", "steady wind", "gust"])
def test_each_lands_where_the_simulated_vehicle_does(air: str, charges: tuple[bool, bool]) -> None:
    """Within 4 m and 2 % of its way: the station has one mass where the simulated vehicle has two on a cord."""
    vehicles = drawn_vehicles(air, 2)
    lot = lot_of(vehicles)
    found = climb(lot, np.random.default_rng(0))
    canopies = canopies_of(vehicles, found.apogee_s + 0.1, *charges)
    ground, _ = descend(lot, found, canopies, np.random.default_rng(0))
    for index, vehicle in enumerate(vehicles):
        twin = flown(vehicle, charges=charges)
        apart = np.hypot(ground[0, index] - twin.east_m, ground[1, index] - twin.north_m)
        assert apart < 4.0 + 0.02 * np.hypot(twin.east_m, twin.north_m)


def test_one_that_opens_in_the_climb_lands_where_the_simulated_vehicle_does() -> None:
    vehicles = drawn_vehicles("steady wind", 2)
    lot = lot_of(vehicles)
    found = climb(lot, np.random.default_rng(0))
    early_s = found.apogee_s - 2.0
    ground, _ = descend(lot, found, canopies_of(vehicles, early_s), np.random.default_rng(0))
    for index, vehicle in enumerate(vehicles):
        twin = flown(vehicle, open_after_s=None, open_at_s=float(early_s[index]))
        apart = np.hypot(ground[0, index] - twin.east_m, ground[1, index] - twin.north_m)
        assert apart < 4.0 + 0.03 * np.hypot(twin.east_m, twin.north_m)


def test_what_opens_after_the_ground_was_met_changes_nothing() -> None:
    vehicles = [Vehicle()]
    lot = lot_of(vehicles)
    found = climb(lot, np.random.default_rng(0))
    ground, _ = descend(lot, found, canopies_of(vehicles, found.ground_s + 1.0), np.random.default_rng(0))
    assert (ground == found.ground_m).all()


def test_between_moments_place_follows_the_velocities() -> None:
    """A parabola is met exactly."""
    fall = dropped((3.0, 0.0, 10.0), 50.0)
    t = np.array([[0.0], [2.0]])
    course = np.array([[0.0, 0.0, 50.0, 3.0, 0.0, 10.0], [6.0, 0.0, 50.0 + 20.0 - 19.6133, 3.0, 0.0, 10.0 - 19.6133]])[
        ..., None
    ]
    found = at_times(replace(fall, t=t, course=course), np.array([0.7]))
    assert found[:, 0] == pytest.approx([2.1, 0.0, 50.0 + 7.0 - 0.5 * 9.80665 * 0.49, 3.0, 0.0, 10.0 - 0.7 * 9.80665])
