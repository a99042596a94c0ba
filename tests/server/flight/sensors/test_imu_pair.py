"""Two units in flight: chi-square against scipy, planted faults, shocks, loss, any cut, and flights of the twin."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, kstest

from server.flight.sensors.imu_pair import (
    FAR,
    FORCE_SHIFT_M_S2,
    RATE_SHIFT_RAD_S,
    WINDOW,
    PairChange,
    PairWatch,
    PairWindow,
    _median,
)
from server.flight.sensors.imu_rest import Samples
from tests.server.flight.twin_flights import Heard, heard, imu_matrix

SIGMA = np.array([0.09, 0.09, 0.09, 0.002, 0.002, 0.002])
LIFT_OFF_S, LANDING_S = 20.0, 60.0


def motion(t: np.ndarray) -> np.ndarray:
    """Force and rates of a made-up flight: rest, 8 g with a swing of 2 Hz dying away, then hanging and swaying."""
    since = t - LIFT_OFF_S
    boost, after = (since > 0) & (since < 1.5), since > 1.5
    swing = np.where(since > 0, np.exp(-0.5 * np.maximum(since, 0)), 0.0) * np.sin(4 * np.pi * since)
    sway = np.where(after, 0.5 * np.sin(2.2 * since), 0.0)
    along = np.where(boost, 80.0 - 15.0 * since, np.where(after, 9.0 + sway, 9.8))
    return np.column_stack([2.0 * swing, 3.0 * swing, along, 0.8 * swing + 0.3 * sway, -0.5 * swing, sway])


def units(seed: int, loss: float = 0.0, end_s: float = 80.0, shift=None) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Samples of both units at 25 Hz, B 10 ms later, with biases of their own; `shift` is what B changes by in flight."""
    rng = np.random.default_rng(seed)
    found = {}
    for name, late in (("a", 0.0), ("b", 0.01)):
        t = np.arange(0.0, end_s, 0.04) + late
        t = t[rng.random(len(t)) >= loss]
        values = motion(t) + SIGMA * rng.normal(size=(len(t), 6)) + SIGMA * rng.normal(size=6)
        if name == "b" and shift is not None:
            values = values + np.where(t > LIFT_OFF_S, 1.0, 0.0)[:, None] * shift
        found[name] = t, values
    return found


def samples(t: np.ndarray, values: np.ndarray) -> Samples:
    return Samples(t, values, (t > LIFT_OFF_S) & (t < LANDING_S))


def watched(both: dict[str, tuple[np.ndarray, np.ndarray]]) -> tuple[list[PairWindow], list[PairChange]]:
    return PairWatch().take(samples(*both["a"]), samples(*both["b"]))


def test_the_threshold_is_chi_squares() -> None:
    assert FAR == pytest.approx(chi2.isf(1e-6, 3), abs=0.01)


def test_the_distance_is_chi_square_when_units_differ_as_honest_ones_may() -> None:
    """Each flight draws the bias and the scale error an honest unit may have; distances are chi-square, 3 degrees."""
    distances = []
    for seed in range(150):
        rng = np.random.default_rng(5000 + seed)
        at_rest = np.array([FORCE_SHIFT_M_S2] * 3 + [RATE_SHIFT_RAD_S] * 3)
        crossed = 0.01 * np.array([9.0] * 3 + [0.35] * 3)  # 1 % of the force it hangs by and of its swaying
        both = units(seed, end_s=36.0, shift=np.hypot(at_rest, crossed) * rng.normal(size=6))
        distances.append(watched(both)[0][-1].distance)
    for values in np.array(distances).T:
        # The lever and the straight lines are allowed for and hardly used here: a little small, never large.
        assert 1.5 < values.mean() < 3.5 and values.max() < chi2.isf(1e-4, 3)
        assert kstest(values, chi2(3).cdf, alternative="less").pvalue > 1e-3
        assert np.mean(values > chi2.isf(0.1, 3)) < 0.16


@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_no_false_alarm(loss: float) -> None:
    count = 0
    for seed in range(25):
        windows, changes = watched(units(seed, loss))
        count += len(windows)
        assert changes == [] and not any(w.disagrees(kind) for w in windows for kind in (0, 1))
    assert count > 25 * 40 * (1 - loss) ** 3 * 0.7


@pytest.mark.parametrize(
    ("place", "size", "kind"), [(0, 0.9, "accel"), (2, -1.5, "accel"), (3, 0.03, "gyro"), (5, -0.05, "gyro")]
)
@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_a_shifted_axis_is_found_and_measured(place: int, size: float, kind: str, loss: float) -> None:
    shift = np.zeros(6)
    shift[place] = size
    for seed in range(6):
        windows, changes = watched(units(seed, loss, shift=shift))
        assert [(change.kind, change.open) for change in changes] == [(kind, True)]
        assert LIFT_OFF_S < changes[0].t_s < LIFT_OFF_S + 15.0  # its alignment must be known first
        last = windows[-1]
        assert abs(last.apart[place] - size) < 4 * last.apart_sigma[place]


def test_a_unit_that_became_noisy_is_loud() -> None:
    both = units(1)
    t, values = both["b"]
    noisy = (t > 30.0) & (t < 45.0)
    values[noisy, 4] += 0.02 * np.random.default_rng(0).normal(size=int(noisy.sum()))
    windows, changes = watched(both)
    assert [(change.kind, change.open) for change in changes] == [("gyro", True), ("gyro", False)]
    assert changes[0].since_s == pytest.approx(30.0, abs=1.1) and changes[1].t_s == pytest.approx(50.0, abs=2.1)
    assert max(w.scatter[1] for w in windows) > 3.0


def mounted(seed: int, m: np.ndarray, shakes_m_s2: float = 0.0) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Units of which B is mounted and scaled by M, with vibration of each unit's own while the motor thrusts (3 s)."""
    both = units(seed)
    rng = np.random.default_rng(100 + seed)
    for name in "ab":
        t, values = both[name]
        thrusts = (t > LIFT_OFF_S) & (t < LIFT_OFF_S + 3.0)
        values[thrusts, 2] += np.maximum(60.0 - (motion(t)[thrusts, 2]), 0.0)
        values[thrusts, :3] += shakes_m_s2 * rng.normal(size=(int(thrusts.sum()), 3))
        if name == "b":
            values[:, :3] += values[:, :3] @ m.T
            values[:, 3:] += values[:, 3:] @ m.T
    return both


TILT = np.radians(3.0) * np.array([[0.0, -0.6, 0.8], [0.6, 0.0, 0.0], [-0.8, 0.0, 0.0]])


@pytest.mark.parametrize(
    ("m", "shakes"), [(TILT, 0.0), (np.diag([0.05, -0.05, 0.05]), 0.0), (np.zeros((3, 3)), 3.0),
                      (TILT + 0.05 * np.eye(3), 0.0), (TILT, 3.0)],
    ids=["3 degrees of misalignment", "5 % of scale", "3 m/s2 of vibration", "misalignment and scale", "vibration too"],
)  # fmt: skip
def test_healthy_units_mounted_as_builders_do_agree(m: np.ndarray, shakes: float) -> None:
    for seed in range(10):
        assert watched(mounted(seed, m, shakes))[1] == []


def test_a_fault_beside_misalignment_is_still_found() -> None:
    for seed in range(6):
        both = mounted(seed, TILT, 3.0)
        t, values = both["b"]
        values[t > 35.0, 4] += 0.04
        assert [(change.kind, change.open) for change in watched(both)[1]] == [("gyro", True)]


def test_a_shock_in_one_units_sample_alone_is_forgiven() -> None:
    both = units(2)
    for at in (25.3, 25.9, 33.3, 41.0):
        t, values = both["b"]
        values[np.argmin(np.abs(t - at))] += np.array([100.0, -80.0, 150.0, 8.0, -9.0, 20.0])
    assert watched(both)[1] == []


def test_straight_lines_are_taken_at_the_right_instant() -> None:
    """On a ramp of 40 m/s3 the 10 ms between the units are 0.4 m/s2, which must not be left over."""
    both = units(3)
    for name in "ab":
        t, values = both[name]
        values[:, 2] += 40.0 * np.clip(t - 30.0, 0.0, 1.0)
    windows, _ = watched(both)
    ramp = [w for w in windows if w.start_s > 29.9 and w.end_s < 31.2]
    assert ramp and all(abs(w.apart[2]) < 0.1 for w in ramp)


def test_without_a_stay_on_the_pad_or_without_a_partner_nothing_is_said() -> None:
    both = units(4, shift=np.full(6, 5.0))
    late = {name: (t[t > 18.0], values[t > 18.0]) for name, (t, values) in both.items()}
    assert watched(late) == ([], [])
    assert PairWatch().take(samples(*both["a"])) == ([], [])
    assert PairWatch().take(b=samples(*both["b"])) == ([], [])
    apart = {"a": both["a"], "b": (both["b"][0] + 500.0, both["b"][1])}
    assert watched(apart) == ([], [])


@pytest.mark.parametrize("seed", range(8))
def test_any_cut_gives_the_same(seed: int) -> None:
    both = units(seed, 0.15, shift=np.array([0, 0, 1.0, 0, 0.05, 0]) if seed % 2 else None)
    rng, cuts = np.random.default_rng(seed), random.Random(seed)
    for t, values in both.values():
        values[rng.integers(0, len(t), 20), rng.integers(0, 6, 20)] = rng.choice([np.nan, np.inf, 1e300], 20)
        t[rng.integers(600, 900)] = np.nan
        t[700:703] = t[699]
    expected = watched(both)
    watch, windows, changes, at = PairWatch(), [], [], 0.0
    while at < 90.0:
        stop = at + cuts.choice([0.001, 0.01, 0.03, 0.5, 6.0])
        parts = {}
        for name, (t, values) in both.items():
            # A time that is no number travels with the sample before it.
            clean = np.maximum.accumulate(np.where(np.isfinite(t), t, -1.0))
            inside = (clean >= at) & (clean < stop)
            parts[name] = samples(t[inside], values[inside])
        got = watch.take(parts["a"]) if cuts.random() < 0.3 else None
        more = watch.take(parts["a"] if got is None else None, parts["b"])
        for one in (got, more):
            if one is not None:
                windows += one[0]
                changes += one[1]
        at = stop
    assert (windows, changes) == expected and len(windows) > 20


@pytest.mark.parametrize("seed", range(4))
def test_in_turns_all_is_as_if_each_part_had_come_alone(seed: int) -> None:
    """What is told and what is known of the stay on the pad, after every part: the parts of A and B are no two alike."""
    both = units(seed, 0.1, shift=np.array([0, 0, 1.0, 0, 0.05, 0]))
    for t, values in both.values():
        t[300:302], values[310, 2] = t[299], np.nan
        values[:, 4] += 1e-3 * t * (t < LIFT_OFF_S)
    a, b = (samples(*both[unit]) for unit in "ab")
    cuts = np.sort(np.random.default_rng(seed).integers(0, [len(a.t_s), len(b.t_s)], (60, 2)), axis=0)

    def known(watch: PairWatch) -> tuple[object, ...]:
        return watch.drift(), watch.rest["a"].result(), watch.rest["b"].result()

    whole, alone = PairWatch(), PairWatch()
    turns = [(*told, *known(whole)) for told in whole.in_turns(a, b, cuts.tolist())]
    parts = []
    for (from_a, from_b), (to_a, to_b) in zip([[0, 0], *cuts[:-1].tolist()], cuts.tolist(), strict=True):
        told = alone.take(part(a, from_a, to_a), part(b, from_b, to_b))
        parts.append((*told, *known(alone)))
    assert turns == parts
    assert len({str(rest) for *_, rest in turns}) > 5 and sum(len(windows) for windows, *_ in turns) > 20


def part(whole: Samples, start: int, stop: int) -> Samples:
    return Samples(whole.t_s[start:stop], whole.values[start:stop], whole.flying[start:stop])


def of_flight(flight: Heard) -> tuple[PairWatch, list[PairWindow], list[PairChange]]:
    watch, parts = PairWatch(), {}
    for unit in "ab":
        t, values, warmth = imu_matrix(flight.tables, unit)
        parts[unit] = Samples(t, values, flight.flying(t), warmth)
    return watch, *watch.take(parts["a"], parts["b"])


@pytest.mark.parametrize(("scenario", "seed"), [("calm", 1), ("gusty-rail", 2), ("thin-link", 1), ("thin-link", 2)])
def test_the_twins_units_agree(scenario: str, seed: int) -> None:
    watch, windows, changes = of_flight(heard(scenario, seed))
    assert changes == [] and watch.drift() is None
    assert len(windows) > (40 if scenario == "calm" else 8)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_twins_drifting_unit_disagrees_in_flight_too(seed: int) -> None:
    watch, _, changes = of_flight(heard("drifting-imu", seed))
    assert watch.drift().unit == "b"
    assert changes[0].kind == "gyro" and changes[0].open and {change.kind for change in changes} == {"gyro"}


def test_a_window_is_never_stretched_over_a_gap() -> None:
    both = units(6, end_s=60.0)
    kept = {name: (t[(t < 30.0) | (t > 35.0)], v[(t < 30.0) | (t > 35.0)]) for name, (t, v) in both.items()}
    windows, _ = watched(kept)
    assert all(w.end_s - w.start_s < 2.0 for w in windows)
    assert all(w.end_s < 30.0 or w.start_s > 35.0 for w in windows) and WINDOW == 25


def test_only_a_difference_that_matters_is_a_disagreement() -> None:
    """Two degrees of attitude in 30 s, or of the vertical: 0.34 m/s2 and 0.067 deg/s, however sure a smaller one is."""
    far = (1000.0, 1000.0)
    window = replace(watched(units(1))[0][0], distance=far, surely_apart=(0.33, 0.0011))
    assert not window.disagrees(0) and not window.disagrees(1)
    window = replace(window, surely_apart=(0.36, 0.0012))
    assert window.disagrees(0) and window.disagrees(1)


@pytest.mark.parametrize("odd", [0.0, -0.0, np.inf, -np.inf, np.nan])
def test_the_quick_median_of_a_window_is_the_plain_one(odd: float) -> None:
    values = np.random.default_rng(7).normal(size=(200, WINDOW, 6))
    for rows, window in enumerate(values):
        window[: rows % (WINDOW + 1), rows % 6] = odd
        assert _median(window).tobytes() == np.median(window, axis=0).tobytes()
        assert np.float64(_median(window[:, 0])).tobytes() == np.float64(np.median(window[:, 0])).tobytes()
