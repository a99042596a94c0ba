"""The dictionary's flight rules as alarms: in flight at once, never on the pad, never of what nobody asked for."""

from __future__ import annotations

import math
import random
import re
from dataclasses import replace

import numpy as np
import pytest

from protocol.dictionary import Dictionary, FlightRules
from server.analysis.pipeline import Output, recorded_output
from server.telemetry.journal import JournalEntry
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, cut, live_output
from tests.server.flights import FACTS, KEY, dictionary, flown

TILT = "rule tilt"
WITHIN_S = 0.2


def ruled(**rules: float) -> Dictionary:
    """The Sandpiper's dictionary with other rules."""
    return replace(dictionary(), flight_rules=FlightRules(**rules))


def alarms(output: Output, key: str = TILT) -> list[JournalEntry]:
    return [entry for entry in output.entries if entry.topic == "alarm" and entry.key == key]


def computed(scenario: str, seed: int = 1, described: Dictionary | None = None) -> Output:
    return recorded_output(described or dictionary(), flown(scenario, seed).records(), 0, FACTS)


def ground_phase_rx(output: Output, phase: str) -> float:
    return next(e.rx_s for e in output.entries if e.topic == "phase" and e.key == "ground" and e.body["phase"] == phase)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_gust_that_lays_it_over_calls_within_a_fifth_of_a_second_of_the_true_tilt(seed: int) -> None:
    """Seen: 68 degrees in the climb and no alarm in the whole flight."""
    flight = flown("gusty-rail", seed)
    twin = Twin(
        scenario=load_scenario("gusty-rail"), seed=seed, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=15.0
    )
    twin.advance(flight.chunks[-1][0])
    true = twin.trajectory()
    crossed_s = float(true["t_s"][np.flatnonzero(true["tilt"] > math.radians(30.0))[0]])
    output = computed("gusty-rail", seed)
    raised, cleared = alarms(output)
    assert (raised.severity, raised.body["state"], cleared.body["state"]) == ("warning", "raised", "cleared")
    assert 0.0 <= raised.t - crossed_s <= WITHIN_S
    assert re.fullmatch(r"tilt [34]\d degrees in boost, beyond the flight rule of 30 degrees", raised.text)
    assert raised.body["advice"] and cleared.severity == "info"
    assert cleared.rx_s == ground_phase_rx(output, "descent")


@pytest.mark.parametrize(("scenario", "seed"), [("calm", 1), ("calm", 2), ("calm", 5), ("thin-link", 1), ("bad-number", 1)])
def test_a_straight_flight_that_falls_over_at_its_top_is_silent(scenario: str, seed: int) -> None:
    """Near the top of a calm flight the nose is beyond 30 degrees too, slowly and rightly."""
    output = computed(scenario, seed)
    motion = output.rows["ground_motion"]
    before_top = (motion.rx_s < ground_phase_rx(output, "descent")) & (motion.rx_s > ground_phase_rx(output, "boost"))
    assert np.nanmax(motion.numbers("tilt")[before_top]) > math.radians(35.0)
    assert alarms(output) == []


def test_without_the_table_there_is_no_alarm() -> None:
    """So an old recording, which holds its own dictionary, says what it always said."""
    assert alarms(computed("gusty-rail", 1, ruled())) == []


def test_below_the_speed_the_rule_names_it_is_silent_once_the_motor_is_out() -> None:
    """A rule of 60 degrees is broken in coast only."""
    assert len(alarms(computed("gusty-rail", 1, ruled(tilt_max=math.radians(60.0))))) == 2
    assert alarms(computed("gusty-rail", 1, ruled(tilt_max=math.radians(60.0), tilt_speed_min=100.0))) == []


def test_height_over_what_the_field_allows() -> None:
    output = computed("calm", 1, ruled(height_max=100.0))
    raised, cleared = alarms(output, "rule height")
    vertical = output.rows["ground_vertical"]
    crossed_s = float(vertical.t[np.flatnonzero(vertical.numbers("height") > 100.0)[0]])
    assert 0.0 < raised.t - crossed_s <= WITHIN_S and raised.severity == "warning"
    assert re.fullmatch(r"height 1\d\d m in \w+, beyond the flight rule of 100 m", raised.text)
    assert cleared.rx_s == ground_phase_rx(output, "descent")
    assert alarms(computed("calm", 1, ruled(height_max=1000.0)), "rule height") == []


@pytest.mark.parametrize("longest", [30, 900])
def test_any_cut_gives_the_same_alarms(longest: int) -> None:
    described = ruled(tilt_max=0.5, height_max=60.0)
    records = cut(flown("gusty-rail").stream, random.Random(longest), longest)
    live, whole = live_output(described, records), recorded_output(described, records, ORIGIN_NS)
    assert_same(live, whole)
    assert len(alarms(live)) == 2 and len(alarms(live, "rule height")) == 2
