"""The measured apogee against a textbook fit, synthetic tops with known truth, spikes and gaps, and the twin."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from server.flight.air.altitude import PadReference
from server.flight.motion.apogee import Apogee, apogee_of, difference
from tests.server.flight.ascents import flown, thinned

G = 9.80665
TOP_S, TOP_M = 20.013, 251.7


def top(seed: int, noise_m: float = 0.25, rate_hz: float = 20.0, loss: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """A ballistic top with a parachute 0.4 s after it (20 m/s2 braking to 6 m/s), noise and lost samples."""
    rng = np.random.default_rng(seed)
    t = np.arange(14.0, 26.0, 1.0 / rate_hz)
    t = t[rng.random(len(t)) >= loss]
    since = t - TOP_S
    height = TOP_M - 0.5 * G * np.minimum(since, 0.4) ** 2
    height -= np.where(since > 0.4, 0.4 * G * (since - 0.4), 0.0)
    return t, height + noise_m * rng.normal(size=len(t))


def test_equals_an_ordinary_least_squares_parabola_when_nothing_is_wrong() -> None:
    t, height = top(1, noise_m=0.1)
    ours = apogee_of(t, height)
    near = (t >= ours.t_s - 1.6) & (t <= ours.t_s + 0.35)
    (peak_s, peak_m, _), covariance = curve_fit(
        lambda t, s, h, c: h - c * (t - s) ** 2, t[near], height[near], p0=(20.0, 250.0, 5.0)
    )
    assert ours.t_s == pytest.approx(peak_s, abs=0.02)
    assert ours.height_m == pytest.approx(peak_m, abs=0.03)
    assert ours.sigma_m == pytest.approx(np.sqrt(covariance[1, 1]), rel=0.6)


@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_many_noisy_tops_are_found_without_bias_and_the_sigma_is_honest(loss: float) -> None:
    found = [apogee_of(*top(seed, loss=loss)) for seed in range(150)]
    errors = np.array([(f.t_s - TOP_S, f.height_m - TOP_M) for f in found])
    sigmas = np.array([f.sigma_m for f in found])
    assert np.abs(errors.mean(axis=0)).max() < 0.03
    assert np.percentile(np.abs(errors[:, 0]), 95) < 0.08 and np.percentile(np.abs(errors[:, 1]), 95) < 0.25
    assert np.mean(np.abs(errors[:, 1]) < 1.96 * sigmas) > 0.88


@pytest.mark.parametrize("loss", [0.0, 0.25])
@pytest.mark.parametrize("when", [-0.3, 0.0, 0.05, 0.4])
def test_an_ejection_burst_moves_it_by_little(loss: float, when: float) -> None:
    for seed in range(10):
        t, height = top(seed, loss=loss)
        since = t - TOP_S - when
        height -= np.where(since >= 0.0, 80.0 * np.exp(-np.maximum(since, 0.0) / 0.08), 0.0)
        found = apogee_of(t, height)
        assert abs(found.height_m - TOP_M) < 0.7 and abs(found.t_s - TOP_S) < 0.2, seed


def test_a_dip_in_pressure_that_reads_higher_than_the_top_is_not_taken_for_it() -> None:
    t, height = top(3)
    height[(t > 16.0) & (t < 16.3)] += 270.0
    found = apogee_of(t, height)
    assert found.height_m == pytest.approx(TOP_M, abs=0.3)


def test_a_gap_over_the_top_is_bridged_by_free_fall() -> None:
    t, height = top(4)
    kept = (t < TOP_S - 0.5) | (t > TOP_S + 0.1)
    found = apogee_of(t[kept], height[kept])
    assert abs(found.height_m - TOP_M) < 3.0 * max(found.sigma_m, 0.3)


def test_bad_samples_repeats_and_order_change_nothing() -> None:
    t, height = top(5)
    clean = apogee_of(t, height)
    rng = np.random.default_rng(0)
    t2 = np.concatenate([t, t[::7], [19.0, 19.5, np.nan, np.inf]])
    h2 = np.concatenate([height, height[::7], [np.nan, np.inf, 100.0, 100.0]])
    mixed = rng.permutation(len(t2))
    # Repeated rows carry the same values, so whichever is kept is the same.
    assert apogee_of(t2[mixed], h2[mixed]) == clean


@pytest.mark.parametrize(
    ("t", "height"),
    [
        ([], []),
        ([1.0, 2.0], [3.0, 4.0]),
        (np.arange(0, 5, 0.05), np.arange(0, 5, 0.05) * 40.0),  # still rising
        (np.arange(0, 5, 0.05), np.full(100, np.nan)),
        (np.full(50, 3.0), np.arange(50.0)),
        (np.arange(0, 5, 0.05), (np.arange(0, 5, 0.05) - 2.5) ** 2 * 40.0),  # a valley
    ],
)
def test_no_top_gives_none(t: object, height: object) -> None:
    assert apogee_of(t, height) is None


@pytest.mark.parametrize("scenario", ["calm", "gusty-rail"])
@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_the_twin_by_barometer_and_by_its_own_estimate(scenario: str, loss: float) -> None:
    """Seen over 120 random flights: barometer within 0.4 m (0.6 m with 25 % loss) and 0.11 s, navigation 0.6 m, 0.02 s."""
    ascent = flown(scenario, 3)
    rng = np.random.default_rng(1)
    barometer, navigation = (thinned(ascent.packets[name], loss, rng) for name in ("barometer", "navigation"))
    pad = PadReference(ascent.vehicle.site.pad_temperature_k)
    waits = barometer["t"] < 7.9
    for t, pressure in zip(barometer["t"][waits], barometer["pressure"][waits], strict=True):
        pad.learn(t, pressure)
    by_barometer = apogee_of(barometer["t"], [pad.height_m(p) for p in barometer["pressure"]])
    by_vehicle = apogee_of(navigation["t"], navigation["up"])
    for found in (by_barometer, by_vehicle):
        assert found.height_m == pytest.approx(ascent.truth["apogee_m"], abs=0.8)
        assert found.t_s == pytest.approx(ascent.truth["apogee_s"], abs=0.12)
    apart = difference(by_barometer, by_vehicle)
    assert abs(apart.height_m) < 1.0 and abs(apart.seconds) < 0.15


def test_the_difference_of_two_sources() -> None:
    one, other = Apogee(10.0, 250.0, 0.3, 30), Apogee(10.1, 248.0, 0.4, 20)
    apart = difference(one, other)
    assert (apart.seconds, apart.height_m, apart.sigma_m) == pytest.approx((-0.1, 2.0, 0.5))
