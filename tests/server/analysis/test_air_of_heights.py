"""Heights rest on the standard atmosphere, or on the air's temperature by the sheet: never on a board's own temperature."""

from __future__ import annotations

import numpy as np
import pytest

from server.analysis.pipeline import recorded_output
from server.design.sheet_numbers import NOTHING_TOLD, SheetNumbers
from server.recording.records import Record
from tests.server.analysis.hops import Hop, dictionary_of, figures, moments, records_of, said
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output

FORCES = tuple(f"accel.a.{axis}" for axis in "xyz")
ATTITUDE = tuple(f"attitude_quaternion.{part}" for part in "wxyz")
STATE = ("position.up", "velocity.up", *ATTITUDE)
LAYOUT = {"air": (20.0, ("pressure", "baro_temperature")), "unit": (50.0, FORCES)}
DICTIONARY = dictionary_of(LAYOUT)
BOARD_K = 317.85


def warm(role: str, t: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.full(len(t), BOARD_K) if role == "baro_temperature" else values


def flown(hop: Hop) -> list[Record]:
    return records_of(hop, LAYOUT, DICTIONARY, warm)


def test_a_warm_board_stretches_no_height_and_the_figure_says_what_was_used() -> None:
    """Seen: 10.7 % of an apogee by a board at 44.7 degC, and nothing said which temperature was used."""
    hop = Hop()
    records = flown(hop)
    whole = recorded_output(DICTIONARY, records, ORIGIN_NS)
    assert_same(live_output(DICTIONARY, records), whole)
    assert moments(whole)["apogee"]["height_m"] == pytest.approx(hop.apogee_m, rel=0.005)
    apogee = figures(whole)["apogee"]
    assert apogee["air_from"] == "standard atmosphere"
    assert apogee["per_kelvin_m"] == pytest.approx(hop.apogee_m / 288.15, rel=0.01)
    assert apogee["sigma_m"] == pytest.approx(15.0 * hop.apogee_m / 288.15, rel=0.1), "nobody knows how warm it was"
    assert "standard atmosphere" in said(whole, "figure")[-1] or any(
        "standard atmosphere" in x for x in said(whole, "figure")
    )
    assert any("warmer than air usually is" in text for text in said(whole, "finding"))


def test_the_sheet_s_air_stretches_them_and_the_figure_says_by_how_much() -> None:
    hop = Hop(air_k=308.0)
    output = recorded_output(DICTIONARY, flown(hop), ORIGIN_NS, SheetNumbers(pad_temperature_k=308.0))
    assert moments(output)["apogee"]["height_m"] == pytest.approx(hop.apogee_m, rel=0.005)
    apogee = figures(output)["apogee"]
    assert (apogee["air_from"], apogee["air_k"]) == ("site's sheet", 308.0)
    assert apogee["air_changes_m"] == pytest.approx(hop.apogee_m * (1.0 - 288.15 / 308.0), rel=0.02)
    assert abs(apogee["height_m"] - hop.apogee_m) < 2.0 * apogee["sigma_m"] < 0.02 * hop.apogee_m


@pytest.mark.parametrize(
    "facts", [NOTHING_TOLD, SheetNumbers(pad_temperature_k=308.0), SheetNumbers(pad_temperature_k=258.0)]
)
def test_firmware_with_the_standard_formula_is_no_broken_state_vector(facts: SheetNumbers) -> None:
    """Seen: alarmed in 3 of 3 flights, at 18, 35 and -5 degC."""
    layout = {**LAYOUT, "state": (20.0, STATE)}
    dictionary, hop = dictionary_of(layout), Hop(air_k=facts.pad_temperature_k or 300.0, thrust_to_weight=12.0, burn_s=2.5)
    output = recorded_output(dictionary, records_of(hop, layout, dictionary, warm), ORIGIN_NS, facts)
    assert hop.apogee_m > 600.0 and "apogee" in moments(output)
    assert said(output, "alarm") == []


def test_a_state_vector_half_as_high_still_parts_from_the_ground() -> None:
    layout = {**LAYOUT, "state": (20.0, STATE)}
    dictionary, hop = dictionary_of(layout), Hop()

    def halved(role: str, t: np.ndarray, values: np.ndarray) -> np.ndarray:
        return 0.5 * values if role == "position.up" else warm(role, t, values)

    output = recorded_output(dictionary, records_of(hop, layout, dictionary, halved), ORIGIN_NS)
    assert any("parts from the ground's own estimate" in text for text in said(output, "alarm"))
