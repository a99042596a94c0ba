"""Accelerometer, gyro, alignment, magnetometer, barometer: exact without noise, refused where too little is told."""

from __future__ import annotations

from math import radians

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from protocol.arrays import Floats
from server.flight.calibration.accelerometer import Position, accelerometer, gravity_m_s2, positions_of
from server.flight.calibration.alignment import alignment
from server.flight.calibration.barometer import Visit, barometer
from server.flight.calibration.estimate import UncalibratedFault, rotation_of, steady_mean, student_factor, turn_of
from server.flight.calibration.gyro import gyro_at_rest, gyro_of_turns, turn_between
from server.flight.calibration.magnetometer import directions, magnetometer, rough_cover
from server.flight.calibration.rest import face_direction, face_up, stretches_at_rest
from tests.accuracy.calibration import KINDS, STAIRS, coverage, hand

A = np.array([[1.01, 0.004, -0.003], [-0.006, 0.985, 0.002], [0.001, 0.005, 1.02]])
B = np.array([0.1, -0.2, 0.05])
SIDES = np.vstack((np.eye(3), -np.eye(3)))


def positions(directions: Floats, g: float = 9.81) -> list[Position]:
    return [Position(A @ (g * d) + B, np.full(3, 1e-6)) for d in directions]


# ---------------------------------------------------------------- accelerometer


def test_six_exact_sides_give_twelve_exact_numbers() -> None:
    """The closed form of six positions: bias is the middle of two opposite readings, columns of A half their difference."""
    told = accelerometer(positions(SIDES), 9.81)
    assert told.of("bias").values == pytest.approx(B, abs=1e-6)
    assert told.of("matrix").values == pytest.approx(np.linalg.inv(A), abs=1e-6)
    assert told.said == ()


def test_crossed_axes_are_no_surer_than_the_sides_were_laid() -> None:
    loose, tight = (accelerometer(positions(SIDES), 9.81, placed_sigma_rad=radians(s)) for s in (1.0, 0.1))
    assert loose.of("matrix").sigma[0, 1] == pytest.approx(radians(1.0) / np.sqrt(2.0), rel=0.05)  # two sides for each
    assert tight.of("matrix").sigma[0, 1] < 0.2 * loose.of("matrix").sigma[0, 1]
    assert tight.of("matrix").sigma[0, 0] < loose.of("matrix").sigma[0, 1]


def test_sides_laid_worse_than_said_widen_every_sigma_and_are_told() -> None:
    turns = np.random.default_rng(1).standard_normal((6, 3)) * radians(4.0)
    laid = np.array([rotation_of(turn) @ side for turn, side in zip(turns, SIDES, strict=True)])
    told = accelerometer(positions(laid), 9.81, placed_sigma_rad=radians(0.3))
    assert "Lay the sides flatter" in told.said[0]
    assert told.of("matrix").sigma[0, 1] > 3 * radians(0.3) / np.sqrt(2.0)


@pytest.mark.parametrize(
    ("laid", "sentence"),
    [
        (SIDES[:5], r"5 of 6 different positions: still to come are -z up"),
        (np.vstack((SIDES[:4], SIDES[:2])), r"4 of 6 .* \+z, -z|4 of 6 .* -y, -z"),
        (SIDES * 0.5, "no gravity"),
    ],
)
def test_too_few_positions_name_what_is_missing(laid: Floats, sentence: str) -> None:
    with pytest.raises(UncalibratedFault, match=sentence):
        accelerometer(positions(laid), 9.81)


def test_positions_that_lean_one_way_name_the_axis() -> None:
    around = [[np.cos(a), np.sin(a), 0.1] for a in np.radians([0, 45, 90, 135, 180, 225, 270, 315])]
    with pytest.raises(UncalibratedFault, match="too little along z"):
        accelerometer(positions(np.array(around) / np.sqrt(1.01)), 9.81)


def test_a_count_of_the_wire_is_no_surer_than_it_is() -> None:
    still = np.tile([0.0, 0.0, 9.81], (125, 1))
    assert positions_of([still], 0.01)[0].variance == pytest.approx([0.01**2 / 12.0] * 3)


def test_gravity_is_that_of_the_formula_at_equator_and_pole() -> None:
    """tests/SOURCES.md, calibration-gravity."""
    assert gravity_m_s2(0.0, 0.0) == pytest.approx(9.7803253, abs=1e-7)
    assert gravity_m_s2(90.0, 0.0) == pytest.approx(9.8321849, abs=1e-6)
    assert gravity_m_s2(45.0, 1000.0) == pytest.approx(9.8061977 - 0.003086, abs=1e-6)


# ---------------------------------------------------------------- rest


def test_stretches_at_rest_are_found_and_each_side_is_known() -> None:
    rng, t = np.random.default_rng(2), np.arange(1000) / 25.0
    force = 0.05 * rng.standard_normal((1000, 3))
    force[:400] += [0, 0, 9.8]
    force[400:500] += np.linspace([0, 0, 9.8], [9.8, 0, 0], 100)
    force[500:] += [9.8, 0, 0]
    found = stretches_at_rest(t, force, None, 3.0)
    assert [round(one.start_s) for one in found] == [0, 21] or len(found) == 2
    assert found[0].end_s <= 16.0 and found[1].start_s >= 20.0
    assert [face_up(force[one.first : one.stop].mean(axis=0)) for one in found] == ["+z", "+x"]
    assert face_up(np.array([5.0, 5.0, 5.0])) == "" and face_direction("-y").tolist() == [0.0, -1.0, 0.0]


def test_a_noisy_unit_lies_still_all_the_same() -> None:
    """With 0.2 m/s2 of noise a stay was once cut at every few seconds: means of half a second differ by chance."""
    t = np.arange(3000) / 25.0
    force = np.array([0.0, 0.0, 9.8]) + 0.16 * np.random.default_rng(11).standard_normal((3000, 3))
    found = stretches_at_rest(t, force, None, 3.0)
    assert len(found) == 1 and found[0].end_s - found[0].start_s > 117.0


def test_a_gyro_that_turns_is_not_at_rest() -> None:
    t = np.arange(500) / 25.0
    force = np.tile([0.0, 0.0, 9.8], (500, 1))
    rates = np.zeros((500, 3))
    rates[200:260, 2] = np.sin(np.linspace(0, np.pi, 60))
    assert len(stretches_at_rest(t, force, rates, 3.0)) == 2
    assert stretches_at_rest(t[:3], force[:3], None, 3.0) == []


# ---------------------------------------------------------------- gyro


def test_a_gyro_at_rest_tells_bias_and_how_steady_it_is() -> None:
    rng, count = np.random.default_rng(3), 25 * 300
    slow = np.repeat(0.001 * rng.standard_normal((30, 3)), 250, axis=0)
    told = gyro_at_rest(np.arange(count) / 25.0, [0.01, 0.0, -0.02] + slow + 0.002 * rng.standard_normal((count, 3)))
    assert np.all(np.abs(told.of("bias").values - [0.01, 0.0, -0.02]) < 3 * told.of("bias").sigma)
    assert told.of("steady").values == pytest.approx([0.001] * 3, rel=0.4)


def turned(axis: int, degrees: float, scale: float, gap: bool = False) -> tuple[Floats, Floats]:
    t = np.arange(500) / 25.0
    rates = np.full((500, 3), 0.01)
    share = (t - 6.0) / 6.0
    rates[:, axis] += np.where(
        (share > 0) & (share < 1), radians(degrees) * scale / 6.0 * (1 - np.cos(2 * np.pi * share)), 0
    )
    keep = (t < 8.0) | (t > 9.0) if gap else np.ones(500, dtype=bool)
    return t[keep], rates[keep]


def turn_of_axis(axis: int, degrees: float, scale: float = 1.0):  # type: ignore[no-untyped-def]
    t, rates = turned(axis, degrees, scale)
    return turn_between(t, rates, slice(0, 140), slice(310, 500))


def test_three_whole_turns_give_each_scale_either_way_round() -> None:
    told = gyro_of_turns([turn_of_axis(0, 360, 1.01), turn_of_axis(1, -360, 0.98), turn_of_axis(2, 360, 1.0)])
    assert told.of("scale").values == pytest.approx([1.01, 0.98, 1.0], abs=1e-4)
    assert told.of("scale").sigma == pytest.approx([0.5 / 360.0] * 3, rel=0.1)


def test_turns_that_are_none_are_refused() -> None:
    two = [turn_of_axis(0, 360), turn_of_axis(1, 360)]
    with pytest.raises(UncalibratedFault, match="there is no turn about z"):
        gyro_of_turns(two)
    with pytest.raises(UncalibratedFault, match="about z was by 270 degrees"):
        gyro_of_turns([*two, turn_of_axis(2, 270)])
    t, rates = turned(0, 360, 1.0, gap=True)
    with pytest.raises(UncalibratedFault, match="packets were lost for 1.[01] s"):
        turn_between(t, rates, slice(0, 140), slice(280, 470))


# ---------------------------------------------------------------- alignment


def test_the_rotation_between_two_units_is_that_of_an_independent_library() -> None:
    """Kabsch against scipy's Rotation.align_vectors on the same rates, without delay or noise."""
    true = Rotation.from_rotvec([0.02, -0.03, 0.05])
    t = np.arange(1500) / 25.0
    a = hand(np.random.default_rng(5), 60.0)(t)
    b = a @ true.as_matrix().T
    told = alignment(t, a, t, b).of("rotation")
    theirs, _ = Rotation.align_vectors(b, a)
    assert told.values == pytest.approx(theirs.as_rotvec(), abs=1e-6) and told.values == pytest.approx(
        [0.02, -0.03, 0.05], abs=1e-6
    )


def test_a_delay_and_a_scale_are_no_rotation() -> None:
    t = np.arange(1500) / 25.0
    at = hand(np.random.default_rng(6), 60.0)
    told = alignment(t, at(t), t + 0.0, at(t + 0.02) @ np.diag([1.02, 0.98, 1.01]))
    assert told.of("rotation").values == pytest.approx([0.0] * 3, abs=1e-3)


def test_turning_about_two_axes_only_is_refused_by_name() -> None:
    t = np.arange(1500) / 25.0
    a = hand(np.random.default_rng(7), 60.0)(t) * [1.0, 0.02, 1.0]
    with pytest.raises(UncalibratedFault, match="hardly turned about y"):
        alignment(t, a, t, a)
    with pytest.raises(UncalibratedFault, match="too few"):
        alignment(t[:50], a[:50], t[:50], a[:50])


def test_rotation_vector_and_matrix_are_those_of_scipy() -> None:
    for vector in ([0.0, 0.0, 0.0], [0.3, -0.2, 0.1], [1.0, 2.0, -1.0]):
        assert rotation_of(np.array(vector)) == pytest.approx(Rotation.from_rotvec(vector).as_matrix(), abs=1e-12)
        assert turn_of(rotation_of(np.array(vector))) == pytest.approx(vector, abs=1e-9)


# ---------------------------------------------------------------- magnetometer


def test_an_exact_ellipsoid_gives_center_and_shape() -> None:
    shape = np.array([[1 / 40, 0.001, 0.0], [0.001, 1 / 50, -0.001], [0.0, -0.001, 1 / 45]])
    told = magnetometer(directions(300) @ np.linalg.inv(shape).T + [10.0, -20.0, 5.0])
    assert told.of("bias").values == pytest.approx([10.0, -20.0, 5.0], abs=1e-6)
    assert told.of("matrix").values == pytest.approx(shape, abs=1e-9)


def test_half_a_sphere_is_refused_and_the_missing_side_named() -> None:
    rng = np.random.default_rng(8)
    d = directions(1200)
    readings = 48.0 * d[d[:, 1] > -0.1] + 0.3 * rng.standard_normal((int((d[:, 1] > -0.1).sum()), 3))
    with pytest.raises(UncalibratedFault, match=r"not turned to on the side of -y"):
        magnetometer(readings)
    with pytest.raises(UncalibratedFault, match="no ellipsoid|not turned to"):
        magnetometer(48.0 * d * [1.0, 1.0, 0.0] + 0.1 * rng.standard_normal(d.shape))
    with pytest.raises(UncalibratedFault, match="too few"):
        magnetometer(d[:100])


def test_the_cover_grows_while_it_is_turned() -> None:
    d = 48.0 * directions(400) + [10.0, 0.0, 0.0]
    assert rough_cover(d) == 1.0 and rough_cover(d[:5]) == 0.0
    assert rough_cover(d[:40]) < 0.8  # from the pole on


# ---------------------------------------------------------------- barometer


def stairs(scale: float, drift_pa_min: float, heights: tuple[float, ...] = STAIRS) -> list[Visit]:
    zero = 100800.0
    return [
        Visit(60.0 * k, h, zero + scale * (zero * np.exp(-9.80665 * h / (287.05287 * 288.15)) - zero) + drift_pa_min * k)
        for k, h in enumerate(heights)
    ]


def test_stairs_give_scale_and_offset_and_tell_the_weather_apart() -> None:
    told = barometer(stairs(1.02, 4.0), 288.15, 2.0, 100750.0)
    assert told.of("scale").values[0] == pytest.approx(1.02, abs=5e-4)
    assert told.of("scale").sigma[0] == pytest.approx(1.02 * 2.0 / 288.15, rel=0.05)
    assert told.of("offset").values[0] == pytest.approx(50.0, abs=0.1)
    assert told.of("drift").values[0] == pytest.approx(-4.0 / 11.9, abs=0.01)


@pytest.mark.parametrize(
    ("heights", "sentence"),
    [
        ((0.0, 3.0, 0.0), "3 stays at 2 heights are too few"),
        ((0.0, 0.5, 1.0, 0.5, 0.0), "1.0 m of rise is too little"),
        ((0.0, 3.0, 6.0, 9.0, 12.0), "come back down"),
    ],
)
def test_stairs_that_tell_too_little_are_refused(heights: tuple[float, ...], sentence: str) -> None:
    with pytest.raises(UncalibratedFault, match=sentence):
        barometer(stairs(1.0, 0.0, heights))


# ---------------------------------------------------------------- doubts


def test_noise_that_lasts_widens_a_mean() -> None:
    rng = np.random.default_rng(9)
    slow = np.repeat(rng.standard_normal((300, 1)), 10, axis=0)
    _, variance, freedom = steady_mean(slow)
    assert variance[0] == pytest.approx(1.0 / 300.0, rel=0.8) and freedom == 11
    assert student_factor(10**6) == pytest.approx(0.98, abs=1e-3) and student_factor(4) == pytest.approx(1.388, abs=1e-3)
    with pytest.raises(UncalibratedFault, match="too few"):
        steady_mean(np.zeros((10, 3)))


@pytest.mark.parametrize("kind", KINDS)
def test_two_sigmas_hold_the_truth_of_simulated_units(kind: str) -> None:
    """The short form; `python -m tests.accuracy.calibration` prints 500 runs for each parameter."""
    told = coverage(kind, 40)
    assert 0.89 <= np.mean([share for share, _, _ in told.values()]) <= 0.99
