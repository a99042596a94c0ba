"""Integration against closed forms, the simulated vehicle's truth, and foreign flights with errors of their own."""

from __future__ import annotations

import numpy as np
import pytest

from protocol.units import GRAVITY_M_S2
from server.flight.inertial.believing import heading_of
from server.flight.inertial.inputs import unit_of
from server.flight.inertial.leveling import Rest, UnitErrors, at_rest, start_of
from server.flight.inertial.rotations import inverse, matrices, of_vector, product, vector_of
from server.flight.inertial.strapdown import integrate
from tests.server.flight.inertial.drawn import flight, heard, integrated
from tests.server.flight.twin_flights import heard as twin_heard
from tests.server.flight.twin_flights import imu_matrix

UP = np.array([0.0, 0.0, GRAVITY_M_S2])
NO_ERRORS = UnitErrors(1e-9, 1e-9, 1e-9, 1e-9, 1e-9, 1e-9, 1e-9)


def test_a_push_along_a_spinning_nose_gives_what_a_textbook_says() -> None:
    """20 m/s2 along the nose, leaning 10 degrees, spinning up to two turns a second: v = a t, h = a t^2 / 2."""
    t = np.arange(0.0, 8.0, 0.01)
    since, lean = np.clip(t - 5.0, 0.0, None), np.radians(10.0)
    flies = t >= 5.0
    roll = 2.0 * since**2  # 4 rad/s2
    attitude = product(of_vector(np.array([0.0, lean, 0.0])), of_vector(np.outer(roll, [0.0, 0.0, 1.0])))
    world = matrices(attitude)
    push = np.where(flies, 20.0, 0.0)[:, None] * world[:, :, 2]
    force = np.einsum("nji,nj->ni", world, push + UP)
    rates = np.outer(4.0 * since, [0.0, 0.0, 1.0])
    rest = at_rest(t, force, rates, 4.9)
    assert isinstance(rest, Rest)
    start = start_of(rest, NO_ERRORS)
    start = start_of(rest, NO_ERRORS, heading_of(attitude[:10], start.quaternion))
    track = integrate(t, force, rates, start, 4.95)
    seconds = float(t[-1]) - 5.0
    # A push that begins between two samples is in doubt by half a sample of it.
    assert track.velocity[-1] == pytest.approx(20.0 * seconds * world[-1, :, 2], abs=0.25)
    assert track.position[-1, 2] == pytest.approx(10.0 * seconds**2 * world[-1, 2, 2], rel=0.005)
    assert np.degrees(track.tilt_rad()[-1]) == pytest.approx(10.0, abs=0.02)
    assert 0.02 < track.speed_sigma_m_s()[-1, 2] < 0.2


def test_a_gyro_bias_nobody_knows_grows_as_its_doubt_says() -> None:
    """Doubt of a turn after T with a bias in doubt by s is s T; of the speed across, s g T^2 / 2 (hanging in its place)."""
    t = np.arange(0.0, 40.0, 0.02)
    force, rates = np.tile(UP, (len(t), 1)), np.zeros((len(t), 3))
    rest = at_rest(t, force, rates, 10.0)
    assert isinstance(rest, Rest)
    errors = UnitErrors(1e-3, 1e-9, 1e-9, 1e-9, 1e-9, 1e-9, 1e-9)
    track = integrate(t, force, rates, start_of(rest, errors), 10.0)
    seconds = float(track.t[-1] - rest.end_s)
    turn = np.sqrt(np.diagonal(track.turn_covariance()[-1]))
    assert turn == pytest.approx(np.full(3, 1e-3 * seconds), rel=1e-3)
    flown = float(track.t[-1]) - 10.0
    assert track.speed_sigma_m_s()[-1, 0] == pytest.approx(1e-3 * GRAVITY_M_S2 * flown**2 / 2.0, rel=0.01)
    assert track.tilt_sigma_rad()[-1] == pytest.approx(1e-3 * seconds, rel=1e-3)


def test_a_tilt_in_doubt_on_the_pad_stays_in_doubt() -> None:
    """By bias over gravity (small angles), whatever the gyros do."""
    t = np.arange(0.0, 20.0, 0.02)
    rest = at_rest(t, np.tile(UP, (len(t), 1)), np.zeros((len(t), 3)), 10.0)
    assert isinstance(rest, Rest)
    start = start_of(rest, UnitErrors(1e-9, 1e-9, 1e-9, 1e-9, 0.2, 1e-9, 1e-9))
    track = integrate(t, np.tile(UP, (len(t), 1)), np.zeros((len(t), 3)), start, 10.0)
    assert track.tilt_sigma_rad()[-1] == pytest.approx(0.2 / GRAVITY_M_S2, rel=0.01)
    # Of a hanging body both errors cancel, as they did when it was leveled: its speed stays none.
    assert track.speed_sigma_m_s()[-1, 0] < 0.05


@pytest.mark.parametrize("scenario", ["calm", "gusty-rail", "thin-link"])
def test_the_simulated_vehicle_s_flight_by_either_unit(scenario: str) -> None:
    told = twin_heard(scenario, 1)
    lift_off, apogee = told.truth["liftoff_s"], told.truth["apogee_s"]
    for unit in "ab":
        t, values, _ = imu_matrix(told.tables, unit)
        given = unit_of(t, values[:, :3], values[:, 3:], lift_off, apogee, told.truth["burnout_s"])
        assert given is not None and given.rates_until_s > apogee
        chosen = given.t <= apogee
        rest = at_rest(given.t, given.force, given.rates, lift_off - 0.3)
        assert isinstance(rest, Rest)
        start = start_of(rest, UnitErrors())
        start = start_of(rest, UnitErrors(), heading_of(told.trajectory["quaternion"][:1], start.quaternion))
        track = integrate(given.t[chosen], given.force[chosen], given.rates[chosen], start, lift_off - 0.2)
        at = np.searchsorted(told.trajectory["t_s"], track.t[-1])
        error = vector_of(product(track.quaternion[-1], inverse(told.trajectory["quaternion"][at])))
        doubt = track.covariance[-1][:3, :3] + 1e-6 * np.eye(3)
        assert error @ np.linalg.solve(doubt, error) < 11.3  # chi-square of three, 99 %
        assert np.abs(track.velocity[-1] - told.trajectory["vel"][at]) == pytest.approx(
            np.zeros(3), abs=3.0 * track.speed_sigma_m_s()[-1].max()
        )
        assert abs(track.position[-1, 2] - told.truth["apogee_m"]) < 3.0 * track.height_sigma_m()[-1] < 60.0


def test_foreign_shapes_within_their_own_doubt() -> None:
    """The wide form is `python -m tests.accuracy.strapdown`; here six flights, each looked at once."""
    weighed, tilts, climbs = [], [], []
    for seed in range(400, 412, 2):
        one = flight(seed)
        unit = heard(one)
        track = integrated(one, unit)
        end_s = min(unit.rates_until_s, one.moments["apogee_time"] - 0.1)
        at = int(np.searchsorted(track.t, end_s)) - 1
        truth = one.truth_at(track.t[at])
        error = vector_of(product(track.quaternion[at], inverse(one.quaternion[truth])))
        weighed.append(error @ np.linalg.solve(track.covariance[at][:3, :3] + 1e-8 * np.eye(3), error))
        nose = matrices(one.quaternion[truth])[:, 2]
        off = track.tilt_rad()[at] - np.arctan2(np.hypot(nose[0], nose[1]), nose[2])
        tilts.append(abs(off) / track.tilt_sigma_rad()[at])
        if end_s < unit.force_until_s:
            climbs.append(abs(track.velocity[at, 2] - one.velocity[truth, 2]) / track.speed_sigma_m_s()[at, 2])
    assert max(weighed) < 16.3 and np.median(weighed) > 0.05
    assert max(tilts) < 3.5 and max(climbs) < 3.5 and len(climbs) > 2
