"""Next flight and configuration over real connections: the same numbers as computed, refusals with their sentence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from server.design.flight_basis import CHANGES, change_of
from server.design.next_flight import configured, next_flight
from server.review.review import final_figures
from tests.server.flights import SHEETS, flown, recorded
from tests.server.http.page_server import PageServer, run

MOTOR = "time,thrust\n0,0\n0.05,160\n0.6,120\n1.0,90\n1.1,0\n"


def test_a_recorded_flights_sheet_and_what_follows(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        bench.http.timeout = 20
        recorded(bench.site.shelf._folder, flown("calm"), "mine")
        get = bench.http.get
        figures = final_figures(bench.site.shelf.open("mine"))
        plain = (await get("/api/sessions/mine/next-flight")).json()
        assert plain == next_flight(SHEETS.vehicle, SHEETS.site, figures) and "measured" in plain["sources"]["drag"]
        assert plain["as_it_is"]["apogee_m"] == pytest.approx(plain["flown"]["apogee_m"], rel=0.04)
        asked = {"mass_g": -80, "station_m": 0.4, "wind_m_s": 5, "keep_margin": 1}
        found = (await get("/api/sessions/mine/next-flight", params=asked)).json()
        numbers = {name: float(asked[name]) for name in CHANGES if name in asked}
        assert found == next_flight(SHEETS.vehicle, SHEETS.site, figures, change_of(numbers, None, True))
        other = (await get("/api/sessions/mine/next-flight", params={"thrust": MOTOR})).json()
        assert other["changed"]["motor"] == "G116"
        assert (await get("/api/sessions/mine/configuration")).json() == configured(SHEETS.vehicle, SHEETS.site)

    run(what, tmp_path, monkeypatch, mode="replay")


def set_sheets(bench: PageServer, vehicle: Mapping[str, object], site: Mapping[str, object]) -> None:
    station = bench.site.station
    assert station is not None
    station.header = replace(station.header, vehicle=vehicle, site=site)


def test_the_live_session_goes_by_its_sheet_alone(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        answer = await bench.http.get("/api/sessions/live/next-flight")
        assert answer.status_code == 409 and "The sheet lacks" in answer.json()["sentence"]
        set_sheets(bench, SHEETS.vehicle, SHEETS.site)
        assert (await bench.http.get("/api/sessions/live/next-flight")).json()["as_it_is"]["apogee_m"] > 200
        assert (await bench.http.get("/api/sessions/live/configuration")).json()["pieces"] == 12
        set_sheets(bench, {"diameter_m": 0.06, "length_m": 1.0, "configuration": {"nose": 3}}, {})
        answer = await bench.http.get("/api/sessions/live/configuration")
        assert answer.status_code == 409 and answer.json()["sentence"] == (
            "The sheet cannot be used: [vehicle.configuration] nose is no table."
        )

    run(what, tmp_path, monkeypatch)


@pytest.mark.parametrize(
    ("query", "code", "says"),
    [
        ({"mass_g": "heavy"}, 422, "mass_g"),
        ({"mass_g": "nan"}, 422, "mass_g"),
        ({"wind_m_s": "-1"}, 422, "wind_m_s"),
        ({"rail_m": "1e9"}, 422, "rail_m"),
        ({"thrust": "nonsense"}, 422, "The other motor"),
        ({"thrust": "0,0\n" * 5000}, 422, "too long"),
        ({"mass_g": "60000"}, 409, "does not leave the rail"),
    ],
)
def test_what_cannot_be_asked(tmp_path: Path, monkeypatch, query: dict[str, str], code: int, says: str) -> None:
    async def what(bench: PageServer) -> None:
        set_sheets(bench, SHEETS.vehicle, SHEETS.site)
        answer = await bench.http.get("/api/sessions/live/next-flight", params=query)
        assert answer.status_code == code and says in answer.json()["sentence"]

    run(what, tmp_path, monkeypatch)


def test_a_session_that_is_not_there(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: PageServer) -> None:
        for part in ("next-flight", "configuration"):
            assert (await bench.http.get(f"/api/sessions/nothing/{part}")).status_code == 404

    run(what, tmp_path, monkeypatch)
