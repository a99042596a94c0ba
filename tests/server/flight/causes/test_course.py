"""The window after the rail, and what thrust, rail and roll make of it, by hand."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest

from server.flight.causes.airframe import Body
from server.flight.causes.course import Course, Evidence, course_of, drive_of, exit_with, tilt_of
from server.flight.unmeasured import Unmeasured

G = 9.80665
BODY = Body(
    diameter_m=0.06, length_m=1.2, slope=9.0, pressure_center_m=0.9, fin_slope=7.0, fin_m=1.1, lift=10.0, mass_kg=(1.6, 1.5),
    gravity_m=(0.76, 0.74), inertia_kg_m2=(0.17, 0.16), drag=0.0,
)  # fmt: skip
T = np.arange(8.0, 14.0, 0.05)


def evidence(burnout_s: float | None = 11.5, thrust_m_s2: float = 60.0, roll_rad_s: float = 0.0) -> Evidence:
    """Return a flight straight up from 10 s on, on a rail of 2 m."""
    moving = np.maximum(T - 10.0, 0.0)
    exit_s = 10.0 + sqrt(4.0 / (thrust_m_s2 - G))
    roll = roll_rad_s * np.maximum(T - exit_s, 0.0)
    count = len(T)
    force_t = np.arange(8.0, 14.0, 0.01)
    return Evidence(
        t=T,
        nose=np.tile([0.0, 0.0, 1.0], (count, 1)),
        body_x=np.column_stack([np.cos(roll), np.sin(roll), 0 * roll]),
        rate=np.column_stack([0 * roll, 0 * roll, np.full(count, roll_rad_s)]),
        velocity=np.column_stack([0 * T, 0 * T, (thrust_m_s2 - G) * moving]),
        force_t=force_t,
        force=np.where(force_t < 10.0, G, thrust_m_s2),
        fin_t=np.zeros(0),
        fin_sums=np.zeros((0, 2)),
        lift_off_s=10.0,
        exit_s=exit_s,
        exit_m_s=sqrt(4.0 * (thrust_m_s2 - G)),
        exit_sigma_m_s=0.2,
        rail_m=2.0,
        burnout_s=burnout_s,
        density_kg_m3=1.2,
    )


def course(seen: Evidence) -> Course:
    found = course_of(seen)
    assert isinstance(found, Course)
    return found


@pytest.mark.parametrize(("burnout_s", "ends"), [(11.5, 1.5), (12.9, 2.62), (10.5, 1.5), (None, 3.0)])
def test_the_window_ends_at_burnout_within_bounds(burnout_s: float | None, ends: float) -> None:
    assert course(evidence(burnout_s)).end_s == pytest.approx(ends, abs=0.06)


def test_lean_is_told_at_burnout_or_two_seconds_after_the_rail() -> None:
    seen = evidence(11.5)
    assert course(seen).at_s == pytest.approx(11.5 - seen.exit_s)
    assert course(evidence(13.5)).at_s == 2.0


def test_a_nose_that_left_its_path_ends_the_window() -> None:
    seen = evidence()
    nose = seen.nose.copy()
    nose[seen.t > seen.exit_s + 0.7] = [1.0, 0.0, 0.0]
    cut = course(replace(seen, nose=nose))
    assert cut.is_cut and 0.5 < cut.end_s <= 0.75 and cut.at_s <= cut.end_s


@pytest.mark.parametrize(
    ("hidden", "reason"),
    [(lambda s: s.t < s.exit_s, "on the rail"), (lambda s: s.t > s.exit_s, "after the rail"),
     (lambda s: (s.t > s.exit_s) & (s.t < s.exit_s + 0.4), "too little")],
)  # fmt: skip
def test_what_was_not_heard_is_told(hidden: object, reason: str) -> None:
    seen = evidence()
    nose = seen.nose.copy()
    nose[hidden(seen)] = np.nan
    found = course_of(replace(seen, nose=nose))
    assert isinstance(found, Unmeasured) and reason in found.reason


def test_more_thrust_leaves_the_rail_sooner_and_faster() -> None:
    """Constant thrust: v = sqrt(2 a L), t = sqrt(2 L / a)."""
    seen = evidence()
    t, speed = exit_with(seen, BODY, 1.5)
    assert speed == pytest.approx(sqrt(4.0 * (90.0 - G)), rel=0.01)
    assert t == pytest.approx(10.0 + sqrt(4.0 / (90.0 - G)), abs=0.01)


def test_the_drive_carries_mass_levers_and_thrust_of_its_time() -> None:
    seen = evidence()
    drive = drive_of(seen, course(seen), BODY)
    assert drive.burned[0] == pytest.approx((seen.exit_s - 10.0) / 1.6, abs=0.04) and drive.burned[-1] == pytest.approx(
        1.0, abs=0.1
    )
    assert drive.lever_m[0] == pytest.approx(0.14 + 0.02 * drive.burned[0]) and drive.thrust_m_s2[2] == pytest.approx(60.0)
    assert drive.moment[0] == pytest.approx(0.6 * BODY.area_m2 / (0.17 - 0.01 * drive.burned[0]), rel=1e-3)
    half = drive_of(seen, course(seen), BODY, thrust_times=0.5)
    assert half.thrust_m_s2[2] == pytest.approx(30.0)


def test_a_roll_can_be_left_out() -> None:
    seen = evidence(roll_rad_s=4.0)
    rolls, stands = (drive_of(seen, course(seen), BODY, roll_stands=one) for one in (False, True))
    angle = np.unwrap(np.arctan2(rolls.body_x[:, 1], rolls.body_x[:, 0]))
    since = rolls.half_s * np.arange(len(angle))
    assert np.diff(angle).mean() == pytest.approx(4.0 * rolls.half_s, rel=0.03) and angle[-1] == pytest.approx(
        4.0 * since[-1], abs=0.15
    )
    assert stands.body_x == pytest.approx(np.tile(stands.body_x[0], (len(angle), 1)))


def test_a_tilt_is_an_angle_from_the_vertical() -> None:
    assert np.degrees(tilt_of(np.array([0.5, 0.0, sqrt(0.75)]))) == pytest.approx(30.0)


def test_damping_of_a_body_is_nose_and_fins() -> None:
    """Slope 2 where the center of pressure of all wants it: (9 x 0.9 - 7 x 1.1) / 2 = 0.2 m."""
    assert BODY.damping_m2 == pytest.approx(7.0 * 0.35**2 + 2.0 * 0.55**2)
