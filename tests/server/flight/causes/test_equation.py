"""The equation against closed forms and scipy's integrator."""

from __future__ import annotations

from math import cosh, pi, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from server.flight.causes.equation import flown
from tests.server.flight.causes.pitch_drives import drive, terms

G = 9.80665
# tests/SOURCES.md, weathercock: body of 54 mm, slope 9 (nose 2 at 0.35 m ahead, fins 7 at 0.20 m behind), I 0.03 kg m2.
AREA_M2 = pi * 0.054**2 / 4.0
MOMENT = 0.5 * 1.225 * AREA_M2 / 0.03
LEVER_M = (7 * 0.20 - 2 * 0.35) / 9
DAMPING_M2 = 2 * 0.35**2 + 7 * 0.20**2


def east(**numbers: object) -> tuple[np.ndarray, np.ndarray]:
    """Return times and the nose's tilt to the east of a vehicle held at 50 m/s by its thrust."""
    made = drive(moment=MOMENT, slope=9.0, thrust_m_s2=G, **{k: v for k, v in numbers.items() if k == "lever_m"})
    start = terms(0.001, **{k: v for k, v in numbers.items() if k != "lever_m"})
    nose = flown(made, start)[0]
    return made.t_s, np.arctan2(nose[:, 0, 0], nose[:, 2, 0])


def test_a_stable_one_swings_with_the_published_frequency_and_damping() -> None:
    """1.4397 Hz and 0.06784 at 50 m/s (tests/SOURCES.md, weathercock)."""
    t, tilt = east(lever_m=LEVER_M, damping_m2=np.array([DAMPING_M2]))
    w, z = 2 * pi * 1.4397, 0.06784
    damped = w * sqrt(1 - z * z)
    wanted = 0.001 * np.exp(-z * w * t) * (np.cos(damped * t) + z / sqrt(1 - z * z) * np.sin(damped * t))
    assert tilt == pytest.approx(wanted, abs=6e-5), "what thrust does to the path is 5 % of it"


def test_an_unstable_one_grows_as_the_closed_form_says() -> None:
    t, tilt = east(lever_m=-0.03)
    k = sqrt(MOMENT * 9.0 * 0.03) * 50.0
    assert tilt[-1] == pytest.approx(0.001 * cosh(k * t[-1]), rel=0.12)
    assert tilt[-1] > 0.01


def test_thrust_beside_the_axis_turns_it_with_constant_acceleration_without_air() -> None:
    made = drive(thrust_m_s2=80.0, thrust_turn_1_m=4.0)
    nose = flown(made, terms(thrust_line=np.array([[0.002], [0.0]])))[0]
    wanted = -0.5 * 80.0 * 4.0 * 0.002 * made.t_s**2  # the push is behind: to the east at the tail turns the nose west
    assert np.arctan2(nose[:, 0, 0], nose[:, 2, 0]) == pytest.approx(wanted, abs=1e-4)


def test_a_push_fixed_in_the_body_goes_round_with_the_roll() -> None:
    made = drive(thrust_m_s2=80.0, thrust_turn_1_m=4.0)
    angle = 20.0 * made.half_s * np.arange(len(made.thrust_m_s2))
    turning = {
        "body_x": np.column_stack([np.cos(angle), np.sin(angle), 0 * angle]),
        "body_y": np.column_stack([-np.sin(angle), np.cos(angle), 0 * angle]),
    }
    nose = flown(drive(thrust_m_s2=80.0, thrust_turn_1_m=4.0, **turning), terms(thrust_line=np.array([[0.002], [0.0]])))[0]
    # a cos(20 t) integrated twice from rest: (1 - cos) a / 400 along east; a (t / 20 - sin / 400) along north.
    a, t = -0.64, made.t_s
    assert nose[:, 0, 0] == pytest.approx(a * (1 - np.cos(20 * t)) / 400, abs=2e-5)
    assert nose[:, 1, 0] == pytest.approx(a * (t / 20 - np.sin(20 * t) / 400), abs=2e-4)


@pytest.mark.parametrize("lever_m", [0.08, -0.04])
def test_a_large_turn_in_wind_is_the_one_of_scipy_and_a_plain_plane(lever_m: float) -> None:
    """The same forces written with angles in one plane, by scipy's integrator."""
    force, lift, wind = 0.0012, 3.0, 9.0

    def change(_: float, y: np.ndarray) -> list[float]:
        tilt, rate, across, up = y
        c, s = np.cos(tilt), np.sin(tilt)
        a, b = across - wind, up
        along, side = a * s + b * c, a * c - b * s  # along the nose, and to its east
        speed = sqrt(a * a + b * b)
        turn = MOMENT * (9.0 * lever_m * speed - 0.1 * lift * abs(side)) * side - MOMENT * 0.5 * speed * rate
        push = force * (9.0 * speed + lift * abs(side)) * side
        axial = 60.0 - 0.001 * speed * speed
        return [rate, turn, axial * s - push * c, axial * c + push * s - G] if along > -1e9 else []

    made = drive(moment=MOMENT, force=force, drag=0.001, slope=9.0, lever_m=lever_m, lift_lever_m=-0.1, thrust_m_s2=60.0)
    start = terms(
        0.05, 16.0, lift=np.array([lift]), damping_m2=np.array([0.5]), mean_wind=np.array([[wind], [0.0]])
    )  # fmt: skip
    nose, turn, velocity = (one[:, :, 0] for one in flown(made, start))
    wanted = solve_ivp(change, (0.0, 1.0), [0.05, 0.0, 0.0, 16.0], t_eval=made.t_s, rtol=1e-9, atol=1e-10).y
    assert np.abs(wanted[0]).max() > 0.3
    assert np.unwrap(np.arctan2(nose[:, 0], nose[:, 2])) == pytest.approx(wanted[0], abs=1e-5)
    assert velocity[:, [0, 2]].T == pytest.approx(wanted[2:], abs=1e-4)
    assert np.einsum("ni,ni->n", nose, turn) == pytest.approx(np.zeros(len(nose)), abs=1e-9)


def test_fins_that_stall_hold_less_and_turn_a_stable_one_over() -> None:
    made = drive(moment=MOMENT, slope=9.0, fin_slope=7.0, lever_m=0.08, fin_lever_m=0.20, thrust_m_s2=G)
    held, stalled = (
        flown(made, terms(0.5, stall=np.array([stall])))[0][:, 0, 0] for stall in (1e6, 0.2)
    )  # fmt: skip
    assert held.max() == pytest.approx(np.sin(0.5), abs=1e-6) and stalled.max() > np.sin(0.6)


def test_a_guess_that_leaves_all_numbers_stays_a_direction() -> None:
    made = drive(moment=MOMENT * 1e4, slope=9.0, lever_m=-5.0, thrust_m_s2=G)
    nose = flown(made, terms(0.5))[0]
    assert np.isfinite(nose).all() and np.sqrt((nose**2).sum(axis=1)) == pytest.approx(np.ones((len(nose), 1)))


def test_many_flights_at_once_are_the_same_as_one_by_one() -> None:
    made = drive(moment=MOMENT, slope=9.0, lever_m=LEVER_M, thrust_m_s2=G)
    one, other = terms(0.1), terms(0.3)
    both = terms(0.1)
    for name in vars(both):
        setattr(both, name, np.concatenate([getattr(one, name), getattr(other, name)], axis=-1))
    nose = flown(made, both)[0]
    for i, single in enumerate((one, other)):
        assert nose[:, :, i] == pytest.approx(flown(made, single)[0][:, :, 0], abs=1e-14)
