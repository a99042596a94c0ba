"""Why it pitched over, asked of whole flights of the simulated vehicle whose causes are known."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.analysis.judgements.case import Case
from server.analysis.pipeline import recorded_case
from server.flight.causes.fit import fitted
from server.flight.causes.shares import GUST, MOTOR, WIND, Shares, shares_of
from server.flight.unmeasured import Unmeasured
from server.study.pitch_evidence import body_of, evidence_of, wind_of
from server.study.pitch_over import study
from server.study.study import Study
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from tests.server.flights import FACTS, Flight, dictionary, whole_flight

UNSTABLE = Scenario(
    name="tail-heavy", title="The center of gravity behind the center of pressure", changes={"body.dry_center_m": 0.955}
)
IGNITE_S = 15.0


def scenario_of(name: str) -> Scenario:
    """Return a scenario, the tail-heavy one among them."""
    return UNSTABLE if name == UNSTABLE.name else load_scenario(name)


@cache
def case_of(name: str) -> Case:
    """Return a flight of the twin as known at its end."""
    whole = whole_flight(scenario_of(name), 1, IGNITE_S)
    chunks = tuple(chunk for chunk in whole.chunks if chunk[0] <= whole.sooner_s)
    return recorded_case(dictionary(), Flight(chunks, whole.sooner).records(), 0, FACTS)


@cache
def told(name: str) -> Study:
    """Return what is told of it."""
    return study(case_of(name))


def shares(name: str) -> Shares:
    """Return its decomposition."""
    case = case_of(name)
    seen, body = evidence_of(case), body_of(case.facts)
    assert not isinstance(seen, Unmeasured) and not isinstance(body, Unmeasured)
    fit = fitted(seen, body, wind_of(case))
    assert not isinstance(fit, Unmeasured)
    return shares_of(fit, seen, (0.73, 0.02))


def tilt_deg(scenario: Scenario, since_exit_s: float) -> float:
    """Return the true lean so long after the rail."""
    whole = whole_flight(scenario, 1, IGNITE_S)
    exit_s = whole.truth["rail_exit_s"]
    assert exit_s is not None
    return math.degrees(np.interp(exit_s + since_exit_s, whole.trajectory["t_s"], whole.trajectory["tilt"]))


def test_a_straight_flight_has_nothing_to_explain() -> None:
    calm = told("calm")
    assert "there is no pitch-over to explain" in calm.said[1] and calm.advice == ()
    assert any("The motor gave" in text and "with the declared" not in text for text in calm.said)


def test_a_gust_at_a_weak_motors_rail_exit_is_named_with_its_direction_and_the_motor() -> None:
    gusty = told("gusty-rail")
    assert "from a gust" in gusty.said[0] and "into the wind" in gusty.said[0]
    assert any(
        "73 % of the declared impulse" in text and "with the declared thrust at about 1" in text for text in gusty.said
    )
    assert gusty.advice[0].startswith("Find out why the motor gave 73 %")
    assert any("times the wind it met" in text for text in gusty.advice)
    wind = next(number for number in gusty.numbers if number.name == "wind met")
    assert wind.value == pytest.approx(17.0, abs=3.5), "a gust of 14 m/s on 4.5 at 10 m, at the height of a rail"


def test_its_shares_hold_the_flight_flown_again_without_the_cause() -> None:
    gusty = load_scenario("gusty-rail")
    found = shares("gusty-rail")
    without = {
        GUST: {"wind.gust.peak_m_s": 0.0, "wind.turbulence_m_s": 0.0},
        WIND: {"wind.speed_at_10_m_m_s": 0.0},
        MOTOR: {"motor.thrust_factor": 1.0},
    }
    whole = tilt_deg(gusty, found.at_s)
    assert found.lean_deg == pytest.approx(whole, abs=2.0)
    for cause, changes in without.items():
        share = found.of(cause)
        assert share is not None
        again = tilt_deg(replace(gusty, changes={**gusty.changes, **changes}), found.at_s)
        assert share.low_deg <= whole - again <= share.high_deg, (cause, share, whole - again)


def test_an_unstable_one_hears_of_its_balance_and_of_nothing_else() -> None:
    heavy = told(UNSTABLE.name)
    assert "unstable" in heavy.said[1] and "turns away from the air" in heavy.said[1]
    assert len(heavy.advice) == 1 and heavy.advice[0].startswith("Do not fly it again as it is")
    margin = next(number for number in heavy.numbers if number.name == "static margin, least")
    assert margin.low is not None and margin.high is not None and margin.low < -0.5 < margin.high + 0.6


def test_what_is_lacking_is_named() -> None:
    case = case_of("calm")
    bare = replace(case.facts, configuration=None, normal_force_slope=None)
    assert study(replace(case, facts=bare)).said == (
        "It cannot be told: the sheet has no [vehicle.configuration] and lacks normal_force_slope.",
    )
    assert "rail_length_m" in study(replace(case, facts=replace(case.facts, rail_length_m=None))).said[0]
    few = study(replace(case, facts=replace(case.facts, configuration=None)))
    assert "no pitch-over to explain" in few.said[1], "the sheet's few numbers of the whole do as well"
