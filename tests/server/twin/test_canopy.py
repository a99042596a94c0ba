"""Two bodies on parachutes: terminal speed, riser, separation, and scipy's integrator."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from server.twin import canopy
from server.twin.sandpiper import RecoveryNumbers, changed

CALM = (0.0, 0.0, 0.0)
G = 9.80665


def pair(numbers=None, tail_kg=1.02, tail=0.60, nose=0.32):
    numbers = numbers or RecoveryNumbers()
    return canopy.Pair(tail_kg, numbers.nose_mass_kg, tail, nose, 0.0017, numbers)


def apart(gap=0.5, up=100.0):
    tail = (0.0, 0.0, up, *CALM, 1.0, 0.0, 0.0, 0.0, *CALM)
    return (*tail, 0.0, 0.0, up + gap, *CALM)


@pytest.mark.parametrize(
    ("mass", "diameter", "cd", "speed"),
    # tests/SOURCES.md, terminal-speed (NASA Glenn; first row also with scipy).
    [(0.5, 0.6, 0.75, 6.1442), (0.5, 0.6, 1.5, 4.3446), (1.0, 0.9, 0.8, 5.6089), (1.5, 1.0, 0.75, 6.3852)],
)
def test_terminal_speed_of_one_body(mass: float, diameter: float, cd: float, speed: float) -> None:
    area = cd * math.pi * diameter**2 / 4.0
    both = pair(changed(RecoveryNumbers(), {"nose_mass_kg": 0.2}), mass, area, area)
    state = apart(gap=-1.0)
    for _ in range(1000):
        state = canopy.step(state, both, 1.225, CALM, 0.005)
        # Keep the lighter body near, or its own fall would pull the riser tight.
        state = (*state[:13], state[0], state[1], state[2] - 1.0, *CALM)
    assert -state[5] == pytest.approx(speed, abs=0.0005)


def test_terminal_speed_of_the_pair_on_a_tight_riser() -> None:
    # Both hang on one riser: v = sqrt(2 (m1 + m2) g / (rho (A1 + A2))), the same formula for the sum.
    state, both = apart(), pair(tail=0.30, nose=0.62)
    for _ in range(4000):
        state = canopy.step(state, both, 1.15, CALM, 0.005)
    speed = math.sqrt(2.0 * (1.02 + 0.53) * G / (1.15 * 0.92))
    assert -state[5] == pytest.approx(speed, abs=0.002)
    assert -state[18] == pytest.approx(speed, abs=0.002)
    length = math.dist(state[0:3], state[13:16])
    assert length > both.numbers.riser_m


def test_riser_only_pulls() -> None:
    numbers = RecoveryNumbers()
    assert canopy.riser_pull((0.0, 0.0, numbers.riser_m - 0.01), (0.0, 0.0, 50.0), numbers) == CALM
    # Hardly tight and closing fast: the damper must not push.
    assert canopy.riser_pull((0.0, 0.0, numbers.riser_m + 0.01), (0.0, 0.0, -50.0), numbers) == CALM
    pull = canopy.riser_pull((0.0, 0.0, numbers.riser_m + 0.1), CALM, numbers)
    assert pull == pytest.approx((0.0, 0.0, 0.1 * numbers.riser_stiffness_n_m))


def test_drifts_with_the_wind() -> None:
    # Drift: 5 m/s of wind carry it 5 m/s (tests/SOURCES.md, drift-and-landing).
    state = apart()
    for _ in range(3000):
        state = canopy.step(state, pair(), 1.15, (5.0, 0.0, 0.0), 0.005)
    assert state[3] == pytest.approx(5.0, abs=0.01)
    assert state[16] == pytest.approx(5.0, abs=0.01)


def test_separation_keeps_momentum() -> None:
    numbers = RecoveryNumbers()
    whole = (1.0, 2.0, 250.0, 3.0, -1.0, 0.5, 1.0, 0.0, 0.0, 0.0, 0.1, 0.2, 0.3)
    direction = (0.6, 0.0, 0.8)
    state = canopy.separated(whole, direction, numbers, 1.02)
    for axis in range(3):
        momentum = 1.02 * state[3 + axis] + numbers.nose_mass_kg * state[16 + axis]
        assert momentum == pytest.approx((1.02 + numbers.nose_mass_kg) * whole[3 + axis])
    away = [n - t for n, t in zip(state[16:19], state[3:6], strict=True)]
    assert away == pytest.approx([numbers.ejection_speed_m_s * d for d in direction])


def test_canopies_open_with_the_cube_of_time() -> None:
    numbers = RecoveryNumbers()
    own = numbers.body_drag_area_m2
    assert canopy.drag_area_m2(numbers, 0.6, False, 9.0) == own
    assert canopy.drag_area_m2(numbers, 0.6, True, 0.5 * numbers.opening_s) == pytest.approx(own + 0.075)
    assert canopy.drag_area_m2(numbers, 0.6, True, 9.0) == pytest.approx(own + 0.6)


def test_runge_kutta_agrees_with_scipy() -> None:
    # With the riser tight all the time: its end is a kink that no integrator of this order crosses exactly.
    both = pair(tail=0.30, nose=0.62)
    first = (0.0, 0.0, 100.0, 1.5, 1.0, -5.3, 0.98, 0.1, 0.17, 0.02, 0.5, -0.3, 1.0, 0.2, 0.1, 103.52, 1.5, 1.0, -5.3)

    def rhs(_, y):
        return canopy.derivative(tuple(y), both, 1.15, (2.0, 1.0, 0.0))

    norm = math.sqrt(sum(part * part for part in first[6:10]))
    first = (*first[:6], *(part / norm for part in first[6:10]), *first[10:])
    reference = solve_ivp(rhs, (0.0, 1.0), first, rtol=1e-10, atol=1e-12, method="DOP853").y[:, -1]
    state = first
    for _ in range(200):
        state = canopy.step(state, both, 1.15, (2.0, 1.0, 0.0), 0.005)
    assert np.array(state) == pytest.approx(reference, abs=2e-4)
