"""Forces that are clipped, biased, of the other unit or of one axis: used for what they are worth, and no more."""

from __future__ import annotations

import numpy as np
import pytest

from server.analysis.pipeline import recorded_output
from server.design.sheet_numbers import SheetNumbers
from tests.server.analysis.hops import G, Hop, dictionary_of, figures, moments, records_of
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output

AIR = {"air": (20.0, ("pressure",))}
UNIT_A, UNIT_B = (tuple(f"accel.{unit}.{axis}" for axis in "xyz") for unit in "ab")
END = 16.0 * G
RANGE = f", sensor_range = [{-END}, {END}]"
HARD = Hop(thrust_to_weight=25.0, burn_s=0.8, drag_1_m=0.002)
FACTS = SheetNumbers(rail_length_m=2.0)


def clipped(role: str, t: np.ndarray, values: np.ndarray) -> np.ndarray:
    return np.clip(values, -END, END) if role.startswith("accel.a") else values


def climb_error(output, hop: Hop, start_s: float, stop_s: float) -> float:
    """Return the greatest error of the climb rate between two times."""
    rows = output.rows["ground_vertical"]
    chosen = (rows.t > start_s) & (rows.t < stop_s)
    return float(
        np.abs(rows.columns["climb_rate"][chosen] - np.interp(rows.t[chosen], hop.path["t"], hop.path["climb"])).max()
    )


@pytest.mark.parametrize("declared", [True, False])
def test_a_clipped_accelerometer_is_not_believed(declared: bool) -> None:
    """Seen: a climb 58 m/s wrong half a second after burnout, and a rail exit of 21.0 +- 0.6 told for 26.6."""
    layout = {**AIR, "unit": (50.0, UNIT_A)}
    dictionary = dictionary_of(layout, {"accel.a.z": RANGE} if declared else {})
    records = records_of(HARD, layout, dictionary, clipped)
    whole = recorded_output(dictionary, records, ORIGIN_NS, FACTS)
    assert_same(live_output(dictionary, records, FACTS), whole)
    ended = HARD.pad_s + HARD.burn_s
    assert climb_error(whole, HARD, ended + 0.5, ended + 3.0) < 20.0
    rail = figures(whole)["rail_exit"]
    assert "speed_m_s" not in rail and "end of its range" in str(rail["reason"])
    assert moments(whole)["apogee"]["height_m"] == pytest.approx(HARD.apogee_m, rel=0.01)


def test_the_other_unit_is_used_where_one_is_clipped() -> None:
    layout = {**AIR, "unit": (50.0, UNIT_A), "other": (50.0, UNIT_B)}
    dictionary = dictionary_of(layout, {"accel.a.z": RANGE})
    output = recorded_output(dictionary, records_of(HARD, layout, dictionary, clipped), ORIGIN_NS, FACTS)
    ended = HARD.pad_s + HARD.burn_s
    assert climb_error(output, HARD, ended, ended + 3.0) < 3.0
    speed = np.sqrt(2.0 * 24.0 * G * 2.0)
    assert figures(output)["rail_exit"]["speed_m_s"] == pytest.approx(speed, rel=0.05)


@pytest.mark.parametrize("bias", [-1.2, 1.2, 2.0])
def test_what_is_read_too_much_on_the_pad_is_taken_off(bias: float) -> None:
    """Seen: at 2 m/s2 too much no burnout at all; the climb led away by all that adds up."""
    hop = Hop(thrust_to_weight=4.0, burn_s=2.0, drag_1_m=0.0005)
    layout = {**AIR, "unit": (50.0, UNIT_A)}
    dictionary = dictionary_of(layout)

    def biased(role: str, t: np.ndarray, values: np.ndarray) -> np.ndarray:
        return values + bias if role == "accel.a.z" else values

    output = recorded_output(dictionary, records_of(hop, layout, dictionary, biased), ORIGIN_NS)
    assert climb_error(output, hop, hop.pad_s + 0.5, moments(output)["apogee"]["t"]) < 1.0
    assert moments(output)["burnout"]["t"] == pytest.approx(hop.pad_s + hop.burn_s, abs=0.03)


@pytest.mark.parametrize("roles", [UNIT_A[2:], UNIT_B, UNIT_B[2:]], ids=["axis", "b", "b-axis"])
def test_one_axis_or_the_other_unit_alone_tells_the_whole_way_up(roles: tuple[str, ...]) -> None:
    """Seen: no burnout, no prediction, a false alarm about the phase."""
    hop = Hop()
    layout = {**AIR, "unit": (50.0, roles)}
    dictionary = dictionary_of(layout)
    records = records_of(hop, layout, dictionary)
    whole = recorded_output(dictionary, records, ORIGIN_NS, FACTS)
    assert_same(live_output(dictionary, records, FACTS), whole)
    assert {"lift_off", "burnout", "apogee", "landing"} <= set(moments(whole))
    assert moments(whole)["burnout"]["t"] == pytest.approx(hop.pad_s + hop.burn_s, abs=0.03)
    assert len(whole.rows["ground_apogee"]) > 50
    assert figures(whole)["rail_exit"]["speed_m_s"] == pytest.approx(np.sqrt(2.0 * 7.0 * G * 2.0), rel=0.05)


@pytest.mark.parametrize("roles", [UNIT_A, UNIT_A[2:], ()], ids=["unit", "axis", "barometer"])
def test_greatest_speed_and_burnout_height_come_with_a_doubt_that_holds(roles: tuple[str, ...]) -> None:
    """Seen: a climb off by up to 58 % and a height of burnout to the millimeter, both without any doubt."""
    hop = Hop()
    layout = {**AIR, **({"unit": (50.0, roles)} if roles else {})}
    dictionary = dictionary_of(layout)
    told = figures(recorded_output(dictionary, records_of(hop, layout, dictionary), ORIGIN_NS))
    fastest, truth = told["greatest_speed"], float(hop.path["climb"].max())
    assert abs(float(fastest["speed_m_s"]) - truth) < 2.0 * float(fastest["sigma_m_s"]) < 0.4 * truth
    assert fastest["source"] == ("forces" if roles else "barometer")
    if roles:
        height = float(np.interp(hop.pad_s + hop.burn_s, hop.path["t"], hop.path["height"]))
        burnout = told["burnout"]
        assert abs(float(burnout["height_m"]) - height) < 2.0 * float(burnout["height_sigma_m"])


def test_a_clipped_unit_leaves_the_speed_to_the_barometer_or_says_why() -> None:
    layout = {**AIR, "unit": (50.0, UNIT_A)}
    dictionary = dictionary_of(layout, {"accel.a.z": RANGE})
    told = figures(recorded_output(dictionary, records_of(HARD, layout, dictionary, clipped), ORIGIN_NS))["greatest_speed"]
    assert told.get("source") == "barometer" or "end of its range" in str(told["reason"])
