"""The next flight: against the twin's truth on its own sheet, changes that go the right way, and what a sheet lacks."""

from __future__ import annotations

import pytest

from server.design.configuration import ConfigurationProblem
from server.design.flight_basis import CHANGES, FlightChange, NextFlightProblem, change_of
from server.design.foreseen_flight import limits_of
from server.design.next_flight import configured, next_flight
from server.design.next_flight import planned as planned_for_summary
from server.design.sheet_files import load_sheets
from server.flight.airframe.thrust_curve import curve_of
from tests.accuracy.forecasts import foretold
from tests.accuracy.random_flights import random_flight

SHEETS = load_sheets(None, True)
OTHER = curve_of([(0.0, 0.0), (0.05, 160.0), (0.6, 120.0), (1.0, 90.0), (1.1, 0.0)])


def planned(change: FlightChange | None = None, figures: dict | None = None) -> dict:
    return next_flight(SHEETS.vehicle, SHEETS.site, figures or {}, change)


@pytest.mark.parametrize("seed", [2, 4, 12, 22, 38])
def test_the_forecast_of_flights_of_the_twin(seed: int) -> None:
    """Seen over 50 flights with winds and gusts up to 6 m/s: see the table in tests/accuracy/README.md."""
    found, flown = foretold(seed), random_flight(seed)
    assert found["apogee_m"] == pytest.approx(flown.truth["apogee_m"], rel=0.05)
    assert found["rail_exit_speed_m_s"] == pytest.approx(flown.truth["rail_exit_speed_m_s"], rel=0.04)


def test_changes_go_the_right_way() -> None:
    base = planned()["as_it_is"]
    lighter = planned(FlightChange(mass_kg=-0.08))["changed"]
    assert lighter["apogee_m"] > base["apogee_m"] + 10 and lighter["mass_kg"] == pytest.approx(1.54)
    assert planned(FlightChange(wind_m_s=6.0))["changed"]["apogee_m"] < base["apogee_m"]
    assert planned(FlightChange(rail_length_m=3.5))["changed"]["rail_exit_speed_m_s"] > base["rail_exit_speed_m_s"]
    nose_heavy = planned(FlightChange(mass_kg=0.1, station_m=0.2))["changed"]
    assert nose_heavy["margin_calibers"] > base["margin_calibers"]
    kept = planned(FlightChange(mass_kg=0.1, station_m=0.2, keep_margin=True))["changed"]
    assert kept["margin_calibers"] == pytest.approx(base["margin_calibers"], abs=1e-4)
    assert kept["fins"][0]["span_m"] < base["fins"][0]["span_m"] and kept["mass_kg"] < nose_heavy["mass_kg"]


def test_another_motor_brings_its_propellant() -> None:
    guessed = planned(FlightChange(curve=OTHER))
    share = OTHER.impulse_n_s / 138.39
    assert guessed["changed"]["mass_kg"] == pytest.approx(1.55 + 0.07 * share, abs=1e-6)
    assert "estimated" in guessed["sources"]["propellant"] and guessed["changed"]["motor"] != guessed["as_it_is"]["motor"]
    told = planned(FlightChange(curve=OTHER, propellant_kg=0.05))
    assert told["changed"]["mass_kg"] == pytest.approx(1.60) and "propellant" not in told["sources"]


def test_where_the_drag_comes_from() -> None:
    assert "usual" in planned()["sources"]["drag"]
    figures = {
        "drag": {"kappa_1_m": 0.0012, "density_kg_m3": 1.126},
        "apogee": {"height_m": 250.0},
        "rail_exit": {"speed_m_s": 17.0},
    }
    found = planned(figures=figures)
    assert "measured" in found["sources"]["drag"] and found["as_it_is"]["apogee_m"] < planned()["as_it_is"]["apogee_m"]
    assert found["flown"] == {"apogee_m": 250.0, "rail_exit_speed_m_s": 17.0}
    leaning = planned(figures=figures | {"lean": {"greatest_tilt_rad": 1.2}})
    assert "too much" in leaning["sources"]["drag"]


def test_rules_of_thumb() -> None:
    rows = {row["name"]: row for row in planned(FlightChange(wind_m_s=6.0))["limits"]}
    assert not rows["speed at the rail's end"]["met"] and "24" in rows["speed at the rail's end"]["asked"]
    assert rows["thrust to weight"]["met"] and not rows["angle of attack there"]["met"]
    assert all(row["source"] == "common practice" for row in rows.values())
    calm = limits_of(planned()["as_it_is"] | {"margin_calibers": 1.5})
    assert all(row["met"] for row in calm)


@pytest.mark.parametrize(
    ("key", "says"), [("rail_length_m", "rail_length_m"), ("diameter_m", "diameter_m"), ("configuration", "thrust curve")]
)
def test_what_a_sheet_lacks_is_named(key: str, says: str) -> None:
    vehicle = {name: value for name, value in SHEETS.vehicle.items() if name != key}
    with pytest.raises((NextFlightProblem, ConfigurationProblem), match=says):
        next_flight(vehicle, SHEETS.site, {})


def test_flights_that_are_none_say_so() -> None:
    with pytest.raises(NextFlightProblem, match="nothing"):
        planned(FlightChange(mass_kg=-5.0))
    with pytest.raises(NextFlightProblem, match="rail"):
        planned(FlightChange(mass_kg=60.0))
    # The scale says more than the list of masses adds up to, and the change takes more than the list has.
    with pytest.raises(NextFlightProblem, match="nothing"):
        next_flight(dict(SHEETS.vehicle) | {"liftoff_mass_kg": 3.0}, SHEETS.site, {}, FlightChange(mass_kg=-2.0))


def test_changes_of_plain_numbers() -> None:
    assert change_of({}, None, False) == FlightChange()
    full = change_of(dict.fromkeys(CHANGES, 1.0), OTHER, True)
    assert (full.mass_kg, full.propellant_kg, full.station_m) == (0.001, 0.001, 1.0) and full.keep_margin
    assert "changed" not in planned(FlightChange())


def test_what_is_configured() -> None:
    found = configured(SHEETS.vehicle, SHEETS.site)
    assert "over two" in found["margin_words"] and len(found["against_sheet"]) == 6
    with pytest.raises(NextFlightProblem, match="configuration"):
        configured({}, {})


def test_what_a_summary_says_of_both() -> None:
    found = planned_for_summary(SHEETS.vehicle, SHEETS.site, {})
    assert found["configuration"]["pieces"] == 12 and found["next_flight"]["as_it_is"]["apogee_m"] > 200
    empty = planned_for_summary({}, {}, {})
    assert "does not say what" in empty["configuration"]["reason"] and "lacks" in empty["next_flight"]["reason"]
    broken = planned_for_summary({**SHEETS.vehicle, "configuration": {"nose": 1}}, {}, {})
    assert "no table" in broken["configuration"]["reason"] and "no table" in broken["next_flight"]["reason"]
