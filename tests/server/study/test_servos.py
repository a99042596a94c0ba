"""What a flight tells of its servos: the twin's found where it moved them, and plain reasons where nothing is told."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from server.analysis.flight_log import Window
from server.analysis.judgements.case import Case
from server.review.review import open_review
from server.study import servos
from server.study.asking import whole_flight
from server.study.study import Study
from server.twin.sandpiper import Vehicle
from tests.browser.station import ROOT

TRULY = Vehicle()


class Changed:
    """A log some of whose series are changed."""

    def __init__(self, case: Case, **series: object) -> None:
        self._log, self._series = case.log, series

    def window(self, name: str, start_s: float, stop_s: float, upto_order: int) -> Window:
        window = self._log.window(name, start_s, stop_s, upto_order)
        change = self._series.get(name)
        return window if change is None else change(window)


def without(*roles: str):  # noqa: ANN201
    """A change that takes roles away."""
    return lambda window: Window(window.t, {role: column for role, column in window.columns.items() if role not in roles})


@cache
def flown() -> Case:
    return whole_flight(open_review(ROOT / "replay_samples" / "calm.pcapng"))


@cache
def told() -> Study:
    return servos.study(flown())


def test_the_numbers_of_a_flight_hold_what_the_vehicle_is_made_of() -> None:
    numbers = {number.name: number for number in told().numbers}
    fins = TRULY.fins
    truths = {"backlash": np.degrees(fins.backlash_rad), "lag": 1e3 * fins.servo_lag_s, "dead time": 0.0}
    checked = 0
    for fin in range(4):
        linkage = {"linkage ratio": fins.linkage_ratio[fin], "offset": np.degrees(fins.linkage_offset_rad[fin])}
        for name, true in (truths | linkage).items():
            number = numbers[f"fin {fin + 1}, {name}"]
            if number.value is not None:
                assert number.low - 1e-9 <= true <= number.high + 1e-9, number
                checked += 1
        assert numbers[f"fin {fin + 1}, greatest rate"].note == "not excited", "a degree of movement shows no greatest rate"
    assert checked >= 16
    # The cable's, and what the battery has inside.
    assert numbers["supply, resistance"].value == pytest.approx(0.12 + TRULY.battery.resistance_ohm, abs=0.01)


def test_it_reads_as_a_builder_reads_it() -> None:
    said = " ".join(told().said)
    assert "Fin 1 answers " in said and "of play" in said and "was never asked for its greatest rate" in said
    assert "Fins were heard 20 times a second" in said and "V for each ampere" in said
    assert told().cautions[0].startswith("Hands clear of fins") and len(told().pictures) == 4
    assert not told().advice, "nothing is beyond the sheet"


def test_a_fin_that_nothing_measures_says_what_cannot_be_told() -> None:
    case = replace(flown())
    case.log = Changed(
        flown(), fins=without("fin[2].measured"), fins_commanded=without("fin[1].commanded", "fin[3].commanded")
    )
    case.facts = replace(case.facts, servo_backlash_rad=0.0005, servo_least_v=8.3)
    study = servos.study(case)
    said = " ".join(study.said)
    assert "Fin 2: nothing measures where it stands" in said and "Fin 4 answers" in said
    assert "current changed, so something moved" in said
    assert any(text.startswith("Fin 4: more play than the sheet's 0.029 deg") for text in study.advice)
    assert any("fell below the sheet's least" in text for text in study.advice)
    assert not [number for number in study.numbers if number.name.startswith("fin 2")]


def test_fins_that_did_not_move_or_were_not_heard() -> None:
    case = replace(flown())
    case.log = Changed(
        flown(), fins_commanded=lambda w: Window(w.t, {role: 0.0 * column for role, column in w.columns.items()})
    )
    study = servos.study(case)
    assert study.said[0] == "Fin 1, fin 2, fin 3, fin 4: its commands hardly moved; not excited, nothing can be told."
    assert "fin-steps" in study.advice[0] and not study.pictures
    case.log = Changed(flown(), fins_commanded=lambda w: Window(w.t[:0], {role: c[:0] for role, c in w.columns.items()}))
    assert servos.study(case).said == (
        "Nothing was heard of what the fins were asked, so nothing of their servos can be told.",
    )  # fmt: skip
