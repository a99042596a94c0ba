"""What a sheet's many flights say: their words, the field, the goal card, the wind's sources, and what is refused."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from math import degrees, pi, radians
from typing import Any

import numpy as np
import pytest

from server.design.dispersion import CAUTION, Dispersion, band_words, dispersion, needed_control_s, share_words
from server.design.dispersion_basis import Day, asked_of
from server.design.doubts import DOUBTS, DoubtFault, sigmas_of
from server.design.flight_basis import FlightChange, NextFlightProblem
from server.design.pad_wind import PadWind
from server.design.sheet_files import load_sheets
from server.design.sounding import SoundingProblem, sounding_of
from server.flight.dispersion.draws import Sigmas

SHEETS = load_sheets(None, True)
DRIFT = {"recovery": {"wind_10_m_m_s": 3.0, "drift_toward_rad": radians(100.0)}}


def told(
    vehicle: Mapping[str, object] = SHEETS.vehicle, site: Mapping[str, object] = SHEETS.site, day: Day | None = None
) -> Dispersion:
    return dispersion(vehicle, site, day or Day(), 200, 1)


@pytest.fixture(scope="module")
def as_it_is() -> Dispersion:
    return told()


def test_the_demonstration_says_where_and_how_high(as_it_is: Dispersion) -> None:
    height = as_it_is["numbers"]["apogee_m"]
    assert height is not None and height["low"] < 270.0 < height["high"]
    assert [one["case"] for one in as_it_is["cases"]] == ["nominal", "early", "late", "one", "none"]
    assert as_it_is["control"] is not None and as_it_is["control"]["needs_s"] == 2.0
    assert as_it_is["control"]["chance"] == 1.0
    assert as_it_is["said"][0].startswith("Apogee 2") and "Under control for" in as_it_is["said"][1]
    assert as_it_is["said"][2].startswith("As it should be: ") and "bearing" in as_it_is["said"][2]
    assert as_it_is["caution"] == CAUTION and "no keep-out" in CAUTION
    assert as_it_is["lacks"] == [] and as_it_is["stuck"] == 0
    rate = as_it_is["cases"][0].get("rate_m_s")
    assert rate is not None and rate["middle"] == pytest.approx(5.4, abs=0.25)


def test_the_share_outside_the_field_is_counted() -> None:
    west = {**SHEETS.site, "boundary": [[-500, -500], [0, -500], [0, 500], [-500, 500]]}
    outside = told(site=west)["cases"][0]["outside"]
    assert outside is not None and outside > 0.9


def test_what_is_not_told_is_said_and_not_guessed() -> None:
    vehicle = {k: v for k, v in SHEETS.vehicle.items() if not k.startswith(("descent_", "gate_"))}
    site = {key: value for key, value in SHEETS.site.items() if key not in ("wind_from_deg", "boundary")}
    found = told(vehicle, site)
    assert not found["has_boundary"] and found["cases"][0]["outside"] is None
    assert [one["case"] for one in found["cases"]] == ["none"] and found["control"] is None
    assert [text.split(" ")[4] for text in found["lacks"] if text.startswith("The sheet")] == [
        "descent_both_m_s:", "descent_one_m_s:", "gate_altitude_m",
    ]  # fmt: skip
    assert any("from all around" in text for text in found["lacks"])


def test_a_motor_too_weak_is_said() -> None:
    vehicle = deepcopy(dict(SHEETS.vehicle))
    configuration: Any = vehicle["configuration"]
    configuration["motor"]["thrust"] = [[0.0, 0.0], [0.1, 5.0], [1.0, 5.0], [1.1, 0.0]]
    found = told(vehicle)
    assert found["stuck"] == 200
    assert found["said"] == ["200 of 200 never left the rail.", "Too few left the rail to say more."]


def test_a_change_changes_the_flights(as_it_is: Dispersion) -> None:
    heavier = told(day=Day(change=FlightChange(mass_kg=0.3)))["numbers"]["apogee_m"]
    before = as_it_is["numbers"]["apogee_m"]
    assert heavier is not None and before is not None and heavier["high"] < before["middle"]
    leaned = asked_of(SHEETS.vehicle, SHEETS.site, Day(change=FlightChange(lean_rad=radians(-4.0)))).question.nominal
    assert degrees(leaned.rail_tilt[0]) == pytest.approx(4.0)
    assert degrees(leaned.rail_azimuth[0]) % 360.0 == pytest.approx(80.0)


def wind_at_10(day: Day) -> tuple[float, float]:
    winds = asked_of(SHEETS.vehicle, SHEETS.site, day).question.nominal.winds
    east, north = winds.steady(np.full(1, 10.0))[:, 0]
    return float(np.hypot(east, north)), float(np.arctan2(east, north) % (2.0 * pi))


@pytest.mark.parametrize(
    ("day", "speed", "toward_deg"),
    [
        (Day(), 1.3 * 5.0 ** (1.0 / 7.0), 80.0),
        (Day(pad_wind=PadWind(4.0, "")), 4.0 * 5.0 ** (1.0 / 7.0), 80.0),
        (Day(figures=DRIFT), 1.3 * 5.0 ** (1.0 / 7.0), 80.0),
        (Day(figures=DRIFT, by_flight=True), 3.0, 100.0),
        (Day(sounding=sounding_of("height_m,speed_m_s,from_deg\n0,2,225\n20,4,225\n")), 3.0, 45.0),
    ],
)
def test_the_wind_is_from_where_it_is_known(day: Day, speed: float, toward_deg: float) -> None:
    found, toward = wind_at_10(day)
    assert found == pytest.approx(speed, rel=0.002)
    assert np.cos(toward - radians(toward_deg)) == pytest.approx(1.0, abs=1e-6)


def test_a_flight_without_drift_tells_no_wind() -> None:
    with pytest.raises(NextFlightProblem, match="tells no wind"):
        asked_of(SHEETS.vehicle, SHEETS.site, Day(by_flight=True))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "first line must be"),
        ("height,speed\n", "first line must be"),
        ("height_m,speed_m_s,from_deg\n", "has no height"),
        ("height_m,speed_m_s,from_deg\n0,1\n", "Line 2 of the sounding has 2 values"),
        ("height_m,speed_m_s,from_deg\n0,fast,1\n", "Line 2 of the sounding: speed_m_s"),
        ("height_m,speed_m_s,from_deg\n0,-1,1\n", "speed_m_s is a number from 0 to 100"),
        ("height_m,speed_m_s,from_deg\n5,1,1\n5,1,1\n", "must ascend"),
        ("height_m,speed_m_s,from_deg\n" + "1,1,1\n" * 3000, "too long"),
    ],
)
def test_a_sounding_that_cannot_be_one_is_refused(text: str, words: str) -> None:
    with pytest.raises(SoundingProblem, match=words):
        sounding_of(text)


def test_doubts_are_read_in_their_units_and_wrong_ones_named() -> None:
    found = sigmas_of({"doubt": {"impulse_percent": 7, "center_of_pressure_mm": 20}}, {"doubt": {"rail_deg": 2}})
    assert (found.impulse, found.center_of_pressure_m, found.rail_tilt) == pytest.approx((0.07, 0.02, radians(2.0)))
    assert found.mass == Sigmas().mass
    assert sigmas_of({}, {}, drag_is_measured=True).drag < sigmas_of({}, {}).drag
    for vehicle, words in (
        ({"doubt": 3}, "must be a table"),
        ({"doubt": {"rail_deg": 1}}, "'rail_deg', which is none of"),
        ({"doubt": {"mass_percent": True}}, "one sigma from 0 to 20"),
        ({"doubt": {"mass_percent": -1}}, "one sigma from 0 to 20"),
    ):
        with pytest.raises(DoubtFault, match=words):
            sigmas_of(vehicle, {})
    with pytest.raises(NextFlightProblem, match="sheet cannot be used"):
        told({**SHEETS.vehicle, "doubt": {"x": 1}})
    assert all(one.most > 0.0 for one in DOUBTS.values())


def test_words() -> None:
    assert share_words(0.0) == "none of them" and share_words(0.001) == "less than 1 % of them"
    assert share_words(0.995) == "more than 99 % of them" and share_words(1.0) == "all of them"
    ring = {"near_m": 0.0, "far_m": 99.6, "from_deg": 20.0, "over_deg": 360.0, "area_m2": 1.0}
    assert band_words(ring) == "0 to 100 m from the pad, all around"  # type: ignore[arg-type]
    part = {**ring, "from_deg": 350.0, "over_deg": 25.0}
    assert band_words(part) == "0 to 100 m from the pad, bearing 350 to 015 deg"  # type: ignore[arg-type]
    assert needed_control_s({"goals": 3}) is None
