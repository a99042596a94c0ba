"""The roll loop of whole flights of the simulated vehicle, as a builder reads it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import pytest

from server.analysis.judgements.case import Case
from server.analysis.pipeline import recorded_case
from server.study.loop import CAUTIONS, study
from server.study.study import Study
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from tests.accuracy.random_flights import fly
from tests.server.flights import FACTS, dictionary

SWINGS = {"fins.backlash_rad": 0.03, "control.roll_bandwidth_rad_s": 18.0}


def case_of(name: str, changes: Mapping[str, float]) -> Case:
    known = load_scenario(name)
    flown = fly(Scenario(known.name, known.title, {**known.changes, **changes}), 2)
    return recorded_case(dictionary(), list(flown.records), 0, FACTS)


@cache
def calm() -> Case:
    return case_of("calm", {})


def numbers(told: Study) -> dict[str, float]:
    return {one.name: one.value for one in told.numbers if one.value is not None}


def test_a_calm_flight_has_its_answer_its_margins_and_where_its_gains_stay() -> None:
    told = study(calm())
    assert tuple(told.cautions) == CAUTIONS and "export" in told.cautions[1] and "one flight" in told.cautions[0]
    found = numbers(told)
    assert 100.0 < found["roll rate at the gate"] < 220.0 and 0.08 < found["rise, 90 % to 10 %"] < 0.2
    assert "No swing of its own was found in roll rate and fins." in told.said
    # What a law of 7 rad/s and 0.8 has with a servo of 30 ms and a cycle of 10 ms: test_roll_loop, tests/accuracy/loops.py.
    margins = [value for name, value in found.items() if name.startswith("phase margin")]
    assert len(margins) == 3 and all(50.0 < one < 70.0 for one in margins)
    assert [picture.title for picture in told.pictures] == ["Roll rate around the gate", "Gain margin", "Phase margin"]
    assert any("keep them from" in text for text in told.said) and any(
        text.startswith("Raise no gain") for text in told.advice
    )


def test_play_and_high_gains_swing_and_the_advice_is_to_take_the_play_out() -> None:
    told = study(case_of("calm", SWINGS))
    assert any("swings by itself at 2.7 Hz" in text for text in told.said) and told.advice[0].startswith("Take the play out")
    assert numbers(told)["swing of the fins"] == pytest.approx(0.9, abs=0.3)


def test_gains_that_are_not_those_of_the_sheet_are_seen_in_the_commands() -> None:
    """The twin's law at 10 rad/s, the sheet's at 7: 2.04 times the sheet's angle gain, 1.43 times its rate gain."""
    assert numbers(study(calm()))["gains flown, times the sheet's"] == pytest.approx(1.0, abs=0.02)
    told = study(case_of("calm", {"control.roll_bandwidth_rad_s": 10.0}))
    assert 1.43 < numbers(told)["gains flown, times the sheet's"] < 2.06
    assert any("times what the sheet's gains ask for" in text for text in told.said)
    assert any(text.startswith("Write the gains that flew") for text in told.advice)


def test_fins_the_wrong_way_round_have_no_margins_and_no_gains_are_told() -> None:
    told = study(case_of("reversed-roll", {}))
    assert any("wrong way round" in text for text in told.said) and told.advice[-1].startswith("Reverse the fins")
    assert any("stood at their limit" in text for text in told.said)
    assert not any("margin at" in name or "gain" in name for name in numbers(told))


def test_what_the_sheet_does_not_tell_is_named() -> None:
    for silent, word in (("servo_lag_s", "servo_lag_s"), ("control_period_s", "control_period_s")):
        told = study(replace(calm(), facts=replace(FACTS, **{silent: None})))
        assert any(
            text.startswith("No margins can be told: the vehicle's sheet does not tell") and word in text
            for text in told.said
        )
    told = study(replace(calm(), facts=replace(FACTS, roll_angle_gain=None, roll_rate_gain_s=None)))
    assert told.said[0].startswith("The sheet declares no gains") and any("roll_rate_gain_s" in text for text in told.said)
    assert "farthest roll angle" not in numbers(told)


def test_gains_too_high_for_their_air_get_a_schedule_within_what_was_excited() -> None:
    facts = replace(FACTS, roll_angle_gain=0.4, roll_rate_gain_s=0.12, gain_pressure_pa=None, servo_lag_s=0.06)
    told = study(replace(calm(), facts=facts))
    (advice,) = [text for text in told.advice if text.startswith("Divide the gains")]
    found = numbers(told)
    low, high = (float(one.note.split()[1]) for one in told.numbers if one.name.startswith("rate gain's"))
    assert f"less than {low:.0f} Pa" in advice and f"above {high:.0f} Pa" in advice
    assert found["rate gain's floor"] < found["rate gain's ceiling"] < 0.12
    assert found["rate gain's floor"] * high == pytest.approx(found["rate gain's ceiling"] * low, rel=0.01)


def test_a_flight_without_control_says_so() -> None:
    told = study(case_of("calm", {"control.gate_altitude_m": 900.0}))
    assert told.said == ("Nothing can be told of the roll loop: control was never seen to begin in this flight.",)
    assert not told.numbers and not told.advice
