"""The study of control: on recordings, and on a flight whose fins and side motors are known."""

from __future__ import annotations

from functools import cache
from math import degrees

import numpy as np
import pytest

from server.analysis.figures.figure import Figures
from server.analysis.flight_log import FlightLog
from server.analysis.judgements.case import Case
from server.analysis.judgements.schedule import COLUMNS, MERGED
from server.analysis.roles import BODY_RATE, POSITION, QUATERNION, VELOCITY
from server.design.sheet_files import load_sheets
from server.design.sheet_numbers import SheetNumbers, sheet_numbers_of
from server.review.review import open_review
from server.study.asking import whole_flight
from server.study.control import study
from server.study.control_window import world_in_body
from server.study.study import Number, Study
from server.telemetry.batch import Rows
from server.twin import attitude
from tests.accuracy.control_flights import CONTROL_S, Flown, Plan, fly, mode_truth, step_truth
from tests.browser.station import ROOT

MEASURED = tuple(f"fin[{n}].measured" for n in (1, 2, 3, 4))
FIRED = tuple(f"channel[{n}].fired" for n in (1, 2, 3, 4))


@cache
def facts() -> SheetNumbers:
    sheets = load_sheets(None, True)
    return sheet_numbers_of(sheets.vehicle, sheets.site)


@cache
def sample(name: str) -> Study:
    case = whole_flight(open_review(ROOT / "replay_samples" / f"{name}.pcapng"))
    case.facts = facts()
    return study(case)


def case_of(flown: Flown, sheet: SheetNumbers, fired: tuple[tuple[float, int], ...] = (), measured: bool = True) -> Case:
    """Return a flight of the tests as the station would have it at its end."""
    commanded = tuple(name.replace("measured", "commanded") for name in MEASURED)
    log = FlightLog({**COLUMNS, "fins": MEASURED, "fins_commanded": commanded, "side_motors": FIRED}, MERGED)

    def put(series: str, t: np.ndarray, columns: dict[str, np.ndarray]) -> None:
        order = np.arange(t.size)
        log.add(series, Rows(order, t, t, np.zeros(t.size, dtype=bool), columns), columns)

    t, velocity, quaternion, height = flown.state
    rates = np.stack([np.interp(t, flown.rates[0][0], flown.rates[0][1][:, i]) for i in range(3)], axis=1)
    nothing = np.zeros(t.size)
    state = dict(zip((*VELOCITY, *QUATERNION, *BODY_RATE), [*velocity.T, *quaternion.T, *rates.T], strict=True))
    put("state", t, {**dict(zip(POSITION, (nothing, nothing, height), strict=True)), **state})
    for unit, (times, values) in zip("ab", flown.rates[1:], strict=True):
        put(f"unit_{unit}", times, dict(zip([f"gyro.{unit}.{axis}" for axis in "xyz"], values.T, strict=True)))
    if measured:
        put("fins", flown.fins[0], dict(zip(MEASURED, flown.fins[1].T, strict=True)))
    put("fins_commanded", flown.commanded[0], dict(zip(commanded, flown.commanded[1].T, strict=True)))
    flag_t = np.arange(0.1, flown.end_s, 0.2)
    flags = {f"channel[{n}].fired": np.zeros(flag_t.size) for n in (1, 2, 3, 4)}
    for at, n in fired:
        flags[f"channel[{n}].fired"][flag_t >= at] = 1.0
    put("side_motors", flag_t, flags)
    # The pad, where the fins rest: its samples stand before zero.
    rest = np.arange(-20.0, -1.5, 0.05)
    scatter = 0.0006 * np.random.default_rng(1).standard_normal((rest.size, 4))
    if measured:
        put("fins", rest, dict(zip(MEASURED, scatter.T, strict=True)))
    moments = {"lift_off": (0.0, 0.0), "burnout": (flown.burnout_s, 0.0), "apogee": (flown.end_s, 0.0)}
    moments |= {"control_enabled": (CONTROL_S, 0.0)}
    return Case(log, sheet, moments, Figures(), 10**9, flown.end_s)


def number(told: Study, name: str) -> Number:
    return next(one for one in told.numbers if one.name == name)


def test_a_calm_flight_tells_roll_and_says_what_pitch_and_yaw_would_have_taken() -> None:
    told = sample("calm")
    roll = number(told, "roll effectiveness")
    assert roll.low < 0.392 < roll.high and roll.value == pytest.approx(0.392, rel=0.15)
    assert any(text.startswith("Pitch (about body x): not excited") for text in told.said)
    assert number(told, "pitch effectiveness").value is None
    assert any(text.startswith("To tell pitch within 10 %") for text in told.advice)
    assert told.pictures and told.cautions


def test_a_gust_leaves_the_size_in_doubt_and_a_moment_of_control_is_called_so() -> None:
    told = sample("gusty-bad-number")
    roll = number(told, "roll effectiveness")
    assert roll.low < 0.392 < roll.high
    assert any("Let control work for longer" in text for text in told.advice)


@pytest.mark.parametrize("name", ["bench-trial", "thin-link"])
def test_what_cannot_be_told_has_its_reason(name: str) -> None:
    told = sample(name)
    assert told.said and not told.numbers
    assert "recording" in told.said[0] or "too little" in told.said[0]


def test_excited_axes_a_side_motor_and_the_promise_stand_in_the_numbers() -> None:
    fired = ((4.4, 2),)
    flown = fly(4, Plan("three axes", amplitude_rad=0.12, torque_rad_s2=0.3, fired=fired))
    told = study(case_of(flown, facts(), fired))
    true = mode_truth(flown)
    for place, axis in ((1, "pitch"), (2, "yaw")):
        effect = number(told, f"{axis} effectiveness")
        assert effect.low < true[place, place] < effect.high, axis
    assert number(told, "yaw, by the sheet's fins").value == pytest.approx(0.0142, rel=0.01)
    step = number(told, "Side motor 2: step of the rate")
    assert step.low < degrees(step_truth(flown, 2)) < step.high
    impulse = number(told, "Side motor 2: impulse")
    assert impulse.low < 1.6 < impulse.high
    arm = number(told, "Side motor 2: lever arm")
    assert arm.low < flown.point.center_m - 0.30 < arm.high


def test_a_reversed_roll_is_said_with_its_chance() -> None:
    told = study(case_of(fly(2, Plan("roll", share=-0.3)), facts()))
    assert "reversed" in told.said[0] and "less than one in a million" in told.said[0]
    assert told.advice[0].startswith("Turn the sign of the roll commands")


def test_a_weak_fin_is_named() -> None:
    flown = fly(2, Plan("each fin", amplitude_rad=0.1, torque_rad_s2=0.3, each=(1.0, 1.0, 0.3, 1.0)))
    told = study(case_of(flown, facts()))
    assert any(text.startswith("Fin 3 gives") for text in told.said)
    assert not any(text.startswith(("Fin 1 gives", "Fin 2 gives", "Fin 4 gives")) for text in told.said)


def test_commands_serve_where_nothing_measures_the_fins_and_a_dud_is_seen() -> None:
    flown = fly(6, Plan("three axes", amplitude_rad=0.12, torque_rad_s2=0.3, is_smooth=True))
    told = study(case_of(flown, facts(), ((3.0, 1),), measured=False))
    assert any("their commands were taken" in text for text in told.said)
    yaw = number(told, "yaw effectiveness")
    assert yaw.low < mode_truth(flown)[2, 2] < yaw.high
    assert any("no push is seen" in text for text in told.said)


def test_the_axes_of_the_world_in_the_body_are_the_twins() -> None:
    turned = attitude.from_tilt(0.3, 1.1, 0.7)
    rows = world_in_body(np.array([turned]))
    for axis, world in zip(rows, ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)), strict=True):
        assert axis[0] == pytest.approx(attitude.to_body(turned, world))
