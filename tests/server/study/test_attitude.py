"""What the study of attitude says of flights whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from functools import cache

import numpy as np

from server.analysis.figures.control import GuardFigure
from server.analysis.figures.figure import Figures
from server.analysis.flight_log import Window
from server.analysis.judgements.case import Case
from server.analysis.pipeline import recorded_case
from server.analysis.roles import QUATERNION
from server.flight.inertial.rotations import of_vector, product
from server.review.review import open_review
from server.study import attitude, bad_frame
from server.study.asking import whole_flight as asked
from server.study.study import Study
from server.twin.scenarios import load_scenario
from tests.browser.station import ROOT
from tests.server.flights import FACTS, Flight, dictionary, whole_flight


@cache
def case_of(scenario: str, seed: int = 1) -> Case:
    """Return a flight of the simulated vehicle as it is asked at its end."""
    whole = whole_flight(load_scenario(scenario), seed, 15.0)
    return recorded_case(dictionary(), Flight(whole.chunks, whole.truth).records(), 0, FACTS)


class Changed(Case):
    """A case whose windows are changed by a function of series and window."""

    change: Callable[[str, Window], Window]

    def window(self, series: str, start_s: float, stop_s: float) -> Window:
        """Return the changed window."""
        return self.change(series, super().window(series, start_s, stop_s))


def changed(case: Case, change: Callable[[str, Window], Window]) -> Changed:
    """Return a case with its windows changed."""
    made = Changed(**{field.name: getattr(case, field.name) for field in fields(case)})
    made.change = change
    return made


def value(told: Study, name: str) -> tuple[float, float, float]:
    """Return a number's value and interval."""
    (one,) = [number for number in told.numbers if number.name == name]
    assert one.value is not None and one.low is not None and one.high is not None
    return one.value, one.low, one.high


def test_a_calm_flight_is_told_with_its_interval_and_the_claim_within_it() -> None:
    told = attitude.study(case_of("calm"))
    truth = whole_flight(load_scenario("calm"), 1, 15.0)
    at = int(np.searchsorted(truth.trajectory["t_s"], truth.truth["apogee_s"]))
    tilt = np.degrees(truth.trajectory["tilt"][at])
    _, low, high = value(told, "tilt at apogee, unit A")
    assert low < tilt < high and high - low < 12.0
    _, low, high = value(told, "sideways speed at apogee, unit A")
    assert low < np.hypot(*truth.trajectory["vel"][at, :2]) < high
    _, low, high = value(told, "height at apogee, unit A")
    assert low < truth.truth["apogee_m"] < high
    assert FACTS.navigation_unit == "a" and told.said[0].startswith("By unit B of the telemetry alone")
    assert any("never left the doubt" in text for text in told.said)
    assert any("agree within their doubts" in text for text in told.said)
    assert told.advice == [] and len(told.pictures) == 2


def test_a_claim_that_turns_aside_is_dated_and_not_believed() -> None:
    case = case_of("calm")
    lift_off = case.t_of("lift_off")
    assert lift_off is not None

    def turned(series: str, window: Window) -> Window:
        if series != "state":
            return window
        wrong = product(of_vector(np.array([0.0, 0.7, 0.0])), window.stack(*QUATERNION))
        after = window.t > lift_off + 3.0
        parts = {name: np.where(after, wrong[:, k], window[name]) for k, name in enumerate(QUATERNION)}
        return Window(window.t, {**window.columns, **parts})

    told = attitude.study(changed(case, turned))
    (parts,) = [text for text in told.said if "parts from it" in text]
    assert "3.0 s after lift-off" in parts or "3.1 s after lift-off" in parts
    assert any(text.startswith("From there on believe the integrated one: the other unit") for text in told.said)
    assert attitude.APART_ADVICE in told.advice


def test_a_gyro_at_its_end_is_told_and_ends_the_attitude() -> None:
    case = case_of("calm")
    lift_off = case.t_of("lift_off")
    assert lift_off is not None

    def clipped(series: str, window: Window) -> Window:
        if not series.startswith("unit"):
            return window
        name = f"gyro.{series[-1]}.z"
        at_end = np.where(window.t > lift_off + 2.0, np.radians(500.0), window[name])
        return Window(window.t, {**window.columns, name: at_end})

    told = attitude.study(changed(case, clipped))
    assert "2.0 s after lift-off, where it ends" in told.said[0] or "1.9 s after lift-off, where it ends" in told.said[0]
    assert any(
        "the gyro z was at the end of its range 2.0 s after lift-off; its attitude ends there" in text for text in told.said
    )
    assert any("wider range" in text for text in told.advice)


def test_an_onboard_log_goes_the_same_way_and_is_named() -> None:
    case = case_of("calm")
    samples = {"a": attitude.of_window(case.window("unit_a", 0.0, case.now_s), "a")}
    told = attitude.of_units(case, samples, "onboard log")
    assert told.said[0].startswith("By unit A of the onboard log alone")


def test_where_nothing_can_be_told_the_reason_is() -> None:
    case = case_of("calm")

    def silent(series: str, window: Window) -> Window:
        if not series.startswith("unit"):
            return window
        return Window(window.t, {name: np.full(len(window), np.nan) for name in window.columns})

    assert attitude.study(changed(case, silent)).said == (
        "No inertial unit with force and rates about three axes was heard.",
    )
    early = Case(case.log, case.facts, {}, type(case.figures)(), case.order, 14.0)
    assert "no ascent" in attitude.study(early).said[0] and "Every frame" in bad_frame.study(early).said[0]


def test_control_that_begins_with_a_bad_number_is_named() -> None:
    told = bad_frame.study(case_of("bad-number"))
    assert (
        "the attitude quaternion and body rates held what is no number; position and velocity stayed whole" in told.said[0]
    )
    assert told.said[1].startswith("Most likely") and "active control" in told.said[1]
    assert told.advice == [bad_frame.ADVICE["switched"]] and told.numbers[0].value is not None


def test_the_sample_too() -> None:
    told = bad_frame.study(asked(open_review(ROOT / "replay_samples" / "gusty-bad-number.pcapng")))
    assert "active control" in told.said[1] and "ikely" in told.said[1].split("(")[0]


def test_a_healthy_flight_has_no_bad_frame() -> None:
    told = bad_frame.study(case_of("calm"))
    assert told.said == ("Every frame that was heard is a number.",) and not told.advice and not told.numbers


def test_a_guard_s_first_act_is_looked_at() -> None:
    case = case_of("bad-number")
    at = float(case.window("state", 0.0, 100.0).t[np.isnan(case.window("state", 0.0, 100.0)[QUATERNION[0]])][0])
    figures = Figures()
    figures.put(GuardFigure(t=at, count=1, first_time_s=at, component="rates"))
    held = changed(case, lambda series, window: window if series != "state" else _held(window))
    held.figures = figures
    told = bad_frame.study(held)
    assert told.said[0].startswith("The firmware fell back to its last valid state once (rates)")
    assert "active control" in told.said[1] and told.advice == [bad_frame.GUARD_ADVICE]


def _held(window: Window) -> Window:
    """Return the state as a guard leaves it: the frame before instead of the bad one."""
    held = {}
    for name, column in window.columns.items():
        good = np.where(np.isfinite(column), np.arange(len(column)), 0)
        held[name] = column[np.maximum.accumulate(good)]
    return Window(window.t, held)
