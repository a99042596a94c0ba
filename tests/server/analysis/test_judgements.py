"""What is judged of whole flights: the same in any cut, near the truth, and silent where nothing can be said."""

from __future__ import annotations

import random
import re
from collections.abc import Mapping

import pytest

from protocol.dictionary_file import parse_dictionary
from server.analysis.pipeline import Output, recorded_output
from server.telemetry.journal import JournalEntry
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.accuracy.random_flights import random_flight, scenario_flight
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, cut, live_output
from tests.server.flights import FACTS, KEY, dictionary

SEEDS = (1, 2, 3)


def computed(name: str, seed: int) -> Output:
    flight = scenario_flight(name, seed)
    return recorded_output(dictionary(), list(flight.records), 0, FACTS)


def figures(output: Output) -> dict[str, Mapping[str, object]]:
    """Return the last state of every figure."""
    return {entry.key: entry.body for entry in output.entries if entry.topic == "figure"}


def last(output: Output, topic: str) -> dict[str, JournalEntry]:
    return {entry.key: entry for entry in output.entries if entry.topic == topic}


@pytest.mark.parametrize("longest", [3000, 300])
def test_any_cut_judges_the_same(longest: int) -> None:
    stream = b"".join(record.payload for record in random_flight(0).records)
    records = cut(stream, random.Random(longest), longest)
    assert_same(live_output(dictionary(), records, FACTS), recorded_output(dictionary(), records, ORIGIN_NS, FACTS))


def test_any_cut_judges_the_same_with_cameras_a_restart_and_a_drifting_unit() -> None:
    """Everything that keeps state over batches, in one stream: cameras go on, the computer restarts on the pad, B drifts."""
    twin = Twin(
        scenario=load_scenario("drifting-imu"), seed=4, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=30.0
    )
    twin.computer.airframe.cameras[1].switch(True, 0.0)
    stream = bytearray(twin.advance(9.0))
    twin.reboot()
    stream += twin.advance(12.0)
    twin.computer.airframe.cameras[0].switch(True, 0.0)
    stream += twin.advance(95.0)
    records = cut(bytes(stream), random.Random(1), 500)
    whole = recorded_output(dictionary(), records, ORIGIN_NS, FACTS)
    assert_same(live_output(dictionary(), records, FACTS), whole)
    told = {entry.key for entry in whole.entries if entry.topic == "finding"}
    assert "unit_disagrees" in told
    assert {"battery", "units", "lift_off", "rail_exit", "apogee", "descent", "link"} <= set(figures(whole))


@pytest.mark.parametrize("seed", SEEDS)
def test_lift_off(seed: int) -> None:
    flight = random_flight(seed)
    found = figures(recorded_output(dictionary(), list(flight.records), 0, FACTS))["lift_off"]
    assert found["t"] == pytest.approx(flight.truth["liftoff_s"], abs=0.05)


@pytest.mark.parametrize("seed", [2, 4, 7, 12, 22])
def test_the_drag_of_the_coast(seed: int) -> None:
    """The twin coasts with a coefficient of 0.58 (and more at an angle); 7 % with the mass it really had."""
    flight = random_flight(seed)
    told = figures(recorded_output(dictionary(), list(flight.records), 0, FACTS))["drag"]
    body = flight.vehicle.body
    really = told["coefficient"] * body.dry_mass_kg / FACTS.burnout_mass_kg
    assert really == pytest.approx(body.drag_coast, rel=0.07)
    assert told["sigma_1_m"] < 0.15 * told["kappa_1_m"]


def told_by(text: str) -> dict[str, Mapping[str, object]]:
    """Return the figures of a calm flight read with another dictionary of the same packets."""
    return figures(recorded_output(parse_dictionary(text), list(scenario_flight("calm", 1).records), 0, FACTS))


def test_commanded_fins_tell_the_roll_where_nothing_measures_them() -> None:
    """A hobby servo has no feedback: no figure at all was told."""
    text = re.sub(r' role = "fin\[\d\]\.measured",', "", dictionary().text)
    roll, measured = told_by(text)["roll"], told_by(dictionary().text)["roll"]
    assert roll["low"] < FACTS.roll_authority_per_pa_rad < roll["high"]
    assert roll["authority_per_pa_rad"] == pytest.approx(measured["authority_per_pa_rad"], rel=0.3)
    assert roll["lag_s"] > measured["lag_s"]


def test_a_link_lost_under_canopy_leaves_the_forecast_as_the_headline_and_the_last_point_second() -> None:
    """From below 56 m on nothing is heard: where it lies is known by its drift alone, not by the last point heard."""
    for seed in SEEDS:
        flight = scenario_flight("calm", seed)
        path, truth = flight.path, flight.truth
        lost_s = float(path["t_s"][(path["t_s"] > truth["deployment_s"]) & (path["up_m"] < 56.0)][0])
        heard = [record for record in flight.records if record.mono_ns < lost_s * 1e9]
        told = figures(recorded_output(dictionary(), heard, 0, FACTS))["recovery"]
        assert told["whereabouts_basis"] == "forecast"
        assert told["whereabouts_distance_m"] == told["landing_distance_m"]
        assert told["whereabouts_radius_m"] == told["landing_radius_m"]
        assert 50.0 < told["last_height_m"] < 80.0, "judged again not long before the link was lost"
        assert told["whereabouts_text"].endswith(f"from {told['last_height_m']:.0f} m up")

        lies = figures(recorded_output(dictionary(), list(flight.records), 0, FACTS))["recovery"]
        assert lies["whereabouts_basis"] == "landed" and lies["whereabouts_distance_m"] == lies["landing_distance_m"]
        assert abs(lies["last_height_m"]) < 10.0
