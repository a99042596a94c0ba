"""The corkscrew measure on cones of known size and turn, ellipses, plane wobbles, noise, gaps, and a calm flight."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.flight.motion.attitude import nose_direction
from server.flight.motion.cone import Cone, ConeWatch
from tests.server.flight.ascents import flown


def drawn(half_angle: float, turns: float, seed: int = 0, noise: float = 0.0, loss: float = 0.0, squash: float = 1.0, s=6.0):
    """Nose components of a cone about a direction leaning east, 20 Hz."""
    rng = np.random.default_rng(seed)
    t = 10.0 + np.arange(0.0, s, 0.05)
    phase = 2 * math.pi * turns * t + rng.uniform(0, 6)
    east = 0.12 + math.sin(half_angle) * np.cos(phase) + noise * rng.normal(size=len(t))
    north = -0.05 + squash * math.sin(half_angle) * np.sin(phase) + noise * rng.normal(size=len(t))
    kept = rng.random(len(t)) >= loss
    return t[kept], east[kept], north[kept]


def last(t, east, north) -> Cone:
    return ConeWatch().take(t, east, north)[-1]


@pytest.mark.parametrize("turns", [-3.0, -1.0, 0.8, 1.5, 2.0])
@pytest.mark.parametrize("half_angle", [0.05, 0.2])
@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_a_cone_is_measured(turns: float, half_angle: float, loss: float) -> None:
    rates, angles, called = [], [], 0
    for seed in range(20):
        found = last(*drawn(half_angle, turns, seed, noise=0.002, loss=loss))
        if found is None:
            continue
        rates.append(found.turns_per_s)
        angles.append(found.half_angle_rad)
        called += found.is_cone
    assert len(rates) >= 17 and called >= 0.9 * len(rates)
    slow = 0.2 if abs(turns) < 1.4 else 0.08  # a window that holds no whole turn has its mean off the axis
    assert np.median(rates) == pytest.approx(turns, rel=slow)
    assert np.median(angles) == pytest.approx(half_angle, rel=0.1)
    assert np.all(np.sign(rates) == np.sign(turns))


def test_whole_turns_without_noise_are_exact() -> None:
    """1.5 s at 2 turns/s are three turns; circularity of a 20 Hz polygon is cos(half its step)."""
    t, east, north = drawn(0.1, 2.0)
    found = ConeWatch(1.449).take(t, east, north)[-1]
    assert found.turns_per_s == pytest.approx(2.0, abs=5e-3) and found.seconds == pytest.approx(1.4)
    assert found.half_angle_rad == pytest.approx(0.1, rel=0.02)
    assert found.circularity == pytest.approx(math.cos(math.pi * 2 * 0.05), rel=0.02)
    assert (found.mean_east, found.mean_north) == pytest.approx((0.12, -0.05), abs=0.01)


@pytest.mark.parametrize("squash", [0.3, 0.6])
def test_an_ellipse_is_as_round_as_its_axes_say(squash: float) -> None:
    found = last(*drawn(0.1, 2.0, squash=squash))
    assert found.circularity == pytest.approx(2 * squash / (1 + squash**2), rel=0.12)


@pytest.mark.parametrize("heading", [0.0, 0.7, 2.0])
def test_a_plane_wobble_is_no_cone(heading: float) -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, 4.0, 0.05)
        swing = 0.15 * np.sin(2 * math.pi * 1.3 * t + rng.uniform(0, 6)) * np.exp(-0.3 * t)
        east = swing * math.cos(heading) + 0.003 * rng.normal(size=len(t))
        north = swing * math.sin(heading) + 0.003 * rng.normal(size=len(t))
        answers = [a for a in ConeWatch().take(t, east, north) if a is not None]
        assert answers and not any(a.is_cone for a in answers)
        assert max(a.circularity for a in answers) < 0.25
        assert np.median([abs(a.turns_per_s) for a in answers]) < 0.2


@pytest.mark.parametrize("size", [0.002, 0.05, 0.2])
def test_noise_is_no_cone(size: float) -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 200.0, 0.05)
    answers = [a for a in ConeWatch().take(t, *(size * np.clip(rng.normal(size=(2, len(t))), -3, 3))) if a is not None]
    assert not any(a.is_cone for a in answers)


def test_noise_around_a_small_cone_shows_in_its_sigma() -> None:
    errors = []
    for seed in range(60):
        found = last(*drawn(0.06, 1.0 / 1.5 * 2, seed, noise=0.004))
        errors.append((found.half_angle_rad - 0.06) / found.sigma_rad)
    assert np.std(errors) < 2.0 and found.sigma_rad < 0.006


def test_a_still_nose_and_no_samples() -> None:
    t = np.arange(0.0, 3.0, 0.05)
    found = last(t, np.full(60, 0.1), np.full(60, -0.2))
    assert found.half_angle_rad < 1e-7 and found.circularity == 0.0 and not found.is_cone
    assert ConeWatch().take([], [], []) == []
    assert ConeWatch().take([1.0], [0.0], [0.0]) == [None]


def test_bad_samples_change_nothing() -> None:
    t, east, north = drawn(0.1, 1.5)
    clean = ConeWatch().take(t, east, north)
    bad = [(np.nan, 0.0, 0.0), (np.inf, 0.0, 0.0), (0.0, 0.1, 0.1), (-1, np.nan, 0.1), (-1, 0.1, np.inf), (-1, 0.9, 0.9)]
    watch, out = ConeWatch(), []
    for number, sample in enumerate(zip(t, east, north, strict=True)):
        out += watch.take(*([x] for x in sample))
        b = bad[number % len(bad)]
        when = sample[0] + 0.01 if b[0] == -1 else b[0]
        assert watch.take([when, sample[0]], [b[1], 0.5], [b[2], 0.5]) == [None, None]
    assert out == clean


def test_a_gap_starts_the_window_anew() -> None:
    t, east, north = drawn(0.1, 1.5)
    kept = (t < 12.0) | (t > 12.7)
    answers = ConeWatch().take(t[kept], east[kept], north[kept])
    after = [a for a, when in zip(answers, t[kept], strict=True) if 12.7 < when < 13.5]
    assert after and after == [None] * len(after) and answers[-1] is not None
    fresh = ConeWatch().take(t[t > 12.7], east[t > 12.7], north[t > 12.7])
    assert answers[-len(fresh) :] == fresh


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 30), max_size=30), st.integers(0, 5))
def test_pieces_make_no_difference(cuts: list[int], seed: int) -> None:
    t, east, north = drawn(0.08, 1.2, seed, noise=0.01, loss=0.2)
    whole = ConeWatch().take(t, east, north)
    watch, out, at = ConeWatch(), [], 0
    for cut in [*cuts, len(t)]:
        out += watch.take(t[at : at + cut], east[at : at + cut], north[at : at + cut])
        at += cut
    assert out == whole


def test_running_sums_equal_the_window_worked_out_afresh() -> None:
    t, east, north = drawn(0.08, 1.1, 3, noise=0.01, loss=0.25, s=300.0)
    found = last(t, east, north)
    window = t >= t[-1] - 1.5
    x, y = east[window] - east[window].mean(), north[window] - north[window].mean()
    near = np.diff(t[window]) <= 0.22
    cross, dot = (x[:-1] * y[1:] - x[1:] * y[:-1])[near], (x[:-1] * x[1:] + y[:-1] * y[1:])[near]
    assert found.half_angle_rad == pytest.approx(math.asin(math.sqrt((x**2 + y**2).mean())), rel=1e-9)
    turn = math.atan2(cross.sum(), dot.sum()) / (2 * math.pi) / np.diff(t[window])[near].mean()
    assert found.turns_per_s == pytest.approx(turn, rel=1e-9)
    path = np.hypot(np.diff(x), np.diff(y))[near].sum()
    assert found.circularity == pytest.approx(abs(cross.sum()) / path / math.sqrt((x**2 + y**2).mean()), rel=1e-9)


def test_a_calm_flight_has_no_corkscrew() -> None:
    nav = flown("calm", 3).packets["navigation"]
    flying = (nav["t"] > 8.3) & (nav["t"] < 14.0)
    east, north, _ = nose_direction(*(nav[f"q_{p}"][flying] for p in "wxyz"))
    answers = [a for a in ConeWatch().take(nav["t"][flying], east, north) if a is not None]
    assert len(answers) > 60 and not any(a.is_cone for a in answers)
