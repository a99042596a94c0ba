"""The flight equations against closed forms and scipy's integrator."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from server.twin import attitude, rigid_body
from server.twin.propulsion import MassPoint
from server.twin.sandpiper import Vehicle

G = 9.80665
CALM = (0.0, 0.0, 0.0)
NO_PUSH = rigid_body.FinPush(0.0, 0.0, 0.0)
AERO = replace(
    rigid_body.aerodynamics(Vehicle().body, Vehicle().fins, Vehicle().motor),
    thrust_offset_rad=0.0,
    fin_misalignment_rad=0.0,
)
STILL_BODY = MassPoint(0.0, 1.55, 0.742, 0.158, 0.0017, 0.0)


def flown(state, point, aero, seconds, density=1.225, wind=CALM, push=NO_PUSH, on_rail=False, dt=0.005):
    """Return the states at every step, the first included."""
    states = [state]
    for _ in range(round(seconds / dt)):
        state = rigid_body.step(state, (point, point, point), aero, density, wind, push, dt, on_rail)
        states.append(state)
    return states


def start(speed=0.0, q=(1.0, 0.0, 0.0, 0.0), rates=CALM):
    velocity = attitude.to_world(q, (0.0, 0.0, speed))
    return (0.0, 0.0, 0.0, *velocity, *q, *rates)


@pytest.mark.parametrize(
    ("mass", "k", "speed", "height", "time"),
    # tests/SOURCES.md, coast (computed with scipy): coast with quadratic drag, closed form.
    [
        (1.0, 0.001, 100.0, 351.479, 7.9803),
        (0.5, 0.0005, 80.0, 251.180, 6.8617),
        (1.5, 0.00115251, 60.0, 161.689, 5.6243),
    ],
)
def test_coast_to_apogee(mass: float, k: float, speed: float, height: float, time: float) -> None:
    aero = replace(AERO, drag_coast=k / (0.5 * 1.225 * AERO.area_m2))
    point = replace(STILL_BODY, mass_kg=mass)
    states = flown(start(speed), point, aero, time + 0.1)
    up = np.array([s[2] for s in states])
    top = int(up.argmax())
    assert up[top] == pytest.approx(height, abs=0.01)
    # Straight line through zero of the climb rate gives the time.
    before, after = states[top - 1][5], states[top + 1][5]
    assert (top - 1 + 2 * before / (before - after)) * 0.005 == pytest.approx(time, abs=0.0005)


def test_terminal_speed_nose_down() -> None:
    # v = sqrt(2 m g / (rho Cd A)), tests/SOURCES.md, terminal-speed (NASA Glenn).
    q = (0.0, 1.0, 0.0, 0.0)
    expected = math.sqrt(2.0 * 1.55 * G / (1.225 * AERO.drag_coast * AERO.area_m2))
    states = flown(start(0.5 * expected, q), STILL_BODY, AERO, 60.0, dt=0.02)
    assert -states[-1][5] == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("force", "mass", "length", "speed"),
    # tests/SOURCES.md, rail-exit (by formula): rail exit of a vertical rail without friction.
    [(30.0, 0.6, 1.0, 8.9659), (50.0, 1.0, 1.5, 10.9809), (25.0, 0.5, 0.9, 8.5058)],
)
def test_rail_exit_speed(force: float, mass: float, length: float, speed: float) -> None:
    point = replace(STILL_BODY, thrust_n=force, mass_kg=mass)
    # Without air: the closed form has no drag.
    states = flown(start(), point, AERO, 1.0, density=0.0, on_rail=True, dt=0.0005)
    out = next(s for s in states if s[2] >= length)
    # One step may pass the end by up to 5 mm.
    assert out[5] ** 2 - 2.0 * (force / mass - G) * (out[2] - length) == pytest.approx(speed**2, rel=1e-4)


def test_rail_holds_until_thrust_exceeds_weight_and_keeps_the_attitude() -> None:
    tilted = attitude.from_tilt(0.1, 1.0)
    weak = replace(STILL_BODY, thrust_n=0.9 * 1.55 * G)
    assert flown(start(q=tilted), weak, AERO, 0.2, wind=(8.0, 0.0, 0.0), on_rail=True)[-1] == start(q=tilted)
    strong = replace(STILL_BODY, thrust_n=100.0)
    last = flown(start(q=tilted), strong, AERO, 0.2, wind=(8.0, 0.0, 0.0), on_rail=True)[-1]
    assert last[6:10] == pytest.approx(tilted, abs=1e-12)
    nose = attitude.to_world(tilted, (0.0, 0.0, 1.0))
    along = sum(a * b for a, b in zip(last[0:3], nose, strict=True))
    assert last[0:3] == pytest.approx([along * n for n in nose], abs=1e-9)


def weathercock(aero, inertia, speed, seconds):
    """Pitch about a fixed center of gravity in a steady stream: only the moments act (gravity and travel removed)."""
    point = replace(STILL_BODY, lateral_inertia_kg_m2=inertia)
    dt, q, rates, out = 0.002, attitude.from_tilt(0.02, math.pi / 2), CALM, []

    def moment(q, rates):
        state = (0.0, 0.0, 0.0, 0.0, 0.0, speed, *q, *rates)
        return rigid_body.derivative(state, point, aero, 1.225, CALM, NO_PUSH, False)[10:13]

    for _ in range(round(seconds / dt)):
        # Midpoint rule on the library's own angular acceleration, exact turn of the attitude.
        half_rates = tuple(w + 0.5 * dt * a for w, a in zip(rates, moment(q, rates), strict=True))
        half_q = attitude.turned(q, rates, 0.5 * dt)
        rates = tuple(w + dt * a for w, a in zip(rates, moment(half_q, half_rates), strict=True))
        q = attitude.turned(q, half_rates, dt)
        out.append(attitude.to_world(q, (0.0, 0.0, 1.0))[0])
    return np.array(out), dt


@pytest.mark.parametrize(
    ("speed", "wn"),
    # tests/SOURCES.md, weathercock (by formula; 50 m/s also with scipy): 54 mm body, nose 2 at 0.35 m, fins 7 at 0.20 m,
    # inertia 0.03; formula of Topics in Advanced Model Rocketry, MIT Press 1973.
    [(25.0, 4.5229), (50.0, 9.0459), (100.0, 18.0917)],
)
def test_weathercock_frequency_and_damping(speed: float, wn: float) -> None:
    area = math.pi * 0.027**2
    aero = replace(AERO, area_m2=area, nose_slope=2.0, nose_m=0.742 - 0.35, fin_slope=7.0, fin_m=0.742 + 0.20, body_lift=0.0)
    angle, dt = weathercock(aero, 0.03, speed, 12.0 / wn * 2.0)
    peaks = [i for i in range(1, len(angle) - 1) if angle[i - 1] < angle[i] >= angle[i + 1]]
    period = (peaks[2] - peaks[0]) / 2 * dt
    delta = 0.5 * math.log(angle[peaks[0]] / angle[peaks[2]])
    zeta = delta / math.sqrt(4.0 * math.pi**2 + delta**2)  # tests/SOURCES.md, damped-oscillation
    assert zeta == pytest.approx(0.06784, rel=0.02)
    assert 2.0 * math.pi / period / math.sqrt(1.0 - zeta**2) == pytest.approx(wn, rel=0.01)


def test_runge_kutta_agrees_with_scipy() -> None:
    q = attitude.from_tilt(0.15, 0.4, 0.3)
    first = start(45.0, q, (0.3, -0.2, 4.0))
    push = rigid_body.fin_push((0.05, 0.02, -0.01, 0.04), AERO)
    wind = (4.0, -2.0, 0.3)
    point = replace(STILL_BODY, thrust_n=80.0, flow_kg_s=0.05)

    def rhs(_, y):
        return rigid_body.derivative(tuple(y), point, AERO, 1.15, wind, push, False)

    reference = solve_ivp(rhs, (0.0, 2.0), first, rtol=1e-10, atol=1e-12, method="DOP853").y[:, -1]
    ours = np.array(flown(first, point, AERO, 2.0, density=1.15, wind=wind, push=push)[-1])
    assert ours[0:3] == pytest.approx(reference[0:3], abs=2e-4)
    assert ours[3:6] == pytest.approx(reference[3:6], abs=2e-4)
    assert ours[6:13] == pytest.approx(reference[6:13], abs=2e-5)


def test_free_spin_keeps_angular_momentum_and_energy() -> None:
    # Euler's equations without moments: both are constants of the motion (textbook).
    lateral, axial = STILL_BODY.lateral_inertia_kg_m2, STILL_BODY.roll_inertia_kg_m2
    states = flown(start(rates=(1.0, 0.5, 30.0)), STILL_BODY, AERO, 2.0, density=0.0, dt=0.001)

    def momentum(s):
        p, q, r = s[10:13]
        return attitude.to_world(s[6:10], (lateral * p, lateral * q, axial * r))

    def energy(s):
        return 0.5 * (lateral * (s[10] ** 2 + s[11] ** 2) + axial * s[12] ** 2)

    assert momentum(states[-1]) == pytest.approx(momentum(states[0]), abs=1e-6)
    assert energy(states[-1]) == pytest.approx(energy(states[0]), rel=1e-8)


def test_air_only_takes_energy() -> None:
    states = flown(start(60.0, attitude.from_tilt(0.1, 0.0), (0.5, 0.0, 3.0)), STILL_BODY, AERO, 3.0)

    def energy(s):
        spin = 0.158 * (s[10] ** 2 + s[11] ** 2) + 0.0017 * s[12] ** 2
        return 0.5 * 1.55 * sum(v * v for v in s[3:6]) + 1.55 * G * s[2] + 0.5 * spin

    energies = [energy(s) for s in states]
    assert all(b < a for a, b in zip(energies, energies[1:], strict=False))


def test_equal_fins_roll_positive_and_unequal_fins_pitch() -> None:
    def acceleration(angles):
        push = rigid_body.fin_push(angles, AERO)
        return rigid_body.derivative(start(50.0), STILL_BODY, AERO, 1.225, CALM, push, False)[10:13]

    p, q, r = acceleration((0.1, 0.1, 0.1, 0.1))
    expected = AERO.roll_coefficient_per_pa_rad(0.0017) * 0.5 * 1.225 * 50.0**2 * 0.1
    assert (p, q) == pytest.approx((0.0, 0.0), abs=1e-12)
    assert r == pytest.approx(expected, rel=1e-8)
    p, q, r = acceleration((0.1, 0.0, -0.1, 0.0))
    assert abs(p) > 1.0 and q == pytest.approx(0.0, abs=1e-12) and r == pytest.approx(0.0, abs=1e-12)


def test_the_sandpiper_is_stable() -> None:
    body = Vehicle().body
    margin = (AERO.pressure_center_m - body.dry_center_m) / body.diameter_m
    # One to three calibers is the usual advice (common practice, no source).
    assert 1.0 < margin < 3.5
