"""Level against range: tests/SOURCES.md, free-space-loss, scipy's regression, invented fading, and the twin's radio."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import linregress, norm
from scipy.stats import t as student

from server.flight.link import link_range
from server.flight.link.link_range import MARGIN_99, RangeFit, fit_range, free_space_loss_db, reach
from tests.server.flight.twin_windows import heard


@pytest.mark.parametrize(
    ("distance_m", "loss_db"), [(100, 71.68), (500, 85.66), (1000, 91.68), (2000, 97.70), (5000, 105.66), (10000, 111.68)]
)
def test_free_space_rows(distance_m: float, loss_db: float) -> None:
    """tests/SOURCES.md, free-space-loss: 915 MHz (ITU-R P.525, by formula)."""
    assert free_space_loss_db(distance_m, 915e6) == pytest.approx(loss_db, abs=0.006)


def test_other_bands_doubling_and_budget() -> None:
    """tests/SOURCES.md, free-space-loss, at 1 km and twice as far; tests/SOURCES.md, link-budget."""
    assert [free_space_loss_db(1000.0, f) for f in (433e6, 868e6, 2400e6)] == pytest.approx(
        [85.18, 91.22, 100.05], abs=0.006
    )
    assert free_space_loss_db(2.0, 915e6) - free_space_loss_db(1.0, 915e6) == pytest.approx(6.02, abs=0.005)
    assert [24.3 - free_space_loss_db(d, 915e6) for d in (1000.0, 5000.0)] == pytest.approx([-67.38, -81.36], abs=0.006)


def test_the_margin_and_students_t() -> None:
    assert pytest.approx(norm.ppf(0.99), abs=1e-4) == MARGIN_99
    for degrees in (4.0, 10.0, 50.0):
        assert link_range._students(degrees) == pytest.approx(student.ppf(0.975, degrees), rel=0.02)


def flown(
    seed: int, fading_db: float = 2.0, keep: float = 0.3, exponent: float = 2.0, count: int = 160
) -> tuple[np.ndarray, ...]:
    """Return t, distance and level of a flight out to 400 m and back, with first-order fading at 2 Hz."""
    rng = np.random.default_rng(seed)
    t = np.arange(count) * 0.5
    distance = 30.0 + 370.0 * np.sin(np.pi * np.arange(count) / count)
    noise, fading = fading_db * rng.standard_normal(count), np.zeros(count)
    fading[0] = noise[0]
    for i in range(1, count):
        fading[i] = keep * fading[i - 1] + math.sqrt(1.0 - keep * keep) * noise[i]
    return t, distance, -13.0 - 10.0 * exponent * np.log10(distance) + fading


def test_the_exponent_is_that_of_scipy() -> None:
    t, distance, level = flown(1)
    found, line = fit_range(t, distance, level).exponent, linregress(-10.0 * np.log10(distance), level)
    assert found.value == pytest.approx(line.slope, rel=1e-9)
    independent = fit_range(t, distance, level).independent
    assert found.sigma == pytest.approx(line.stderr * math.sqrt((t.size - 2) / (independent - 2)), rel=1e-9)


@pytest.mark.parametrize("keep", [0.0, 0.3, 0.7])
def test_intervals_hold_over_many_flights(keep: float) -> None:
    level_held, exponent_held, reach_held, fading = [], [], [], []
    true_reach = 10.0 ** ((-13.0 + 110.0 - MARGIN_99 * 2.0) / 20.0)
    for seed in range(200):
        rng = np.random.default_rng(seed)
        columns = flown(seed, keep=keep)
        kept = rng.random(160) >= rng.uniform(0.0, 0.25)
        found = fit_range(*(values[kept] for values in columns))
        level_held.append(found.low_dbm <= -13.0 <= found.high_dbm)
        exponent_held.append(found.exponent.low <= 2.0 <= found.exponent.high)
        far = reach(found, -110.0, 100.0)
        reach_held.append(far.low_m <= true_reach <= far.high_m)
        fading.append(found.fading_db)
    assert min(np.mean(held) for held in (level_held, exponent_held, reach_held)) >= 0.91
    assert np.mean(fading) == pytest.approx(2.0, rel=0.05)


def test_ground_that_swallows_is_not_free_space() -> None:
    found = fit_range(*flown(3, exponent=3.0)).exponent
    assert found.low > 2.0 and found.low < 3.0 < found.high


def test_reach_in_closed_form() -> None:
    fit = RangeFit(-10.0, 0.0, -10.0, -10.0, 0.0, 100, 1e12, None)
    far = reach(fit, -90.0, 4000.0)
    assert (far.greatest_m, far.low_m, far.high_m) == pytest.approx((10_000.0,) * 3)
    assert far.left_m == pytest.approx(6000.0)
    assert far.margin_db == pytest.approx(80.0 - 20.0 * math.log10(4000.0))
    assert reach(fit, -90.0, 20_000.0).left_m == 0.0
    faded = RangeFit(-10.0, 0.0, -10.0, -10.0, 3.0, 100, 1e12, None)
    assert reach(faded, -90.0, 1.0).greatest_m == pytest.approx(10.0 ** ((80.0 - 3.0 * MARGIN_99) / 20.0))


def test_bad_values_and_too_few() -> None:
    t, distance, level = flown(2)
    clean = fit_range(t, distance, level)
    bad = [(1.1, np.nan, -60.0), (np.nan, 50.0, -60.0), (2.2, 50.0, np.inf), (3.3, -1.0, -60.0), (4.4, 50.0, 3276.0)]
    dirty = [np.concatenate([values, values[5:9], [one[i] for one in bad]]) for i, values in enumerate((t, distance, level))]
    order = np.random.default_rng(1).permutation(dirty[0].size)
    assert fit_range(*(values[order] for values in dirty)) == clean
    assert fit_range(t[:5], distance[:5], level[:5]) is None
    none = np.zeros(0)
    assert fit_range(none, none, none) is None
    still = fit_range(t, np.full(t.size, 30.0), level)
    assert still is None or still.exponent is None
    flat = fit_range(t, np.full(t.size, 30.0), np.full(t.size, -42.0))
    assert flat is not None and flat.fading_db == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_twins_radio(seed: int) -> None:
    flight = heard("calm", seed)
    numbers = flight.twin.vehicle.radio
    t, level = flight.columns("link", "downlink_level")
    nav_t, east, north, up = flight.columns("navigation", "east", "north", "up")
    places = (np.interp(t, nav_t, values) for values in (east, north + numbers.ground_station_distance_m, up))
    found = fit_range(t, np.sqrt(sum(values**2 for values in places)), level)
    gains = numbers.power_dbm + 2.0 * numbers.antenna_gain_dbi - numbers.other_losses_db
    truth = gains - free_space_loss_db(1.0, numbers.frequency_hz)
    assert found.low_dbm <= truth <= found.high_dbm
    assert found.level_1_m_dbm == pytest.approx(truth, abs=1.0)
    assert found.fading_db == pytest.approx(numbers.fading_db, rel=0.25)
    assert found.exponent.low <= 2.0 <= found.exponent.high
    true_reach = 10.0 ** ((truth - numbers.sensitivity_dbm - MARGIN_99 * numbers.fading_db) / 20.0)
    far = reach(found, numbers.sensitivity_dbm, 100.0)
    assert far.low_m <= true_reach <= far.high_m
