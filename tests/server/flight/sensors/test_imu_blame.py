"""Which of two units is wrong: the barometer's parabola against scipy, planted errors in every seed, the twin's coast."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from server.flight.sensors.imu_blame import Blame, Deviation, TimeSeries, force_error, rate_error, who_disagrees
from server.flight.sensors.imu_rest import GyroDrift
from tests.server.flight.twin_flights import Heard, heard, imu_matrix

G0 = 9.80665


def coasting(
    seed: int, loss: float = 0.0, error=(0.0, 0.0, 0.0), port: float = 0.0
) -> tuple[TimeSeries, TimeSeries, TimeSeries]:
    """Four seconds of coast with drag, the nose 12 degrees off and rolling: force of one unit, attitude, heights."""
    rng = np.random.default_rng(seed)
    t = 20.0 + np.arange(0.0, 4.0, 0.01)
    climb = 60.0 - 14.0 * (t - 20.0) + 0.4 * (t - 20.0) ** 2  # closed form, so that the height is exact
    height = 90.0 + 60.0 * (t - 20.0) - 7.0 * (t - 20.0) ** 2 + 0.4 * (t - 20.0) ** 3 / 3
    up = -14.0 + 0.8 * (t - 20.0)
    turn = Rotation.from_rotvec([0.0, 0.2, 0.0]) * Rotation.from_rotvec(np.outer(t - 20.0, [0.0, 0.0, 3.0]))
    world = np.column_stack([0.3 * np.ones_like(t), np.zeros_like(t), up + G0])
    force = turn.inv().apply(world) + np.array(error) + 0.1 * rng.normal(size=(len(t), 3))
    heard_height = height + port * climb**2 / (2 * G0) + 0.25 * rng.normal(size=len(t))
    tracks = []
    for step, values in ((4, force), (5, turn.as_quat(scalar_first=True)), (5, heard_height)):
        index = np.arange(0, len(t), step)
        index = index[rng.random(len(index)) >= loss]
        tracks.append(TimeSeries(t[index], values[index]))
    return tuple(tracks)


@pytest.mark.parametrize("loss", [0.0, 0.25])
@pytest.mark.parametrize("along", [0.0, 1.0, -2.0])
def test_the_parabola_is_the_error(along: float, loss: float) -> None:
    off = []
    for seed in range(30):
        found = force_error(*coasting(seed, loss, (0.0, 0.0, along)))
        off.append((found.value - along * np.cos(0.2)) / found.sigma)
        assert 0.05 < found.sigma < 0.3
    assert np.abs(off).max() < 2.5


def test_a_port_in_the_flow_is_within_its_sigma() -> None:
    for seed in range(20):
        found = force_error(*coasting(seed, port=0.01))
        assert abs(found.value) < 2.5 * found.sigma


def test_the_fit_is_scipys() -> None:
    """The unit stands still on the pad, so that the parabola can be fitted straight to the heights."""
    rng = np.random.default_rng(1)
    t = np.arange(0.0, 5.0, 0.05)
    height = 0.3 * t * t + 0.2 * rng.normal(size=len(t))
    found = force_error(
        TimeSeries(t, np.tile([0.0, 0.0, G0], (100, 1))),
        TimeSeries(t, np.tile([1.0, 0, 0, 0], (100, 1))),
        TimeSeries(t, height),
    )
    fit = least_squares(lambda p: p[0] + p[1] * t + 0.5 * p[2] * t * t - height, [0, 0, 0])
    assert -found.value == pytest.approx(fit.x[2], rel=1e-6)


def test_too_little_heard_is_nothing() -> None:
    force, attitude, height = coasting(1)
    empty = TimeSeries(np.zeros(0), np.zeros((0, 3)))
    late = TimeSeries(attitude.t_s + 60.0, attitude.values)
    hole = (force.t_s < 21.0) | (force.t_s > 22.0)
    assert force_error(empty, attitude, height) is None
    assert force_error(force, TimeSeries(np.zeros(0), np.zeros((0, 4))), height) is None
    assert force_error(force, late, height) is None
    assert force_error(TimeSeries(force.t_s[hole], force.values[hole]), attitude, height) is None
    assert force_error(force, attitude, TimeSeries(height.t_s[:14], height.values[:14])) is None
    assert force_error(TimeSeries(force.t_s, np.full_like(force.values, np.nan)), attitude, height) is None
    assert force_error(force, TimeSeries(attitude.t_s, np.zeros_like(attitude.values)), height) is not None


def test_bad_samples_are_passed_over() -> None:
    force, attitude, height = coasting(2)
    rng = np.random.default_rng(0)
    spoiled = []
    for track in (force, attitude, height):
        values = track.values.copy()
        values[::11] = rng.choice([np.nan, np.inf, 1e300])
        order = rng.permutation(np.repeat(np.arange(len(track.t_s)), 2))
        spoiled.append(TimeSeries(track.t_s[order], values[order]))
    found = force_error(*spoiled)
    assert abs(found.value) < 2.5 * found.sigma


@pytest.mark.parametrize("wrong", ["a", "b"])
@pytest.mark.parametrize("loss", [0.0, 0.25])
def test_the_barometer_names_the_wrong_unit_in_every_seed(wrong: str, loss: float) -> None:
    for seed in range(20):
        bad = force_error(*coasting(seed, loss, (0.0, 0.0, 1.2), 0.006))
        good = force_error(*coasting(1000 + seed, loss, port=0.006))
        pair = (bad, good) if wrong == "a" else (good, bad)
        blame = who_disagrees("accel", barometer=pair)
        assert blame.unit == wrong and blame.text == f"unit {wrong.upper()}"


def test_what_the_barometer_cannot_see_it_does_not_judge() -> None:
    """An error across the nose bends no height; two sound units, two wrong ones and deafness neither."""
    across, sound = force_error(*coasting(1, error=(0.0, 1.5, 0.0))), force_error(*coasting(2))
    both = force_error(*coasting(3, error=(0, 0, 2.0))), force_error(*coasting(4, error=(0, 0, -2.0)))
    for pair in ((across, sound), (sound, sound), both, (None, sound), (sound, None)):
        blame = who_disagrees("accel", barometer=pair)
        assert (blame.unit, blame.text) == (None, "cannot tell") and len(blame.reasons) == 1


DRIFT_B = GyroDrift("b", 1, 1e-3, 1e-5)
NEAR, FAR = Deviation(0.001, 0.003), Deviation(0.05, 0.003)


@pytest.mark.parametrize(
    ("navigation", "drift", "uses", "unit"),
    [
        ((NEAR, FAR), None, None, "b"),
        ((FAR, NEAR), None, None, "a"),
        ((NEAR, FAR), None, "a", None),  # it runs on A, of course it agrees with A
        ((FAR, NEAR), None, "b", None),
        ((NEAR, FAR), DRIFT_B, "a", "b"),
        ((FAR, NEAR), DRIFT_B, "b", "b"),
        ((FAR, NEAR), DRIFT_B, None, None),  # witnesses that contradict each other
        ((NEAR, FAR), DRIFT_B, None, "b"),
        ((None, None), GyroDrift(None, 0, 1e-3, 1e-5), "a", None),
        ((NEAR, NEAR), None, None, None),
        ((FAR, FAR), None, None, None),
        ((FAR, Deviation(0.015, 0.003)), None, None, None),  # the better one is wrong as well
    ],
)
def test_who_is_believed_about_rates(navigation, drift, uses, unit) -> None:
    blame = who_disagrees("gyro", navigation=navigation, drift=drift, navigation_uses=uses)
    assert isinstance(blame, Blame) and blame.unit == unit and blame.reasons
    if uses is not None:
        assert "proves nothing" in blame.reasons[-1]


def test_rates_are_measured_against_an_independent_navigation() -> None:
    rng = np.random.default_rng(4)
    t, tn = np.arange(0.0, 5.0, 0.04), np.arange(0.003, 5.0, 0.05)

    def true(at: np.ndarray) -> np.ndarray:
        return np.column_stack([np.sin(at), np.cos(at), 0.5 * at])

    told = TimeSeries(tn, true(tn))
    sound = rate_error(TimeSeries(t, true(t) + 0.002 * rng.normal(size=(len(t), 3)) + 0.01), (0.01, 0.01, 0.01), told)
    wrong = rate_error(TimeSeries(t, true(t) + [0.0, 0.06, 0.0]), (0.0, 0.0, 0.0), told)
    assert sound.value < 0.003 and wrong.value == pytest.approx(0.06, abs=0.002)
    assert who_disagrees("gyro", navigation=(sound, wrong)).unit == "b"
    assert rate_error(TimeSeries(t[:5], true(t[:5])), (0, 0, 0), told) is None
    assert rate_error(TimeSeries(t + 50.0, true(t)), (0, 0, 0), told) is None


def coast_errors(flight: Heard, plus: dict[str, float]) -> tuple[Deviation | None, ...]:
    start, end = flight.truth["burnout_s"] + 0.2, flight.truth["apogee_s"]

    def cut(t: np.ndarray, values: np.ndarray) -> TimeSeries:
        inside = (t >= start) & (t <= end)
        return TimeSeries(t[inside], values[inside])

    attitude = cut(flight.time("navigation"), flight.matrix("navigation", "q_w", "q_x", "q_y", "q_z"))
    height = cut(flight.time("ground_vertical"), flight.tables["ground_vertical"][1]["height_raw"])
    errors = []
    for unit in "ab":
        t, values, _ = imu_matrix(flight.tables, unit)
        errors.append(force_error(cut(t, values[:, :3] + [0.0, 0.0, plus.get(unit, 0.0)]), attitude, height))
    return tuple(errors)


@pytest.mark.parametrize(("scenario", "seed"), [("calm", 1), ("calm", 2), ("thin-link", 1), ("gusty-rail", 2)])
def test_the_twins_coast_convicts_the_guilty_and_no_other(scenario: str, seed: int) -> None:
    flight = heard(scenario, seed)
    assert who_disagrees("accel", barometer=coast_errors(flight, {}), navigation_uses="a").unit is None
    for guilty in "ab":
        # A nose that leans 60 degrees shows the barometer half of it.
        errors = coast_errors(flight, {guilty: 3.0 if scenario == "gusty-rail" else 1.2})
        assert who_disagrees("accel", barometer=errors, navigation_uses="a").unit == guilty
