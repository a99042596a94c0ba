"""Calibrations on a real station: begun at the desk, told step by step in the journal, ended by themselves or stopped."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from server.calibrating import desk as calibration_desk
from server.calibrating.desk import CalibrationDesk
from server.live.station import Station
from tests.server.calibrating.moves import Moves, frames, six_sides
from tests.server.http.page_server import PageServer, ask, run, sign_in
from tests.server.live.test_station import until

BEGIN = {"act": "begin", "what": "accelerometer", "unit": "a", "serial": "SN-12"}


def on_desk(folder: Path, monkeypatch: pytest.MonkeyPatch, what: Callable[[PageServer, object], Awaitable[None]]) -> None:
    monkeypatch.setattr(calibration_desk, "LOOK_S", 0.02)

    async def prepared(server: PageServer) -> None:
        server.site.calibrations = CalibrationDesk(server.station)
        async with server.desk() as socket:
            await sign_in(socket)
            await what(server, socket)
        await server.site.calibrations.close()

    run(prepared, folder, monkeypatch)


def now(station: Station) -> dict[str, object]:
    """Return what the newest note says."""
    station.process()
    told = [entry["body"] for entry in station.store.journal if entry["topic"] == "calibration"]
    return told[-1] if told else {}


async def calibrate(socket: object, **request: object) -> dict[str, object]:
    return await ask(socket, type="calibrate", **request)


async def hear_moves(server: PageServer, moves: Moves, pieces: int) -> None:
    """What was moved arrives in pieces, with a look between them."""
    sent = [frame for _, frame in frames(moves.signals())]
    for k in range(pieces):
        server.hear(sent[k * len(sent) // pieces : (k + 1) * len(sent) // pieces])
        await asyncio.sleep(0.06)


def test_six_sides_are_told_one_by_one_and_the_files_are_kept(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer, socket: object) -> None:
        assert (await calibrate(socket, **BEGIN))["ok"]
        assert not (await calibrate(socket, **BEGIN))["ok"], "one at a time"
        await hear_moves(server, six_sides(), 12)
        await until(lambda: now(server.station).get("state") == "done")
        body = now(server.station)
        told = [e["body"] for e in server.station.store.journal if e["topic"] == "calibration" and e["body"].get("do")]
        assert any(one["do"].startswith("Lay it on another side") for one in told)
        assert len(body["seen"]) == 6 and body["serial"] == "SN-12" and body["operator"] == "Ada 1"
        table = tomllib.loads(body["result"]["toml"])["calibration"]["accelerometer_a"]
        assert table["bias"] == pytest.approx([0.08, -0.12, 0.05], abs=0.03)
        assert "calibration_accelerometer_a_matrix[3][3]" in body["result"]["header"]
        assert server.sent == [], "nothing is transmitted"

    on_desk(tmp_path, monkeypatch, what)


def test_what_was_heard_before_it_began_does_not_count(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer, socket: object) -> None:
        await hear_moves(server, six_sides(), 1)
        assert (await calibrate(socket, **BEGIN))["ok"]
        await until(lambda: "is the vehicle on?" in str(now(server.station).get("do")))
        assert (await calibrate(socket, act="stop"))["ok"]
        assert now(server.station)["state"] == "stopped" and "Ada 1" in str(now(server.station)["why"])

    on_desk(tmp_path, monkeypatch, what)


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        ({"act": "stop"}, "no calibration is running"),
        ({"act": "go"}, "not understood"),
        ({**BEGIN, "what": "nonsense"}, "not understood"),
        ({**BEGIN, "unit": "c"}, "not understood"),
        ({**BEGIN, "serial": 'x"y'}, "must be 1 to 40"),
        ({**BEGIN, "serial": ""}, "must be 1 to 40"),
        ({**BEGIN, "what": "magnetometer"}, "has no packet with the roles magnetometer.x"),
        ({**BEGIN, "what": "barometer"}, "heights of the stairs are needed"),
        ({**BEGIN, "what": "barometer", "heights": ["a"]}, "not understood"),
        ({**BEGIN, "what": "barometer", "heights": [0.0] * 41}, "not understood"),
    ],
)
def test_what_cannot_begin_is_refused_in_a_sentence(tmp_path: Path, monkeypatch, request_: dict, said: str) -> None:
    async def what(server: PageServer, socket: object) -> None:
        reply = await calibrate(socket, **request_)
        assert not reply["ok"] and said in reply["sentence"]
        assert now(server.station) == {}

    on_desk(tmp_path, monkeypatch, what)


def test_what_fails_while_it_computes_is_told_and_the_next_may_begin(tmp_path: Path, monkeypatch) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError

    async def what(server: PageServer, socket: object) -> None:
        monkeypatch.setattr("server.calibrating.guide.standing", fails)
        assert (await calibrate(socket, **BEGIN))["ok"]
        await until(lambda: now(server.station)["state"] == "refused")
        assert now(server.station)["why"] == "it could not be computed (ZeroDivisionError)"
        assert (await calibrate(socket, **BEGIN))["ok"]

    on_desk(tmp_path, monkeypatch, what)


def test_after_a_crash_of_the_station_nothing_is_under_way(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer, socket: object) -> None:
        assert (await calibrate(socket, **BEGIN))["ok"]
        assert now(server.station)["state"] == "running"
        CalibrationDesk(server.station)
        assert now(server.station)["why"] == "the station was restarted"

    on_desk(tmp_path, monkeypatch, what)
