"""Charge, time left and sag against closed forms, scipy, the table of check values and the twin's battery."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.stats import linregress

from server.flight.power.battery import (
    LONGEST_GAP_S,
    OwnCount,
    PadTime,
    RailCharge,
    Sag,
    SagMeter,
    check_count,
    minutes_left,
    pad_time,
)
from tests.server.flight.twin_windows import heard


def charged(t: np.ndarray, current: np.ndarray) -> RailCharge:
    rail = RailCharge()
    rail.take(t, current)
    return rail


def test_charge_is_the_trapezoid_sum() -> None:
    rng = np.random.default_rng(1)
    t = np.cumsum(rng.uniform(0.01, 2.0, 200))
    current = rng.uniform(0.0, 3.0, 200)
    rail = charged(t, current)
    assert rail.used_c == pytest.approx(trapezoid(current, t), rel=1e-12)
    assert rail.estimated_c == 0.0 and rail.heard_s == pytest.approx(t[-1] - t[0])


def test_a_long_silence_is_bridged_with_the_mean_and_said() -> None:
    t = np.concatenate([np.arange(0.0, 100.0, 0.5), np.arange(160.0, 170.0, 0.5)])
    rail = charged(t, np.where(t == 99.5, 2.0, 0.5))  # one spike just before the silence
    assert rail.used_c == pytest.approx(0.5 * 169.5, abs=6.0)
    assert rail.estimated_c == pytest.approx(60.5 * 0.5, rel=0.2)
    just = charged(np.array([0.0, LONGEST_GAP_S]), np.array([1.0, 3.0]))
    assert (just.used_c, just.estimated_c) == (10.0, 0.0)


def test_the_running_mean_follows_within_its_time_constant() -> None:
    t = np.arange(0.0, 200.0, 0.5)
    rail = charged(t, np.where(t < 100.0, 0.2, 1.2))
    assert rail.mean_a == pytest.approx(1.2, abs=1e-4)
    rail = charged(t[:221], np.where(t < 100.0, 0.2, 1.2)[:221])  # ten seconds and a half sample after the step
    assert rail.mean_a == pytest.approx(1.2 - math.exp(-10.5 / 10.0), abs=0.01)


def test_the_error_of_a_load_that_switches_between_samples() -> None:
    """A load that is on for about a second now and then, sampled every 0.5 s: the error of the sum is as large as said."""
    ratios = []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        begins = np.cumsum(rng.uniform(1.5, 6.0, 40))
        fine = np.arange(0.0, begins[-1] + 2.0, 0.01)
        on = np.zeros(fine.size)
        for begin in begins:
            on[(fine >= begin) & (fine < begin + rng.uniform(0.5, 1.4))] = 1.4
        rail = charged(fine[::50], on[::50])
        ratios.append((rail.used_c - trapezoid(on, fine)) / rail.sigma_c)
    assert np.mean(np.abs(ratios) < 1.96) > 0.9
    assert np.std(ratios) == pytest.approx(1.0, abs=0.4)


def test_bad_samples_are_left_out() -> None:
    t = np.array([0.0, 1.0, 1.0, 0.5, np.nan, 2.0, 3.0, 4.0])
    current = np.array([1.0, 1.0, 99.0, 99.0, 1.0, np.inf, np.nan, 1.0])
    assert charged(t, current).used_c == pytest.approx(4.0)
    nothing = charged(np.zeros(0), np.zeros(0))
    assert nothing.used_c == 0.0 and nothing.mean_a is None


def test_own_count_against_the_rails() -> None:
    own = OwnCount()
    own.take(np.array([500.0, np.nan, 510.0, 520.0, 5.0, 15.0]))  # a restart after 520
    assert own.since_first_c == pytest.approx(35.0) and own.now_c == 15.0
    rails = [charged(np.array([0.0, 1.0, 2.0]), np.full(3, a)) for a in (10.0, 8.0)]
    check = check_count(own.since_first_c, rails)
    assert check.rails_c == pytest.approx(36.0) and check.share == pytest.approx(1.0 / 35.0)
    assert check_count(0.0, rails).share is None


def test_run_time() -> None:
    """tests/SOURCES.md, run-time (by formula)."""
    mah = 3.6
    assert minutes_left(500 * mah, 0.0, 0.0, 0.180) == pytest.approx(166.7, abs=0.05)
    assert minutes_left(500 * mah, 100 * mah, 0.0, 0.180) == pytest.approx(133.3, abs=0.05)


def test_time_on_the_pad() -> None:
    assert pad_time(3060.0, 900.0, 360.0, 0.25, 0.75) == PadTime(30.0, 120.0)
    assert pad_time(3060.0, 900.0, 2500.0, 0.25, 0.75) == PadTime(0.0, 0.0)
    assert pad_time(3060.0, 900.0, 360.0, 0.25, None) == PadTime(None, 120.0)
    assert pad_time(3060.0, 900.0, 360.0, None, 0.75) == PadTime(None, None)
    assert minutes_left(3060.0, 900.0, 0.0, 0.0) is None
    assert minutes_left(math.nan, 900.0, 0.0, 1.0) is None


# ---------------------------------------------------------------- sag


def sagging(seed: int, resistance: float = 0.085, loss: float = 0.0, noise_v: float = 0.004) -> tuple[np.ndarray, ...]:
    """Return an hour's power packets at 2 Hz: cameras switched now and then, servos twitching, a falling battery."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 600.0, 0.5)
    current = 0.22 + 0.3 * (np.cumsum(rng.random(t.size) < 0.02) % 4) + 0.35 * (rng.random(t.size) < 0.03)
    voltage = 8.2 - 2e-4 * t - resistance * current + noise_v * rng.standard_normal(t.size)
    kept = rng.random(t.size) >= loss
    return t[kept], voltage[kept], current[kept]


def measured(samples: tuple[np.ndarray, ...]) -> Sag:
    meter = SagMeter()
    meter.take(*samples)
    return meter.result()


def test_resistance_is_that_of_scipy_on_the_steps() -> None:
    t, v, i = sagging(1)
    found = measured((t, v, i))
    line = linregress(np.diff(i), np.diff(v))
    assert found.resistance_ohm == pytest.approx(-line.slope, abs=0.05 * found.sigma_ohm)
    x, e = np.diff(i), np.diff(v) + found.resistance_ohm * np.diff(i)
    scores = x * e
    newey_west = math.sqrt((scores**2).sum() + 2 * (scores[1:] * scores[:-1]).sum()) / (x**2).sum()
    white = math.sqrt((e**2).sum() / (2 * (e.size - 1)) * (np.diff(x, prepend=0.0, append=0.0) ** 2).sum()) / (x**2).sum()
    # Without the first and last half step the telescoped sum differs by two terms.
    assert found.sigma_ohm == pytest.approx(max(newey_west, white), rel=0.02)


def test_the_interval_holds_the_truth() -> None:
    held, errors = [], []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        truth = rng.uniform(0.02, 0.3)
        found = measured(sagging(seed, truth, loss=rng.uniform(0.0, 0.25)))
        held.append(found.low_ohm <= truth <= found.high_ohm)
        errors.append(abs(found.resistance_ohm - truth))
    assert np.mean(held) >= 0.92
    assert np.median(errors) < 0.002


def test_no_resistance_from_a_steady_load() -> None:
    t = np.arange(0.0, 100.0, 0.5)
    rng = np.random.default_rng(1)
    steady = 0.22 + 0.001 * rng.standard_normal(t.size)
    found = measured((t, 8.0 + 0.004 * rng.standard_normal(t.size), steady))
    assert found.resistance_ohm is None and "enough" in found.reason
    assert measured((t[:4], t[:4], t[:4])).resistance_ohm is None
    bad = np.full(50, np.nan)
    assert measured((bad, bad, bad)).steps == 0


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 1000), st.lists(st.integers(0, 300), max_size=12))
def test_any_cut_gives_the_same_bits(seed: int, cuts: list[int]) -> None:
    t, v, i = sagging(seed)
    t, v, i = t[:300].copy(), v[:300], i[:300].copy()
    rng = random.Random(seed)
    for place in rng.sample(range(300), 20):
        i[place] = rng.choice([np.nan, np.inf, 0.0])
    t[150:] += 20.0
    whole, pieces = (RailCharge(), SagMeter(), OwnCount()), (RailCharge(), SagMeter(), OwnCount())
    edges = sorted({0, 300, *cuts})
    for parts, spans in ((whole, [(0, 300)]), (pieces, zip(edges, edges[1:], strict=False))):
        for a, b in spans:
            parts[0].take(t[a:b], i[a:b])
            parts[1].take(t[a:b], v[a:b], i[a:b])
            parts[2].take(np.abs(i[a:b]))
    for one, other in zip(whole, pieces, strict=True):
        assert vars(one) == vars(other)
    assert whole[1].result() == pieces[1].result()


def test_the_twins_battery() -> None:
    flight = heard("calm", 2)
    t, voltage, current, own, *rails_a = flight.columns(
        "power", "battery_voltage", "battery_current", "charge_used", "computer_current", "camera_current", "servo_current"
    )
    rails = [charged(t, a) for a in rails_a]
    counted = OwnCount()
    counted.take(own)
    check = check_count(counted.since_first_c, rails)
    assert check.agree and check.share == pytest.approx(0.0, abs=0.1)
    assert not check_count(1.3 * counted.since_first_c, rails).agree
    meter = SagMeter()
    meter.take(t, voltage, current)
    found = meter.result()
    truth = flight.twin.vehicle.battery.resistance_ohm
    assert found.resistance_ohm == pytest.approx(truth, rel=0.05)
    assert found.low_ohm <= truth <= found.high_ohm
