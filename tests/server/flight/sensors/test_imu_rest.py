"""A unit at rest against numpy and scipy, in any cut, handled, turned and drifting; and the twin's drift in every seed."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy.stats import linregress

from server.flight.sensors.imu_rest import BLOCK, FEWEST_BLOCKS, GyroDrift, RestStatistics, Samples, UnitAtRest, drift_of
from tests.server.flight.twin_flights import heard, imu_matrix, stood

# The smallest drift found in 20 of 20 seeds over 40 s, calm and with a quarter of packets lost (in steps of 2e-5).
FOUND_RAD_S2 = 1e-4


def resting(seconds: float = 40.0, seed: int = 0, drift: float = 0.0, loss: float = 0.0) -> Samples:
    """White noise of the Sandpiper's size at 25 Hz around a tilted gravity, with a drift on the y gyro."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds, 0.04)
    t = t[rng.random(len(t)) >= loss]
    sigma = np.array([0.09, 0.09, 0.09, 0.002, 0.002, 0.002])
    values = np.array([0.3, -0.2, 9.78, 0.004, -0.006, 0.001]) + sigma * rng.normal(size=(len(t), 6))
    values[:, 4] += drift * t
    return Samples(t, values, np.zeros(len(t), dtype=bool), np.full(len(t), 300.0))


def learned(samples: Samples) -> UnitAtRest | None:
    rest = RestStatistics()
    rest.take(samples)
    return rest.result()


def changed(samples: Samples, **parts) -> Samples:
    whole = dict(t_s=samples.t_s, values=samples.values, flying=samples.flying, temperature_k=samples.temperature_k)
    return Samples(**(whole | parts))


@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_equals_numpy_and_scipy(loss: float) -> None:
    samples = resting(seed=3, drift=2e-4, loss=loss)
    found = learned(samples)
    count = len(samples.t_s) // BLOCK
    used = samples.values[BLOCK : count * BLOCK].reshape(count - 1, BLOCK, 6)  # the first block has none to be compared with
    t = samples.t_s[BLOCK : count * BLOCK].reshape(count - 1, BLOCK)
    assert found.blocks == count - 1
    assert found.mean == pytest.approx(used.mean(axis=(0, 1)), rel=1e-9, abs=1e-12)
    assert found.noise == pytest.approx(np.sqrt(used.var(axis=1, ddof=1).mean(axis=0)), rel=1e-9)
    assert found.span_s == pytest.approx(t[-1, -1] - t[0, 0])
    for axis in range(3):
        line = linregress(t.mean(axis=1), used.mean(axis=1)[:, 3 + axis])
        assert found.drift_rad_s2[axis] == pytest.approx(line.slope, rel=1e-6, abs=1e-12)
        assert found.drift_sigma_rad_s2[axis] == pytest.approx(line.stderr, rel=1e-6)
    assert found.drift_allowed_rad_s2 == 0.0


def test_the_standard_error_is_honest() -> None:
    """Over 200 stays the slope over its own standard error scatters like one."""
    ratios = [(learned(resting(30.0, seed, 1e-4)).drift_rad_s2[1] - 1e-4) / 8.1e-6 for seed in range(60)]
    own = [
        (unit.drift_rad_s2[axis] - (1e-4 if axis == 1 else 0.0)) / unit.drift_sigma_rad_s2[axis]
        for unit in (learned(resting(30.0, seed, 1e-4)) for seed in range(100, 170))
        for axis in range(3)
    ]
    assert 0.7 < np.std(ratios) < 1.4
    assert 0.85 < np.std(own) < 1.2 and abs(np.mean(own)) < 0.25
    assert np.mean(np.abs(own) < 2.0) > 0.9


@pytest.mark.parametrize("seed", range(6))
def test_any_cut_gives_the_same_bits(seed: int) -> None:
    samples = resting(60.0, seed, 1e-4, 0.2)
    rng, cuts = np.random.default_rng(seed), random.Random(seed)
    values, t, flying = samples.values.copy(), samples.t_s.copy(), samples.flying.copy()
    values[rng.integers(0, len(t), 9), rng.integers(0, 6, 9)] = np.nan
    t[100:103], t[200] = t[99], np.nan
    values[400:440] += 3.0 * rng.normal(size=(40, 6))
    flying[len(t) - 80 : len(t) - 10] = True
    samples = changed(samples, t_s=t, values=values, flying=flying)
    expected = learned(samples)
    rest, at = RestStatistics(), 0
    while at < len(t):
        stop = at + cuts.choice([0, 1, 1, 3, 26, 130])
        rest.take(Samples(t[at:stop], values[at:stop], flying[at:stop], samples.temperature_k[at:stop]))
        at = stop
    assert rest.result() == expected and expected.blocks > 30


def test_handling_counts_for_nothing_and_a_new_attitude_begins_anew() -> None:
    samples = resting(60.0, 1)
    values = samples.values.copy()
    shaken = (samples.t_s > 20.0) & (samples.t_s < 24.0)
    values[shaken] += np.random.default_rng(2).normal(size=(int(shaken.sum()), 6))
    quiet = learned(samples)
    handled = learned(changed(samples, values=values))
    assert quiet.blocks - 7 <= handled.blocks < quiet.blocks
    assert handled.noise == pytest.approx(quiet.noise, rel=0.1)
    values[samples.t_s > 24.0, 0] += 1.0
    anew = learned(changed(samples, values=values))
    assert anew.span_s < 37.0 and anew.mean[0] == pytest.approx(1.3, abs=0.05)


def test_a_slow_tilt_counts_for_nothing() -> None:
    """Half a minute into the stay somebody leans it over by 1.4 degrees in each second, for two seconds."""
    samples = resting(60.0, 4)
    tilted = changed(samples, values=samples.values.copy())
    tilted.values[:, 0] += 0.24 * np.clip(samples.t_s - 30.0, 0.0, 2.0)
    assert learned(samples).blocks - 4 <= learned(tilted).blocks <= learned(samples).blocks - 1


def test_the_flight_ends_it_for_good() -> None:
    samples = resting(60.0, 1)
    flying = (samples.t_s > 30.0) & (samples.t_s < 40.0)
    rest = RestStatistics()
    rest.take(changed(samples, flying=flying, temperature_k=None))
    assert rest.over and rest.result().span_s < 30.0
    rest.take(changed(samples, t_s=samples.t_s + 100.0))
    before = samples.t_s <= 30.0
    assert rest.result() == learned(Samples(samples.t_s[before], samples.values[before], flying[before]))


def test_too_little_is_nothing() -> None:
    assert RestStatistics().result() is None
    assert learned(resting(0.04 * BLOCK * FEWEST_BLOCKS)) is None
    short = learned(resting(0.04 * BLOCK * (FEWEST_BLOCKS + 1) + 0.01))
    assert short.blocks == FEWEST_BLOCKS and not any(short.drifts(axis) for axis in range(3))
    assert learned(changed(resting(), values=np.full((1000, 6), np.nan))) is None
    assert learned(changed(resting(), values=np.full((1000, 6), 1e300))) is None


def test_warming_up_explains_some_of_it() -> None:
    """The gyro follows its die: 0.02 degrees per second and kelvin at 0.3 K/s."""
    samples = resting(40.0, 5, drift=3.4e-4 * 0.3)
    assert drift_of(learned(samples), learned(resting(40.0, 6))) is not None
    warm = changed(samples, temperature_k=300.0 + 0.3 * samples.t_s)
    assert drift_of(learned(warm), learned(resting(40.0, 6))) is None


def test_which_of_two_drifts() -> None:
    calm, other, drifting = learned(resting(seed=1)), learned(resting(seed=2)), learned(resting(seed=3, drift=3e-4))
    assert drift_of(calm, other) is None and drift_of(None, None) is None and drift_of(None, calm) is None
    for a, b, unit in ((calm, drifting, "b"), (drifting, calm, "a"), (drifting, None, "a"), (None, drifting, "b")):
        found = drift_of(a, b)
        assert (found.unit, found.axis) == (unit, 1) and found.rate_rad_s2 == pytest.approx(3e-4, abs=3e-5)


def test_a_turn_of_the_whole_vehicle_is_no_drift_and_two_that_part_cannot_be_told() -> None:
    a, b = learned(resting(seed=1, drift=3e-4)), learned(resting(seed=2, drift=3e-4))
    assert drift_of(a, b) is None
    apart = drift_of(a, learned(resting(seed=2, drift=-3e-4)))
    assert apart.unit is None and apart.rate_rad_s2 == pytest.approx(6e-4, abs=6e-5)


def test_a_false_alarm_is_rare() -> None:
    assert [seed for seed in range(150) if drift_of(learned(resting(20.0, seed)), learned(resting(20.0, 1000 + seed)))] == []


def of_stay(seed: int, scenario: str = "calm", **changes: float) -> GyroDrift | None:
    tables = stood(scenario, seed, 40.0, **changes)
    units = []
    for unit in "ab":
        t, values, warmth = imu_matrix(tables, unit)
        units.append(learned(Samples(t, values, np.zeros(len(t), dtype=bool), warmth)))
    return drift_of(*units)


@pytest.mark.parametrize(("scenario", "seed"), [("calm", 1), ("calm", 2), ("thin-link", 3), ("thin-link", 4)])
@pytest.mark.parametrize("unit", ["a", "b"])
def test_the_twins_drift_is_found_and_named(scenario: str, seed: int, unit: str) -> None:
    found = of_stay(seed, scenario, **{f"imu_{unit}__gyro_drift_rad_s2": FOUND_RAD_S2})
    assert found.unit == unit and abs(found.rate_rad_s2 - FOUND_RAD_S2) < 5.0 * found.sigma_rad_s2


@pytest.mark.parametrize(("scenario", "seed"), [("calm", 1), ("calm", 2), ("calm", 3), ("thin-link", 4)])
def test_a_sound_twin_does_not_drift(scenario: str, seed: int) -> None:
    assert of_stay(seed, scenario) is None


def test_bias_of_the_twin_before_a_flight() -> None:
    """The two units' difference on the pad is that of their biases: one sigma 0.06 m/s2 and 0.35 degrees per second each."""
    flight = heard("calm", 1)
    units = []
    for unit in "ab":
        t, values, warmth = imu_matrix(flight.tables, unit)
        units.append(learned(Samples(t, values, flight.flying(t), warmth)))
    apart = np.subtract(units[0].mean, units[1].mean)
    assert np.abs(apart[:3]).max() < 4 * 0.06 * 1.5 and np.abs(apart[3:]).max() < 4 * 0.0061 * 1.5
    assert units[0].noise[:3] == pytest.approx([0.09] * 3, rel=0.1) and units[1].noise[:3] == pytest.approx(
        [0.13] * 3, rel=0.1
    )


def test_an_hour_is_learned_whole() -> None:
    assert learned(resting(3600.0)).blocks == 3599


@pytest.mark.parametrize("seed", range(8))
def test_an_ordinary_gyro_half_an_hour_on_the_pad_does_not_drift(seed: int) -> None:
    """Noise of 0.03 deg/s a sample and a slow walk of 5 deg/h: significant, and a twentieth of a degree in an ascent."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 1800.0, 0.04)
    walk = np.radians(5.0 / 3600.0) * np.cumsum(rng.normal(size=(len(t), 3)), axis=0) / np.sqrt(len(t))
    values = np.column_stack((
        np.tile([0.0, 0.0, 9.80665], (len(t), 1)) + 0.02 * rng.normal(size=(len(t), 3)),
        walk + np.radians(0.03) * rng.normal(size=(len(t), 3)),
    ))  # fmt: skip
    unit = RestStatistics()
    unit.take(Samples(t, values, np.zeros(len(t), dtype=bool)))
    assert drift_of(unit.result(), None) is None
