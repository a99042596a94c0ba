"""What the guide says at each step of a simulated bench, and that it ends by itself with the true numbers."""

from __future__ import annotations

import numpy as np
import pytest

from server.calibrating.guide import CAUTION, KINDS, Options, calibrated, groups_of, standing
from server.calibrating.signals import Signals
from server.flight.calibration.estimate import UncalibratedFault
from tests.server.calibrating.moves import (
    ACCEL,
    ACCEL_BIAS,
    B_TURNED,
    GYRO_BIAS,
    GYRO_SCALE,
    IRON,
    G,
    Moves,
    six_sides,
    three_turns,
    up_and_down,
)

STAIRS = (0.0, 3.0, 6.0, 9.0, 6.0, 3.0, 0.0)


def until(signals: Signals, t_s: float) -> Signals:
    return {name: (t[t <= t_s], values[t <= t_s]) for name, (t, values) in signals.items()}


def said(options: Options, signals: Signals, every_s: float = 0.5) -> list[str]:
    """Return what was said, each change once, as the signals come in."""
    told: list[str] = []
    for now_s in np.arange(1.0, signals["accel.a"][0][-1] + 0.1, every_s):
        here = standing(options, until(signals, now_s))
        if not told or told[-1] != here.do:
            told.append(here.do)
        if here.ready:
            break
    return told


def within(found, name: str, true: object, sigmas: float = 4.0) -> bool:  # type: ignore[no-untyped-def]
    one = found.of(name)
    return bool((np.abs(one.values - np.asarray(true)) <= sigmas * one.sigma).all())


def test_six_sides_are_recognized_one_by_one_and_end_in_the_true_numbers() -> None:
    options = Options("accelerometer", gravity_m_s2=G, gravity_sigma=0.001, count_m_s2=0.01)
    signals = six_sides().signals()
    told = said(options, signals)
    assert any(line.startswith("Hold still: nose up") for line in told)
    assert "Lay it on another side, for example nose down; let go and wait." in told
    assert told[-1] == "All six sides are there."
    here = standing(options, signals)
    assert here.ready and len(here.seen) == 6 and here.seen[1].startswith("nose down: still for")
    found = calibrated(options, signals)
    assert within(found, "bias", ACCEL_BIAS) and within(found, "matrix", np.linalg.inv(ACCEL))


def test_a_hand_that_never_lets_go_is_told_so_and_nothing_is_calibrated() -> None:
    signals = Moves().wandering(30.0).signals()
    options = Options("accelerometer")
    assert standing(options, signals).share == 0.0
    with pytest.raises(UncalibratedFault, match="0 of 6 different positions"):
        calibrated(options, signals)


def test_a_gyro_waits_until_it_lay_still_for_long_enough() -> None:
    signals = Moves().wandering(3.0).still(75.0).signals()
    told = said(Options("gyro"), signals, 5.0)
    assert any("Hold still" in line for line in told) and told[-1] == "It lay still long enough."
    found = calibrated(Options("gyro"), signals)
    assert within(found, "bias", GYRO_BIAS)
    with pytest.raises(UncalibratedFault, match="never lay still"):
        calibrated(Options("gyro"), until(signals, 30.0))


def test_turns_are_recognized_by_axis_and_those_that_are_none_do_not_count() -> None:
    moves = three_turns()
    signals = moves.signals()
    told = said(Options("turn"), signals)
    assert "Turn it exactly once around about x, back against the stop, and let go." in told
    assert "Turn it exactly once around about z (the long axis), back against the stop, and let go." in told
    assert told[-1] == "There is a whole turn about each axis."
    found = calibrated(Options("turn"), signals)
    assert found.of("scale").values == pytest.approx(GYRO_SCALE, abs=0.002) and within(found, "scale", GYRO_SCALE)
    half = Moves().still(5.0).turned(np.array([0.0, 0.0, 1.5 * np.pi]), 4.0).still(5.0).signals()
    assert "by 271 degrees: not once around" in standing(Options("turn"), half).seen[0]
    tilted = Moves().still(5.0).turned(np.array([5.8, 0.0, 0.0]), 5.0).still(5.0).signals()
    assert "did not come back" in standing(Options("turn"), tilted).seen[0]


def test_an_allan_deviation_is_read_off_a_wait() -> None:
    signals = Moves().still(130.0).signals()
    options = Options("allan", seconds=120.0)
    assert standing(options, signals).ready and not standing(Options("allan"), signals).ready
    walk = calibrated(options, signals).of("angle_random_walk").values
    assert walk == pytest.approx([0.003 * 0.2] * 3, rel=0.15)


def test_two_units_turned_by_hand_give_their_alignment() -> None:
    signals = Moves().wandering(60.0).signals()
    told = said(Options("alignment"), signals, 5.0)
    assert told[0].startswith("Turn it by hand about all three axes") and told[-1] == "It was turned enough."
    assert within(calibrated(Options("alignment"), signals), "rotation", B_TURNED, 5.0)


def test_a_magnetometer_ends_when_every_direction_is_there() -> None:
    signals = Moves().wandering(240.0).signals()
    options = Options("magnetometer")
    assert 0.0 < standing(options, until(signals, 3.0)).share < 1.0
    assert standing(options, signals).ready
    assert within(calibrated(options, signals), "bias", IRON)


def test_stairs_are_visited_in_the_order_said_and_a_nudge_is_no_stair() -> None:
    options = Options("barometer", heights_m=STAIRS, temperature_k=288.15, temperature_sigma_k=2.0)
    signals = up_and_down(STAIRS).signals()
    told = said(options, signals, 2.0)
    assert told[0].startswith("Put it down at 0 m") and any("at 9 m" in line for line in told)
    assert told[-1] == "Every height is there."
    assert calibrated(options, signals).of("scale").values[0] == pytest.approx(1.02, abs=0.01)
    nudged = Moves().still(13.0).turned(np.array([0.0, 0.0, 0.3]), 2.0).still(13.0).signals()
    assert len(standing(options, nudged).seen) == 1
    with pytest.raises(UncalibratedFault, match="1 of 7 heights"):
        calibrated(options, nudged)


def test_what_is_silent_is_told_and_every_kind_names_what_it_needs() -> None:
    nothing = {name: (t[:0], v[:0]) for name, (t, v) in Moves().still(1.0).signals().items()}
    for what in KINDS:
        options = Options(what, heights_m=STAIRS)
        assert "is the vehicle on?" in standing(options, nothing).do
        assert groups_of(options)[0]
    for word in ("motor", "charges", "arming key", "hands clear", "fins powered off"):
        assert word in CAUTION
