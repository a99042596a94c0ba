"""Drawn flights as a line of the pad sheet, on a real station and in real processes."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from server.design.dispersion import CAUTION, dispersion
from server.design.dispersion_basis import Day
from server.live.foreseen import foretelling
from server.live.foreseen.drawn_flights import drawn_lines
from server.live.foreseen.foretelling import Foretelling
from server.live.pad_desk import PadDesk
from tests.server.flights import SHEETS
from tests.server.http.page_server import PageServer, run, sign_in
from tests.server.http.test_plan_routes import set_sheets
from tests.server.live.test_pad_desk import kept, pad
from tests.server.pad.pad_world import plan_of

WIND = 'name = "wind"\ntick = "Wind measured"\nnumber = { unit = "m/s", measures = "site.wind" }\nwhy = "w"'
INSIDE = 'name = "inside"\ntitle = "Foreseen landing"\nrole = "foreseen.inside"\nat_least = 95\nwhy = "w"'


def notes(bench: PageServer) -> list[dict[str, object]]:
    assert bench.station is not None
    bench.station.process()
    return [entry for entry in bench.station.store.journal if entry["topic"] == foretelling.TOPIC]


def test_the_line_is_drawn_once_and_again_with_another_wind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(foretelling, "FLIGHTS", 200)
    monkeypatch.setattr(foretelling, "LOOK_S", 0.05)

    async def what(bench: PageServer) -> None:
        set_sheets(bench, SHEETS.vehicle, SHEETS.site)
        bench.site.pad = desk = PadDesk(bench.station, plan_of(INSIDE, WIND))
        desk.look()
        assert kept(bench.station, "item inside")["body"]["standing"] == "unknown"
        looking = asyncio.create_task(Foretelling(bench.station, desk).look_forever())
        try:
            async with asyncio.timeout(240):
                while len(notes(bench)) < 1:
                    await asyncio.sleep(0.05)
                desk.look()
                line = desk.sheet.lines["inside"]
                assert line.value.startswith("100")
                body = notes(bench)[0]["body"]
                told = dispersion(SHEETS.vehicle, SHEETS.site, Day(), 200, 1)
                assert body["numbers"] == told["numbers"] and body["cases"][0]["outside"] == told["cases"][0]["outside"]
                assert CAUTION in str(notes(bench)[0]["text"])
                async with bench.desk() as ada:
                    await sign_in(ada)
                    await pad(ada, "tick", item="wind", number=8.5)
                    while len(notes(bench)) < 2:
                        await asyncio.sleep(0.05)
                assert "measured at the pad, 8.5 m/s" in str(notes(bench)[1]["body"])
                desk.look()
                assert float(desk.sheet.lines["inside"].value.split(" ")[0]) < 95.0
        finally:
            looking.cancel()

    run(what, tmp_path, monkeypatch)


def test_a_sheet_without_the_line_draws_nothing_and_one_that_cannot_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def what(bench: PageServer) -> None:
        assert not Foretelling(bench.station, PadDesk(bench.station, plan_of(WIND))).is_asked
        asking = Foretelling(bench.station, PadDesk(bench.station, plan_of(INSIDE)))
        assert asking.is_asked
        await asking.draw()
        assert "Foreseen landing: The sheet lacks" in str(notes(bench)[-1]["text"])

    run(what, tmp_path, monkeypatch)


def test_a_process_that_says_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.live.foreseen.drawn_flights.sys.executable", "/bin/true")

    async def all_lines() -> list[bytes]:
        return [line async for line in drawn_lines("{}")]

    assert b"could not be drawn to the end" in asyncio.run(all_lines())[-1]
