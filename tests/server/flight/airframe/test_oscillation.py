"""The oscillation fit against scipy's integrator, textbook rows, noise and trends alone, and gusty flights of the twin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.stats import f as f_distribution

from server.flight.airframe.oscillation import (
    Oscillation,
    _cleaned,
    _f_tail,
    body_softening_per_rad,
    compared,
    expected_damping_ratio,
    expected_frequency_hz,
    oscillation,
)
from server.flight.airframe.swing_model import course_of, likelihood, responses
from server.flight.unmeasured import Unmeasured
from tests.server.flight.ascents import Ascent, random_gust, thinned


# tests/SOURCES.md, weathercock: 54 mm body, CNa 9 (nose 2 at 0.35 m ahead, fins 7 at 0.20 m behind), I 0.03, rho 1.225
@pytest.mark.parametrize(("v", "hertz"), [(15, 0.4319), (25, 0.7198), (50, 1.4397), (100, 2.8794)])
def test_expected_frequency_and_damping(v: float, hertz: float) -> None:
    area, lever = math.pi * 0.027**2, (7 * 0.20 - 2 * 0.35) / 9
    assert expected_frequency_hz(0.5 * 1.225 * v * v, area, 9.0, lever, 0.03) == pytest.approx(hertz, abs=1e-4)
    damping = expected_damping_ratio(1.225, area, 9 * lever, 2 * 0.35**2 + 7 * 0.20**2, 0.03)
    assert damping == pytest.approx(0.06784, abs=1e-5)
    assert math.isnan(expected_frequency_hz(1000.0, area, 9.0, -0.1, 0.03))


@pytest.mark.parametrize("free", [20, 44, 80])
@pytest.mark.parametrize("value", [0.0, 0.5, 2.0, 5.0, 40.0])
def test_the_tail_of_the_f_distribution_is_scipys(free: int, value: float) -> None:
    assert _f_tail(value, free) == pytest.approx(f_distribution.sf(value, 6, free), rel=1e-9)


def flight(
    k: float,
    z: float,
    seed: int,
    noise: float = 0.001,
    gain: float = 25.0,
    kick: float = 0.1,
    loss: float = 0.0,
    rate_hz: float = 20.0,
):
    """Attitudes and velocities of a body that flies straight up, speeds up and swings, by scipy; with a steady roll."""
    rng = np.random.default_rng(seed)
    t = 5.0 + np.arange(0.0, 2.0, 1.0 / rate_hz)
    speed = 30.0 + gain * (t - 5.0)
    angles = []
    for heading in range(2):
        first = kick * (1.0, 0.4)[heading], 0.5 * kick * (heading - 0.5)

        def change(x, s):
            v = 30.0 + gain * x
            return [s[1], -2 * z * k * v * s[1] - k * k * v * v * s[0]]

        angles.append(solve_ivp(change, (0, 2), first, t_eval=t - 5.0, rtol=1e-9, atol=1e-10).y[0])
    east, north = (a + noise * rng.normal(size=len(t)) for a in angles)
    tilt, lean, roll = np.hypot(east, north), np.arctan2(north, east), 3.0 * t
    # Tilt about the horizontal axis across the lean, after a roll about the nose.
    w, x, y = np.cos(tilt / 2), -np.sin(tilt / 2) * np.sin(lean), np.sin(tilt / 2) * np.cos(lean)
    c, s = np.cos(roll / 2), np.sin(roll / 2)
    quaternion = np.stack([w * c, x * c + y * s, y * c - x * s, w * s], axis=1)
    velocity = np.stack([np.zeros_like(t), np.zeros_like(t), speed], axis=1)
    kept = rng.random(len(t)) >= loss
    return t[kept], quaternion[kept], velocity[kept]


@pytest.mark.parametrize(("k", "z"), [(0.15, 0.07), (0.2, 0.15), (0.12, 0.03)])
@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_a_known_oscillation_while_speeding_up_and_rolling(k: float, z: float, loss: float) -> None:
    for seed in range(3):
        found = oscillation(*flight(k, z, seed, loss=loss), 5.0, 7.0, softening_per_rad=0.0)
        assert found.excited, seed
        assert found.wave_number_1_m == pytest.approx(k, rel=0.025) and found.damping_ratio == pytest.approx(z, abs=0.03)
        assert found.wave_low_1_m < k < found.wave_high_1_m and found.damping_low < z < found.damping_high
        assert found.frequency_hz(50.0) == pytest.approx(k * 50 / 2 / math.pi, rel=0.025)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_fast_state_vector_measures_the_same_swing(rate_hz: float, seed: int) -> None:
    """The shortest wave that ten times as many samples could tell lies far beyond what the equation's steps can follow."""
    with np.errstate(all="raise", under="ignore"):
        found = oscillation(*flight(0.2, 0.07, seed, gain=5.0, rate_hz=rate_hz), 5.0, 7.0, softening_per_rad=0.0)
    assert found.excited
    assert found.wave_number_1_m == pytest.approx(0.2, rel=0.015) and found.damping_ratio == pytest.approx(0.07, abs=0.02)
    assert found.wave_low_1_m < 0.2 < found.wave_high_1_m and found.damping_low < 0.07 < found.damping_high


def test_the_likelihood_is_that_of_the_whole_covariance() -> None:
    """Against the definition, with the covariance of all samples written out: what the knots' form must equal."""
    t, q, v = flight(0.15, 0.07, 2)
    course = course_of(_cleaned(t, q, v, 5.0, 6.4), 0.05, 2.5, True)
    points = np.array([[math.log(k), z, g] for k in (0.08, 0.15, 0.4) for z in (0.0, 0.1, 0.5) for g in (-4.6, 2.0, 11.5)])
    value, starts = likelihood(course, points)
    for point, told, start in zip(points, value, starts, strict=True):
        found = responses(course, np.exp(point[:1]), point[1:2])[0]
        wind, count = found[:, 4:], len(course.s)
        walk = np.minimum(course.knot_s[:, None], course.knot_s[None, :])
        cover = np.exp(point[2]) * wind @ walk @ wind.T + np.eye(count)
        fixed = np.column_stack([found[:, :2], wind @ course.profile])
        right, weighed = course.theta - found[:, 2:4], np.linalg.solve(cover, fixed)
        best = np.linalg.solve(fixed.T @ weighed, weighed.T @ right)
        left = right - fixed @ best
        rest, free = float((left * np.linalg.solve(cover, left)).sum()), 2 * (count - 3)
        sizes = np.linalg.slogdet(cover)[1] + np.linalg.slogdet(fixed.T @ weighed)[1]
        assert told == pytest.approx(-0.5 * free * math.log(rest / free) - sizes, abs=1e-6)
        assert start == pytest.approx(best, rel=1e-6, abs=1e-9)


def test_textbook_row_at_constant_speed() -> None:
    """tests/SOURCES.md, damped-oscillation: zeta 0.1, wn 10 rad/s: period 0.63148 s."""
    found = oscillation(*flight(10.0 / 30.0, 0.1, 1, noise=1e-4, gain=0.0), 5.0, 7.0, softening_per_rad=0.0)
    assert found.period_s(30.0) == pytest.approx(0.63148, rel=0.02) and found.damping_ratio == pytest.approx(0.1, abs=0.02)


def test_a_sensor_ahead_is_taken_out_of_the_damping() -> None:
    t, q, v = flight(0.2, 0.1, 2, noise=1e-4)
    plain, ahead = (oscillation(t, q, v, 5.0, 7.0, m, 0.0) for m in (0.0, 0.2))
    assert plain.damping_ratio - ahead.damping_ratio == pytest.approx(0.5 * 0.2 * 0.2, rel=0.3)


def test_noise_and_a_slow_trend_are_not_an_oscillation() -> None:
    excited = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        t, q, v = flight(0.15, 0.07, seed, kick=0.0, noise=0.004)
        x = t - 5.0
        slow = 0.03 * (x * rng.normal() + 0.5 * x * x * rng.normal())
        q = np.stack([np.ones_like(t), q[:, 1], q[:, 2] + 0.5 * slow, np.zeros_like(t)], axis=1)
        q /= np.linalg.norm(q, axis=1, keepdims=True)
        found = oscillation(t, q, v, 5.0, 7.0)
        excited += isinstance(found, Oscillation) and found.excited
    assert excited <= 1


def test_bad_rows_order_and_repeats_change_nothing() -> None:
    t, q, v = flight(0.15, 0.07, 3)
    plain = oscillation(t, q, v, 5.0, 7.0)
    bad_q = np.array([[np.nan, 0, 0, 0], [3.0, 0, 0, 0], [1.0, 0, 0, 0]])
    bad_v = np.array([[0, 0, 40.0], [0, 0, 40.0], [np.inf, 0, 0]])
    t2 = np.concatenate([t, t[::4], [5.21, 5.32, 5.43]])
    q2, v2 = np.vstack([q, q[::4], bad_q]), np.vstack([v, v[::4], bad_v])
    mixed = np.random.default_rng(0).permutation(len(t2))
    assert oscillation(t2[mixed], q2[mixed], v2[mixed], 5.0, 7.0) == plain


@pytest.mark.parametrize("case", ["nothing", "few", "gap", "slow", "when"])
def test_too_little_says_so(case: str) -> None:
    t, q, v = flight(0.15, 0.07, 3)
    kept = {"nothing": t < 0, "few": t < 5.4, "gap": (t < 5.3) | (t > 5.8)}.get(case, t > 0)
    start = math.nan if case == "when" else 5.0
    found = oscillation(t[kept], q[kept], v[kept] * (0.01 if case == "slow" else 1.0), start, 7.0)
    assert isinstance(found, Unmeasured) and found.reason


def test_comparison_with_the_expected() -> None:
    found = Oscillation(True, 0.2, 0.19, 0.21, 0.1, 0.05, 0.15, 0.1, 1e-9, 40.0, 5.0, 6.4, 28)
    ratio = compared(found, 0.2 * 40 / (2 * math.pi), 40.0)
    assert (ratio.ratio, ratio.low, ratio.high) == pytest.approx((1.0, 0.95, 1.05))
    assert compared(found, 0.25 * 40 / (2 * math.pi), 40.0).high == pytest.approx(0.84)


# ---------------------------------------------------------------- the twin


def true_wave_number(ascent: Ascent, start_s: float, end_s: float) -> float:
    """Mean over the window of sqrt(rho A CNa l / 2 I) from the twin's own coefficients and burning mass."""
    aero, waves = ascent.aero, []
    speed2 = (ascent.path["vel"] ** 2).sum(axis=1)
    for t in np.linspace(start_s, end_s, 9):
        point = ascent.mass_point(t)
        height = np.interp(t, ascent.path["t_s"], ascent.path["up_m"])
        density = 94080.0 / (287.053 * 291.0) * math.exp(-height / 10400.0)
        v = math.sqrt(np.interp(t, ascent.path["t_s"], speed2))
        lever = aero.pressure_center_m - point.center_m
        hertz = expected_frequency_hz(0.5 * density * v * v, aero.area_m2, aero.slope, lever, point.lateral_inertia_kg_m2)
        waves.append(2 * math.pi * hertz / v)
    return float(np.mean(waves))


def test_gusty_flights_of_the_twin() -> None:
    """Loss drawn within 0 to 25 %, the body's lift as each vehicle's sheet would give it.

    Seen over 90 such flights (seeds 200 to 249 and 300 to 339): 67 told, 95 % within 4.5 %, truth in 65 of 67 intervals.
    """
    errors, inside, asked = [], 0, 0
    for seed in range(200, 225):
        ascent, rng = random_gust(seed), np.random.default_rng(seed)
        asked += 1
        nav = thinned(ascent.packets["navigation"], float(rng.uniform(0.0, 0.25)), rng)
        quaternion = np.stack([nav[f"q_{part}"] for part in "wxyz"], axis=1)
        velocity = np.stack([nav[f"vel_{part}"] for part in ("east", "north", "up")], axis=1)
        start = ascent.truth["rail_exit_s"]
        ahead = ascent.mass_point(start + 1.0).center_m - ascent.vehicle.imu_a.place_m
        found = oscillation(nav["t"], quaternion, velocity, start, start + 2.5, ahead, softening(ascent, start + 1.0))
        if isinstance(found, Unmeasured) or not found.excited:
            continue
        truth = true_wave_number(ascent, found.start_s, found.end_s)
        errors.append(found.wave_number_1_m / truth - 1.0)
        inside += found.wave_low_1_m < truth < found.wave_high_1_m
    assert len(errors) >= 0.6 * asked
    assert np.percentile(np.abs(errors), 95) < 0.05
    assert inside >= 0.9 * len(errors)


def softening(ascent: Ascent, t_s: float) -> float:
    """Return what the vehicle's own geometry says at a time."""
    aero, center = ascent.aero, ascent.mass_point(t_s).center_m
    lever = aero.pressure_center_m - center
    return body_softening_per_rad(aero.body_lift, center, aero.body_middle_m, aero.slope, lever)


def test_softening_of_the_twins_own_geometry() -> None:
    aero, center = random_gust(0).aero, random_gust(0).mass_point(9.0).center_m
    lever, share = aero.pressure_center_m - center, softening(random_gust(0), 9.0)
    alpha = 0.05
    moment = aero.slope * lever * alpha - aero.body_lift * alpha**2 * (center - aero.body_middle_m)
    assert moment / (aero.slope * lever * alpha) == pytest.approx(1.0 - share * alpha)
