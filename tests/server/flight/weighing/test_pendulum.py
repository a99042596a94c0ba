"""The bifilar pendulum against its closed form, the complete elliptic integral, and scipy's integration of its equation."""

from __future__ import annotations

from math import cos, pi, sin, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.special import ellipk

from server.flight.weighing.pendulum import Hung, Measured, PendulumProblem, gravity_at, inertia, moved_air


def hung(mass: float = 1.5, spacing: float = 0.5, length: float = 1.8, g: float = 9.81) -> Hung:
    return Hung(Measured(mass, 0.001), Measured(spacing, 0.001), Measured(length, 0.002), Measured(g, 0.0))


def integrated_period(how: Hung, inertia_kg_m2: float, amplitude: float) -> float:
    """Return the period by integrating the full equation of motion until the rate has turned twice."""
    m, d, length, g = how.mass.value, how.spacing.value, how.length.value, how.gravity.value

    def moves(_: float, state: list[float]) -> list[float]:
        a, w = state
        root = sqrt(length**2 - (d * sin(a / 2)) ** 2)
        first = d**2 * sin(a) / (4 * root)
        second = d**2 * cos(a) / (4 * root) + d**4 * sin(a) ** 2 / (16 * root**3)
        return [w, -(m * first * second * w**2 + m * g * first) / (inertia_kg_m2 + m * first**2)]

    def turned(_: float, state: list[float]) -> float:
        return state[1]

    turned.direction = -1  # type: ignore[attr-defined]
    found = solve_ivp(
        moves, (0.0, 3 * how.period_of(inertia_kg_m2)), [amplitude, 0.0], events=turned, rtol=1e-11, atol=1e-12
    )
    turns = [t for t in found.t_events[0] if t > 1e-3]
    return float(turns[0])


def test_the_closed_form_of_small_swings() -> None:
    """tests/SOURCES.md, bifilar-pendulum: I = m g D^2 T^2 / (16 pi^2 L)."""
    how = hung(mass=1.62, spacing=0.6, length=2.0, g=9.80665)
    assert how.inertia_of(2.5) == pytest.approx(1.62 * 9.80665 * 0.36 * 6.25 / (16 * pi**2 * 2.0), rel=1e-12)
    assert how.period_of(how.inertia_of(2.5)) == pytest.approx(2.5, rel=1e-12)
    # On three strings on a circle of radius R it is m g R^2 T^2 / (4 pi^2 L), the same with D = 2 R.
    assert how.inertia_of(2.5) == pytest.approx(1.62 * 9.80665 * 0.3**2 * 2.5**2 / (4 * pi**2 * 2.0), rel=1e-12)
    # A thin rod hung at its ends on strings: T = 2 pi sqrt(L / (3 g)), whatever its mass.
    rod = hung(mass=0.8, spacing=0.9, length=1.2)
    assert rod.period_of(0.8 * 0.9**2 / 12) == pytest.approx(2 * pi * sqrt(1.2 / (3 * 9.81)), rel=1e-12)


@pytest.mark.parametrize("degrees", [0.5, 5, 15, 30, 40])
def test_wide_swings_on_long_strings_are_the_simple_pendulum(degrees: float) -> None:
    amplitude = np.radians(degrees)
    expected = 2 / pi * ellipk(np.sin(amplitude / 2) ** 2)
    told = hung(spacing=0.02, length=5.0).slowing(np.array([amplitude]), 0.1)[0]
    assert told == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(("spacing", "length", "inertia_kg_m2"), [(0.5, 1.8, 0.16), (0.8, 0.6, 0.1), (0.3, 1.0, 0.02)])
@pytest.mark.parametrize("degrees", [1, 10, 25, 40])
def test_wide_swings_against_the_integrated_equation(
    spacing: float, length: float, inertia_kg_m2: float, degrees: float
) -> None:
    how, amplitude = hung(spacing=spacing, length=length), float(np.radians(degrees))
    told = how.slowing(np.array([amplitude]), inertia_kg_m2)[0] * how.period_of(inertia_kg_m2)
    assert told == pytest.approx(integrated_period(how, inertia_kg_m2, amplitude), rel=2e-7)


def test_the_doubt_is_that_of_drawn_measurements() -> None:
    rng = np.random.default_rng(4)
    how = Hung(Measured(1.5, 0.01), Measured(0.5, 0.002), Measured(1.8, 0.004), Measured(9.81, 0.015))
    told = inertia(how, Measured(2.4, 0.003))
    n = 20_000
    drawn = [
        one.value + one.sigma * rng.normal(size=n)
        for one in (how.mass, how.gravity, how.spacing, how.length, Measured(2.4, 0.003))
    ]
    i = drawn[0] * drawn[1] * drawn[2] ** 2 * drawn[4] ** 2 / (16 * pi**2 * drawn[3])
    assert told.sigma == pytest.approx(i.std(), rel=0.03)


def test_gravity_by_latitude_and_height() -> None:
    """The ends of tests/SOURCES.md, normal-gravity: equator and poles, and its fall with height."""
    assert gravity_at(0.0, 0.0).value == pytest.approx(9.7803253359, abs=1e-9)
    assert gravity_at(-90.0, 0.0).value == gravity_at(90.0, 0.0).value == pytest.approx(9.8321849378, abs=1e-8)
    assert gravity_at(45.0, 0.0).value - gravity_at(45.0, 1000.0).value == pytest.approx(0.003086)


def test_the_air_that_moves_along_is_taken_off() -> None:
    air = moved_air(0.066, 1.24)
    slices = (np.arange(100_000) + 0.5) / 100_000 * 1.24 - 0.62
    assert air.value == pytest.approx(1.2 * pi / 4 * 0.066**2 * 1.24 * np.mean(slices**2), rel=1e-6)
    assert moved_air(0.066, 1.24, 0.1).value == pytest.approx(1.2 * pi / 4 * 0.066**2 * 1.24 * np.mean((slices - 0.1) ** 2))
    plain, less = inertia(hung(), Measured(2.4, 0.002)), inertia(hung(), Measured(2.4, 0.002), air)
    assert less.value == pytest.approx(plain.value - air.value) and less.sigma > plain.sigma
    with pytest.raises(PendulumProblem, match="sizes right"):
        inertia(hung(), Measured(0.1, 0.001), air)


@pytest.mark.parametrize(("numbers", "says"), [((0.0, 0.5, 1.8), "above zero"), ((1.5, 0.5, 0.2), "half their spacing")])
def test_what_cannot_hang(numbers: tuple[float, float, float], says: str) -> None:
    with pytest.raises(PendulumProblem, match=says):
        hung(*numbers)
