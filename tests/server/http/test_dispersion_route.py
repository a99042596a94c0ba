"""Many drawn flights over real connections: told as they go on, the same numbers as computed, ended with who asked."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import pytest

from server.design.dispersion import dispersion
from server.design.dispersion_basis import Day
from server.design.flight_basis import FlightChange
from server.design.sounding import sounding_of
from server.json_text import finite
from tests.server.flights import SHEETS
from tests.server.http.page_server import PageServer, run
from tests.server.http.test_plan_routes import set_sheets

PATH = "/api/sessions/live/dispersion"
SOUNDING = "height_m,speed_m_s,from_deg\n2,3,180\n300,9,180\n"


def test_what_is_told_is_what_is_computed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: PageServer) -> None:
        bench.http.timeout = 60
        set_sheets(bench, SHEETS.vehicle, SHEETS.site)
        asked = {"flights": 200, "seed": 7, "mass_g": 100, "sounding": SOUNDING}
        answer = await bench.http.get(PATH, params=asked)
        lines = [json.loads(line) for line in answer.text.splitlines()]
        done = [line["done"] for line in lines[:-1]]
        assert len(done) > 4 and done == sorted(done)
        day = Day(change=FlightChange(mass_kg=0.1), sounding=sounding_of(SOUNDING))
        assert lines[-1]["told"] == json.loads(json.dumps(finite(dispersion(SHEETS.vehicle, SHEETS.site, day, 200, 7))))

    run(what, tmp_path, monkeypatch)


def test_what_cannot_be_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: PageServer) -> None:
        bench.http.timeout = 60
        for query, words in (({}, "The sheet lacks"), ({"sounding": "x"}, "first line must be"), ({"thrust": "x"}, "curve")):
            answer = await bench.http.get(PATH, params=query)
            assert answer.status_code == 200 and words in json.loads(answer.text)["sentence"]
        for query in ({"flights": 3}, {"mass_g": "heavy"}, {"thrust": "0,0\n" * 5000}):
            assert (await bench.http.get(PATH, params=query)).status_code == 422
        assert (await bench.http.get("/api/sessions/nothing/dispersion")).status_code == 404

    run(what, tmp_path, monkeypatch)


def drawing() -> list[Path]:
    """Return the processes that draw flights."""
    found = []
    for one in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            if b"server.design.drawn_apart" in one.read_bytes():
                found.append(one)
        except OSError:
            continue
    return found


def test_who_goes_away_ends_it_and_only_one_is_drawn_for_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: PageServer) -> None:
        bench.http.timeout = 60
        set_sheets(bench, SHEETS.vehicle, SHEETS.site)
        before = set(drawing())
        async with bench.http.stream("GET", PATH, params={"flights": 2000}) as answer:
            lines = answer.aiter_lines()  # kept: one that is dropped closes the connection
            assert "done" in await anext(lines)
            mine = set(drawing()) - before
            other = await bench.http.get(PATH, params={"flights": 200})
            assert other.status_code == 503 and "for somebody already" in other.json()["sentence"]
        async with asyncio.timeout(10):
            while any(one.exists() for one in mine):
                await asyncio.sleep(0.05)
        assert len(mine) == 1 and not bench.site.drawing.locked()

    run(what, tmp_path, monkeypatch)
