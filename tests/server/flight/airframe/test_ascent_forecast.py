"""The forecast against closed forms and against scipy's integrator on the same equations written anew."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from server.flight.airframe.ascent_forecast import Forecast, Launch, class_and_mean, drag_area_m2, forecast, wind_at
from server.flight.airframe.thrust_curve import curve_of
from server.flight.motion.coast import DENSITY_HEIGHT_M
from server.flight.unmeasured import Unmeasured

G = 9.80665
CURVE = curve_of([(0, 0), (0.03, 105), (0.08, 128), (0.25, 118), (0.6, 108), (1.0, 94), (1.25, 76), (1.36, 40), (1.5, 0)])
STEADY = curve_of([(0.0, 60.0), (1.6, 60.0), (1.6001, 0.0)])
LAUNCH = Launch(1.62, 0.07, 0.00198, 2.4, 1.126)


def test_the_closed_form_of_thrust_drag_and_coast() -> None:
    """v = sqrt(a/k) tanh(sqrt(a k) t) under constant thrust, then ln(1 + k v^2/g) / 2k; 0.3 %.

    The second: tests/SOURCES.md, coast. Density falls in the forecast and not there; so it is made to climb little.
    """
    mass, area, density = 1.5, 0.004, 1.2
    found = forecast(Launch(mass, 0.0, area, 0.5, density), STEADY)
    k, a = 0.5 * density * area / mass, 60.0 / mass - G
    v = math.sqrt(a / k) * math.tanh(math.sqrt(a * k) * 1.6)
    burned = math.log(math.cosh(math.sqrt(a * k) * 1.6)) / k
    assert isinstance(found, Forecast)
    assert found.greatest_speed_m_s == pytest.approx(v, rel=2e-3)
    assert found.apogee_m == pytest.approx(burned + math.log(1 + k * v * v / G) / (2 * k), rel=3e-3)
    assert found.rail_exit_speed_m_s == pytest.approx(math.sqrt(a / k * (1 - math.exp(-2 * k * 0.5))), rel=1e-3)
    assert found.thrust_to_weight == pytest.approx(60.0 / (mass * G), rel=1e-3)


def test_scipys_integrator_in_a_wind_with_the_swing() -> None:
    """The same physics written anew in vectors, adaptive steps of order 8: apogee and where it is to 0.1 m."""
    launch = Launch(1.62, 0.07, 0.00198, 2.4, 1.126, wind_m_s=4.0, lean_rad=0.05, wave_number_1_m=0.13, slope_area_m2=0.0298)
    found = forecast(launch, CURVE)
    burned = CURVE.burned()

    def change(t: float, s: np.ndarray) -> list[float]:
        position, velocity, theta, rate = s[:2], s[2:4], s[4], s[5]
        wind = np.array([wind_at(4.0, position[1]), 0.0])
        air = velocity - wind
        speed = float(np.linalg.norm(air))
        nose = np.array([math.sin(theta), math.cos(theta)])
        side = np.array([math.cos(theta), -math.sin(theta)])
        attack = theta - math.atan2(air[0], air[1])
        pressure = 0.5 * 1.126 * math.exp(-position[1] / DENSITY_HEIGHT_M) * speed**2
        force = CURVE.at(t) * nose + pressure * 0.0298 * attack * side - pressure * 0.00198 * air / speed
        acceleration = force / (1.62 - 0.07 * np.interp(t, CURVE.t_s, burned)) - np.array([0.0, G])
        turning = -((0.13 * speed) ** 2) * attack - 2 * 0.08 * 0.13 * speed * rate
        return [*velocity, *acceleration, rate, turning]

    direction = np.array([-math.sin(0.05), math.cos(0.05)])
    begin = [*(2.4 * direction), *(found.rail_exit_speed_m_s * direction), -0.05, 0.0]
    top = lambda t, s: s[3]  # noqa: E731
    top.terminal, top.direction = True, -1
    run = solve_ivp(
        change, (found.rail_exit_s, 30.0), begin, events=top, method="DOP853", rtol=1e-9, atol=1e-9, max_step=0.02
    )
    assert found.apogee_m == pytest.approx(run.y[1, -1], abs=0.1)
    assert found.apogee_across_m == pytest.approx(run.y[0, -1], abs=0.1)
    assert found.apogee_s == pytest.approx(run.t[-1], abs=0.005)


def test_more_wind_costs_height_and_a_lean_into_it_too() -> None:
    tops = [
        forecast(Launch(1.62, 0.07, 0.00198, 2.4, 1.126, w, lean), CURVE).apogee_m for w, lean in ((0, 0), (5, 0), (5, 0.1))
    ]
    assert tops[0] > tops[1] > tops[2]
    lighter = forecast(Launch(1.54, 0.07, 0.00198, 2.4, 1.126), CURVE)
    assert lighter.apogee_m > tops[0] and lighter.rail_exit_speed_m_s > forecast(LAUNCH, CURVE).rail_exit_speed_m_s


@pytest.mark.parametrize(
    ("launch", "says"),
    [
        (Launch(50.0, 0.07, 0.002, 2.4, 1.126), "does not leave the rail"),
        (Launch(1.62, 1.62, 0.002, 2.4, 1.126), "not lighter"),
        (Launch(1.62, 0.07, 0.002, 400.0, 1.126), "does not leave the rail"),
    ],
)
def test_what_does_not_fly_says_so(launch: Launch, says: str) -> None:
    found = forecast(launch, CURVE)
    assert isinstance(found, Unmeasured) and says in found.reason


def test_a_motor_that_needs_long_to_lift_waits_on_the_rail() -> None:
    slow = curve_of([(0.0, 0.0), (1.0, 10.0), (1.1, 120.0), (2.0, 120.0), (2.1, 0.0)])
    found = forecast(LAUNCH, slow)
    assert found.rail_exit_s > 1.1


def test_small_words() -> None:
    assert class_and_mean(CURVE).startswith("G9")
    assert drag_area_m2(0.0007, 1.55, 1.126) == pytest.approx(2 * 0.0007 * 1.55 / 1.126)
