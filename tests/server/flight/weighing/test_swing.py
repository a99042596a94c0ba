"""The period read from a gyro: exact undisturbed, doubted by the noise's color, refused where nothing swings."""

from __future__ import annotations

from math import cos, pi, sin, sqrt

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from protocol.arrays import Floats
from server.flight.weighing.pendulum import Hung, Measured, PendulumProblem
from server.flight.weighing.swing import swing

HUNG = Hung(Measured(1.6, 0.002), Measured(0.6, 0.001), Measured(1.9, 0.002))
PERIOD_S = 2.3
INERTIA = HUNG.inertia_of(PERIOD_S)


def rates(t: Floats, amplitude: float, drag: float = 0.01, axis: tuple[float, float, float] = (0.6, 0.8, 0.0)) -> Floats:
    """Return what a perfect gyro shows of the full equation, integrated by scipy."""
    m, d, length, g = 1.6, 0.6, 1.9, HUNG.gravity.value

    def moves(_: float, state: list[float]) -> list[float]:
        a, w = state
        root = sqrt(length**2 - (d * sin(a / 2)) ** 2)
        first = d**2 * sin(a) / (4 * root)
        second = d**2 * cos(a) / (4 * root) + d**4 * sin(a) ** 2 / (16 * root**3)
        return [w, -(m * first * second * w**2 + m * g * first + INERTIA * drag * w) / (INERTIA + m * first**2)]

    found = solve_ivp(moves, (0.0, t[-1]), [amplitude, 0.0], t_eval=t, rtol=1e-9, atol=1e-10)
    return found.y[1][:, None] * np.array(axis)


T = np.arange(0.0, 70.0, 0.02)


@pytest.mark.parametrize("degrees", [5, 20, 35])
def test_the_period_of_small_swings_comes_of_wide_ones(degrees: float) -> None:
    told = swing(T, rates(T, np.radians(degrees)), HUNG)
    assert told.axis == "lateral" and told.period.value == pytest.approx(PERIOD_S, rel=3e-5)
    assert told.amplitude_rad == pytest.approx(np.radians(degrees) * np.exp(-0.005 * told.begin_s), rel=0.01)
    assert told.decay_per_s == pytest.approx(0.005, rel=0.04)


def test_an_axis_along_the_body_is_roll() -> None:
    told = swing(T, rates(T, 0.2, axis=(0.05, 0.0, 0.998)), HUNG)
    assert told.axis == "roll"
    with pytest.raises(PendulumProblem, match="lateral axis was asked for, but what swings is the roll axis"):
        swing(T, rates(T, 0.2, axis=(0.05, 0.0, 0.998)), HUNG, "lateral")


def test_the_doubt_follows_the_noise_about_the_swing_and_not_the_variance() -> None:
    """The same variance: slow noise lies where the swing does, fast noise does not."""
    rng = np.random.default_rng(5)
    clean = rates(T, 0.08)
    white = rng.normal(size=(len(T), 3))
    slow = np.zeros_like(white)
    for k in range(1, len(T)):
        slow[k] = 0.97 * slow[k - 1] + white[k]
    fast = np.diff(white, axis=0, prepend=0.0)
    told = [swing(T, clean + 0.02 * one / one.std(), HUNG).period for one in (fast, white, slow)]
    assert told[0].sigma < told[1].sigma < told[2].sigma / 2
    for one in told:
        assert abs(one.value - PERIOD_S) < 3.5 * one.sigma


def test_handling_and_sway_do_no_harm() -> None:
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 95.0, 0.02)
    seen = np.zeros((len(t), 3))
    free = (t >= 10.0) & (t < 80.0)
    seen[free] = rates(t[free] - 10.0, 0.2) + 0.02 * np.cos(2 * pi * HUNG.sway_hz * t[free])[:, None]
    seen[~free] = rng.normal(0.0, 0.3, (int(np.sum(~free)), 3))
    told = swing(t, seen + rng.normal(0.0, 0.002, seen.shape), HUNG)
    assert 10.0 <= told.begin_s < 16.0 and 74.0 < told.end_s <= 80.0
    assert abs(told.period.value - PERIOD_S) < 3.5 * told.period.sigma < 0.002


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda: np.zeros((len(T), 3)), "do not change"),
        (lambda: np.random.default_rng(1).normal(0.0, 0.05, (len(T), 3)), "Nothing in these turn rates swings freely"),
        (lambda: rates(T, 0.2, axis=(0.7, 0.0, 0.7)), "neither across the vehicle nor along it"),
        (lambda: rates(T, 0.9), "at most 40"),
        (lambda: rates(T, 0.05, drag=-0.03), "grows"),
        (lambda: rates(T, 0.2)[::-1], "grows"),
        (lambda: rates(T, 0.2, drag=1.5), "Nothing in these turn rates swings freely"),
    ],
    ids=["still", "noise", "oblique", "too wide", "driven", "backward", "overdamped"],
)
def test_what_is_no_pendulum_is_refused(made: object, says: str) -> None:
    with pytest.raises(PendulumProblem, match=says):
        swing(T, made(), HUNG)  # type: ignore[operator]


def test_too_few_samples_a_period() -> None:
    t = np.arange(0.0, 70.0, 0.6)
    with pytest.raises(PendulumProblem, match="too fast for 2 samples a second"):
        swing(t, rates(t, 0.2), HUNG)
