"""The swing's linear model against scipy's integrator, a dense likelihood written out, and winds that are known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.stats import multivariate_normal

from server.flight.air.atmosphere import WIND_POWER
from server.flight.airframe.oscillation import oscillation
from server.flight.airframe.swing_model import Course, course_of, likelihood, responses, with_wind

K, Z = 0.18, 0.08


def wind_at(height_m: float, growing: bool) -> np.ndarray:
    """A cross wind toward the east and a weaker one toward the north, m/s at the rail's end 3 and -1."""
    return np.array([3.0, -1.0]) * ((height_m / 2.5) ** WIND_POWER if growing else 1.0)


def flown(growing: bool, noise: float = 0.0, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Rows (time, nose, velocity) of a body that speeds up straight away from the rail, its swing made by the wind alone."""
    t = np.arange(0.0, 1.8, 0.05)
    speed = 25.0 + 20.0 * t
    height = 2.5 + 25.0 * t + 10.0 * t * t

    def change(x: float, state: np.ndarray) -> np.ndarray:
        v, h = 25.0 + 20.0 * x, 2.5 + 25.0 * x + 10.0 * x * x
        angle, rate = state[:2], state[2:]
        return np.concatenate([rate, -2 * Z * K * v * rate - (K * v) ** 2 * (angle + wind_at(h, growing) / v)])

    angles = solve_ivp(change, (0.0, 1.8), np.zeros(4), t_eval=t, rtol=1e-10, atol=1e-12).y[:2].T
    angles += noise * np.random.default_rng(seed).normal(size=angles.shape)
    size = np.hypot(*angles.T)
    shape = np.where(size > 1e-12, np.sin(size) / np.maximum(size, 1e-12), 1.0)[:, None]
    nose = np.column_stack([angles * shape, np.cos(size)])
    velocity = np.column_stack([np.zeros((len(t), 2)), speed])
    assert np.all(np.diff(height) > 0)
    return np.column_stack([t, nose, velocity]), angles


def course(growing: bool = False) -> tuple[Course, np.ndarray]:
    rows, angles = flown(growing)
    return course_of(rows, 0.0, 2.5, growing), angles


@pytest.mark.parametrize("growing", [False, True])
def test_the_movements_of_the_wind_add_up_to_scipys(growing: bool) -> None:
    """The wind's own movement, summed over its knots with the profile, is what the integrator says; to 1 % of its size."""
    model, angles = course(growing)
    wind = np.array([3.0, -1.0])
    moved = responses(model, np.array([K]), np.array([Z]))[0]
    made = moved[:, 4:] @ (model.profile[:, None] * wind[None, :])
    assert np.abs(made - angles).max() < 0.01 * np.abs(angles).max()


def test_the_likelihood_is_the_restricted_one_written_out() -> None:
    """log p = normal density of the values with sigma at its best, less half the log of |X' C^-1 X|, for both headings."""
    model, _ = course()
    point = np.array([math.log(K), Z, math.log(40.0)])
    other = np.array([math.log(0.9 * K), 0.12, math.log(3.0)])

    def written_out(p: np.ndarray) -> float:
        moved = responses(model, np.exp(p[:1]), p[1:2])[0]
        wind = moved[:, 4:]
        fixed = np.column_stack([moved[:, :2], wind @ model.profile])
        walk = np.minimum.outer(model.knot_s, model.knot_s)
        cover = math.exp(p[2]) * wind @ walk @ wind.T + np.eye(len(model.s))
        inverse = np.linalg.inv(cover)
        rest = model.theta - moved[:, 2:4]
        best = np.linalg.solve(fixed.T @ inverse @ fixed, fixed.T @ inverse @ rest)
        rest = rest - fixed @ best
        free = 2 * (len(model.s) - 3)
        variance = float(np.einsum("ij,ik,kj->", rest, inverse, rest)) / free
        shape = multivariate_normal(np.zeros(len(model.s)), variance * cover, allow_singular=False)
        density = sum(shape.logpdf(rest[:, i]) for i in (0, 1))
        info = np.linalg.slogdet(fixed.T @ inverse @ fixed / variance)[1]
        return density - info  # two headings, half each

    found = likelihood(model, np.stack([point, other]))[0]
    assert found[0] - found[1] == pytest.approx(written_out(point) - written_out(other), rel=1e-6)


@pytest.mark.parametrize("growing", [False, True])
def test_the_wind_found_is_the_wind_that_blew(growing: bool) -> None:
    model, _ = course(growing)
    point = np.array([math.log(K), Z, math.log(1.0)])
    _, starts = likelihood(model, point[None, :])
    assert starts[0][2] == pytest.approx([3.0, -1.0], abs=0.06)
    windy = with_wind(model, point, starts[0], 0.8)
    attack = np.hypot(3.0, 1.0) / model.speed[0]  # at the start the nose and the path agree
    assert windy.soft[0] == pytest.approx(1.0 - 0.8 * attack, abs=0.01)
    assert windy.push[0] == pytest.approx(math.hypot(1.0, attack), abs=0.01)


@pytest.mark.parametrize("growing", [False, True])
def test_a_wind_that_grows_with_height_is_told_from_a_steady_one(growing: bool) -> None:
    """The wave number is right to 0.7 % in both; the other kind of wind taken for it would be more than 0.9 % off."""
    rows, _ = flown(growing, noise=2e-4, seed=3)
    t, nose, velocity = rows[:, 0], rows[:, 1:4], rows[:, 4:]
    tilt = np.arccos(nose[:, 2])
    axis = np.column_stack([-nose[:, 1], nose[:, 0], np.zeros(len(t))])
    axis /= np.maximum(np.linalg.norm(axis, axis=1), 1e-12)[:, None]
    quaternion = np.column_stack([np.cos(tilt / 2), np.sin(tilt / 2)[:, None] * axis])
    found = oscillation(t, quaternion, velocity, 0.0, 1.8, softening_per_rad=0.0)
    assert found.excited and found.wave_number_1_m == pytest.approx(K, rel=0.007)
