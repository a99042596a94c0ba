"""Two thrusts in one flight, of invented vehicles: a booster that stays behind, a motor lit in the air, and the like."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from server.analysis.pipeline import recorded_output
from tests.accuracy.ensemble.motion import Flight, SecondMotor
from tests.accuracy.recorded.description import Known
from tests.accuracy.recorded.told import QUANTITIES, Heard
from tests.server.analysis.outside import (
    SURE,
    Packet,
    air_packet,
    apogee_m,
    flown,
    forces,
    kept,
    moment,
    off_lift_off,
    pressures,
    state_packet,
    tilts,
    told,
    unit_packet,
    upright,
)
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output

# A booster that burns short and stays behind, and a second motor whose vehicle is never as fast as after the first.
BOOSTED = SecondMotor(after_s=1.5, burn_s=1.2, thrust_n=120.0, fuel_kg=0.1, dropped_kg=0.8)
GENTLE = SecondMotor(after_s=3.0, burn_s=2.5, thrust_n=45.0, fuel_kg=0.06)
STAGED = {"boosted": (BOOSTED, 900.0), "gentle": (GENTLE, 700.0)}


def staged(name: str) -> Flight:
    second, target_m = STAGED[name]
    return flown(second=second, target_m=target_m, thrust_n=300.0, drogue_m_s=8.0)


def heard_of(flight: Flight, *, loss: float = 0.0, seed: int = 1, shake: float = 0.0, flag: bool = False) -> Heard:
    packets = [air_packet(pressures(flight)), unit_packet(forces(flight, shake=shake))]
    return told(flight, [*packets, *([ignited(flight)] if flag else [])], loss=loss, seed=seed)


def ignited(flight: Flight) -> Packet:
    """Return a packet of the vehicle's word that its second motor has lit."""
    return Packet("stage", 10.0, ("motor[2].ignited",), (flight.t >= flight.moments["ignition_2"]).astype(float))


def moments(heard: Heard) -> dict[str, float]:
    """Return every moment as told last, in log seconds, by its key."""
    entries = [entry for entry in heard.review.output.entries if entry.topic == "moment"]
    return {entry.key: entry.number("t") + heard.log_zero_s for entry in entries}


def phases(heard: Heard) -> list[str]:
    return [one["phase"] for one in heard.summary["phases"]]


def predictions(heard: Heard, start_s: float, stop_s: float) -> np.ndarray:
    """Return the apogees predicted between two log seconds, NaN where one was withdrawn."""
    rows = heard.review.output.rows["ground_apogee"]
    t = rows.t + heard.log_zero_s
    return rows.numbers("predicted")[(t >= start_s) & (t < stop_s)]


@pytest.mark.parametrize("shake", [0.0, 4.0])
@pytest.mark.parametrize("loss", [0.0, 0.15])
@pytest.mark.parametrize("name", STAGED)
def test_both_thrusts_are_told_by_the_force_alone(name: str, loss: float, shake: float) -> None:
    flight = staged(name)
    truth = flight.moments
    heard = heard_of(flight, loss=loss, shake=shake)
    off, sigma = off_lift_off(heard, flight)
    assert abs(off) < max(0.05, SURE * sigma)
    assert phases(heard) == ["pad", "boost", "coast", "boost", "coast", "descent", "landed"]
    found = moments(heard)
    for key in ("burnout", "ignition_2", "burnout_2"):
        sigma = heard.number(key, "sigma_s")
        assert abs(found[key] - truth[key]) < max(0.06, SURE * sigma) and sigma < 0.3, key
    assert found["burnout"] < found["ignition_2"] < found["burnout_2"] < found["apogee"]
    assert apogee_m(heard) == pytest.approx(truth["apogee"], rel=0.01)
    assert moment(heard, "landing_t") == pytest.approx(truth["landing"], abs=1.0)
    assert heard.number("greatest_speed", "speed_m_s") == pytest.approx(truth["greatest_speed"], rel=0.05)
    assert [text for text in heard.findings() if not text.startswith("thin link")] == []
    assert heard.alarms() == []


@pytest.mark.parametrize("name", STAGED)
def test_the_prediction_is_withdrawn_while_the_second_motor_burns_and_begins_anew(name: str) -> None:
    flight = staged(name)
    truth, heard = flight.moments, heard_of(flight)
    assert np.isfinite(predictions(heard, truth["burnout"] + 0.6, truth["ignition_2"])).all()
    # One row says that it is withdrawn; nothing is promised until the second burnout.
    burning = predictions(heard, truth["ignition_2"], truth["burnout_2"])
    assert np.isnan(burning).sum() == 1 and np.isnan(burning[-1]) and len(burning) <= 4
    known = Known(quantity="predicted_apogee", source="truth", value=truth["apogee"], at_s=truth["burnout_2"] + 2.0)
    foreseen = QUANTITIES["predicted_apogee"].read(heard, known)
    assert foreseen.value == pytest.approx(truth["apogee"], rel=0.05)
    assert abs(foreseen.value - truth["apogee"]) < SURE * foreseen.sigma


@pytest.mark.parametrize("name", STAGED)
def test_the_vehicle_s_own_word_is_a_moment_beside_the_ground_s(name: str) -> None:
    flight = staged(name)
    heard = heard_of(flight, flag=True)
    found = moments(heard)
    assert found["motor_2_ignited"] == pytest.approx(flight.moments["ignition_2"], abs=0.15)
    assert found["ignition_2"] == pytest.approx(flight.moments["ignition_2"], abs=0.06)


def test_without_a_force_the_vehicle_s_word_withdraws_the_prediction_until_it_surely_coasts_again() -> None:
    flight = staged("gentle")
    truth = flight.moments
    heard = told(flight, [air_packet(pressures(flight)), ignited(flight)])
    assert phases(heard)[:4] == ["pad", "boost", "coast", "boost"] or phases(heard)[:2] == ["pad", "boost"]
    burning = predictions(heard, truth["ignition_2"] + 0.2, truth["burnout_2"])
    assert not np.isfinite(burning).any()
    last = predictions(heard, truth["burnout_2"] + 3.0, truth["apogee_time"])
    assert len(last) and last[np.isfinite(last)][-1] == pytest.approx(truth["apogee"], rel=0.08)
    assert apogee_m(heard) == pytest.approx(truth["apogee"], rel=0.01)


def test_with_a_state_vector_speed_and_phases_hold_as_well() -> None:
    flight = staged("boosted")
    heard = told(flight, [air_packet(pressures(flight)), unit_packet(upright(flight)), state_packet(flight, tilts(flight))])
    assert phases(heard) == ["pad", "boost", "coast", "boost", "coast", "descent", "landed"]
    assert heard.number("greatest_speed", "speed_m_s") == pytest.approx(flight.moments["greatest_speed"], rel=0.03)
    assert heard.findings() == [] and heard.alarms() == []


@pytest.mark.parametrize("climb_m_s", [25.0, 45.0, 70.0])
def test_a_canopy_that_opens_in_the_coast_is_no_second_thrust(climb_m_s: float) -> None:
    """It jerks the nose as hard as a motor, but slows the vehicle down."""
    flight = flown(opens_climb_m_s=climb_m_s, target_m=500.0, thrust_n=300.0, drogue_m_s=8.0)
    heard = heard_of(flight)
    assert phases(heard) == ["pad", "boost", "coast", "descent", "landed"]
    if climb_m_s > 30.0:
        assert [text for text in heard.findings() if text.startswith("something held it back while it still climbed")]


def test_a_blow_in_the_coast_is_no_second_thrust() -> None:
    flight = flown(target_m=700.0)
    blown = forces(flight)
    at_s = flight.moments["burnout"] + 2.0
    blown[(flight.t >= at_s) & (flight.t < at_s + 0.08), 2] += 80.0
    heard = told(flight, [air_packet(pressures(flight)), unit_packet(blown, 100.0)])
    assert phases(heard) == ["pad", "boost", "coast", "descent", "landed"]


def test_a_coast_too_short_for_a_line_through_its_heights_is_one_all_the_same() -> None:
    """Seen: at ten rows a second no second thrust at all, and half the greatest speed told as known to 5 %."""
    second = SecondMotor(after_s=0.42, burn_s=0.6, thrust_n=150.0, fuel_kg=0.05)
    flight = flown(second=second, target_m=700.0, thrust_n=150.0, drogue_m_s=8.0)
    heard = told(flight, [air_packet(pressures(flight), 10.0), unit_packet(forces(flight), 10.0)])
    assert moments(heard)["ignition_2"] == pytest.approx(flight.moments["ignition_2"], abs=0.1)
    assert heard.number("greatest_speed", "speed_m_s") == pytest.approx(flight.moments["greatest_speed"], rel=0.07)


def test_live_packet_by_packet_it_is_told_as_in_a_replay(tmp_path: Path) -> None:
    flight = staged("boosted")
    review = kept(tmp_path, flight, [air_packet(pressures(flight)), unit_packet(forces(flight)), ignited(flight)], 0.15)
    records = list(review.session.records)
    whole = recorded_output(review.dictionary, records, ORIGIN_NS)
    assert {"ignition_2", "burnout_2", "motor_2_ignited"} <= {entry.key for entry in whole.entries}
    assert_same(live_output(review.dictionary, records), whole)
