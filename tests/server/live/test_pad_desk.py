"""The pad sheet on a real station: who may tick, what the session keeps, restarts, a whole flight and its replay."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from websockets.exceptions import ConnectionClosed

from server.demo import Demo, TwinOptions
from server.live.pad_desk import PadDesk
from server.live.station import Station
from server.pad.plan import load_pad_plan
from server.pad.record import TOPIC, recorded_sheet
from server.review.review import measured_wind, open_review
from server.telemetry.journal import JournalEntry
from tests.browser.desk import live_journal
from tests.browser.station import Process, eventually
from tests.server.flights import dictionary
from tests.server.http.page_server import PageServer, ask, hear, run, say, sign_in
from tests.server.http.test_operator_socket import ask as ask_at
from tests.server.http.test_operator_socket import sign_in as sign_in_at
from tests.server.live.test_station import assert_replay_is_what_was_shown, landed, make_station, until
from tests.server.pad.pad_world import HOSTILE, HOSTILE_KEY, KEY_OUT, WIND, plan_of, sheet_toml

PHASE = 'name = "phase"\ntitle = "Vehicle says"\nrole = "vehicle_phase"\nequals = "ground test"\nwhy = "w"'
PLAN = plan_of(PHASE, KEY_OUT, WIND, HOSTILE_KEY)


def on_desk(folder: Path, monkeypatch: pytest.MonkeyPatch, what: Callable[[PageServer], Awaitable[None]]) -> None:
    """Run a test's coroutine on a page server with a pad sheet."""

    async def prepared(server: PageServer) -> None:
        server.site.pad = PadDesk(server.station, PLAN)
        await what(server)

    run(prepared, folder, monkeypatch)


def kept(station: Station, key: str) -> dict[str, object]:
    """Return the newest note of the sheet under a key."""
    station.process()
    return [e for e in station.store.journal if (e["topic"], e["key"]) == (TOPIC, key)][-1]


async def pad(socket: object, act: str, **more: object) -> dict[str, object]:
    return await ask(socket, type="pad", act=act, **{"round": 1, **more})


def test_an_operator_ticks_without_authority_and_the_session_keeps_who(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        async with server.desk() as ada, server.desk() as ben:
            await sign_in(ada)
            await sign_in(ben, "Ben")
            assert server.station.authority.holder == "Ada 1"
            assert (await pad(ben, "tick", item="key"))["ok"]
            assert (await pad(ada, "tick", item="wind", number=9.5))["ok"]
            body = kept(server.station, "item key")["body"]
            assert (body["standing"], body["by"]) == ("met", "Ben 1") and body["at"].endswith("Z")
            assert kept(server.station, "item wind")["severity"] == "caution"
            assert kept(server.station, "item wind")["text"].endswith("9.5 m/s, not met")
            assert (await pad(ada, "untick", item="key"))["ok"]
            assert kept(server.station, "item key")["body"]["standing"] == "open"
            assert server.sent == [], "nothing is transmitted"

    on_desk(tmp_path, monkeypatch, what)


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        ({"act": "tick", "item": "phase", "round": 1}, "there is no such item"),
        ({"act": "tick", "item": None, "round": 1}, "there is no such item"),
        ({"act": "tick", "item": "key", "round": 7}, "cleared meanwhile"),
        ({"act": "tick", "item": "key", "round": "1"}, "not understood"),
        ({"act": "tick", "item": "key", "round": True}, "not understood"),
        ({"act": "tick", "item": "wind", "round": 1}, "needs a number"),
        ({"act": "tick", "item": "wind", "round": 1, "number": 10**30}, "needs a number"),
        ({"act": "go", "item": "key", "round": 1}, "not understood"),
        ({"round": 1}, "not understood"),
    ],
)
def test_what_cannot_be_done_is_refused_in_a_sentence(tmp_path: Path, monkeypatch, request_: dict, said: str) -> None:
    async def what(server: PageServer) -> None:
        async with server.desk() as socket:
            await sign_in(socket)
            before = len(server.station.store.journal)
            reply = await ask(socket, type="pad", **request_)
            assert not reply["ok"] and said in reply["sentence"]
            server.station.process()
            assert not [e for e in server.station.store.journal[before:] if e["topic"] == TOPIC and e["text"]]

    on_desk(tmp_path, monkeypatch, what)


def test_viewers_and_whoever_is_not_signed_in_cannot_tick(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        tick = json.dumps({"type": "pad", "act": "tick", "item": "key", "round": 1, "n": 71})
        async with server.view() as viewer:
            await hear(viewer, "hello")
            await viewer.send(tick)
            server.hear()
            await hear(viewer, "update")  # the viewer goes on watching; what it said was not read
        async with server.desk() as stranger:
            await stranger.send(tick)
            with pytest.raises(ConnectionClosed):
                await hear(stranger, "reply")
        assert server.site.pad.sheet.lines["key"].by == ""

    on_desk(tmp_path, monkeypatch, what)


def test_a_station_without_a_sheet_says_so(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        async with server.desk() as socket:
            await sign_in(socket)
            assert (await pad(socket, "tick", item="key"))["sentence"] == "this station was started without a pad sheet"

    run(what, tmp_path, monkeypatch)


def test_items_turn_met_by_themselves_and_a_restart_clears_the_ticks(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("server.pad.sheet.GOOD_AFTER_S", 0.0)

    async def what(server: PageServer) -> None:
        station, desk = server.station, server.site.pad
        async with server.desk() as socket:
            await sign_in(socket)
            assert kept(station, "item phase")["body"]["standing"] == "unknown"
            server.hear()
            desk.look()
            assert kept(station, "item phase")["body"]["standing"] == "met"
            assert (await pad(socket, "tick", item="key"))["ok"]
            server.hear(server.vehicle.start(8))
            # The tick asked for before the page has heard of the restart does not land on the new round.
            assert "cleared meanwhile" in (await pad(socket, "tick", item="wind", number=2))["sentence"]
            assert kept(station, "sheet")["text"] == "Pad sheet cleared of 1 tick: the vehicle restarted"
            assert kept(station, "item key")["body"]["cleared"].startswith("was ticked by Ada 1")
            server.hear()
            desk.look()
            assert kept(station, "item phase")["body"]["value"] == "pad", "and not the ground test that was asked for"

    on_desk(tmp_path, monkeypatch, what)


def test_a_hostile_text_is_kept_as_text(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        async with server.desk() as socket:
            await sign_in(socket, "<b>Ada")
            await say(socket, type="pad", act="tick", item="hostile", round=1, n=71)
            assert (await hear(socket, "reply"))["ok"]
        shape = kept(server.station, "definition")["body"]
        assert shape["groups"][0]["items"][3]["title"] == HOSTILE
        assert kept(server.station, "item hostile")["body"]["by"] == "<b>Ada 1"

    on_desk(tmp_path, monkeypatch, what)


def folded(entries: list[dict], upto_s: float) -> dict[str, object]:
    return {e["key"]: e["body"] for e in entries if e["topic"] == TOPIC and e["rx"] <= upto_s}


def test_a_whole_flight_with_ticks_and_its_replay_at_every_moment(tmp_path: Path) -> None:
    demo = Demo(dictionary(), tmp_path / "keys", TwinOptions("calm", 1, 20.0, 120.0))  # time to tick on a busy machine
    refused: list[str] = []

    class Pressing(PadDesk):
        """Somebody ticks as soon as the sheet is closed: a busy machine may show it only once it is cleared again."""

        has_ticked = False

        def look(self) -> None:
            super().look()
            if self.sheet.state.value == "closed" and not self.has_ticked:
                self.has_ticked = True  # before: answering looks, too
                refused.append(self.answer("Ada 1", {"act": "tick", "item": "spectators", "round": 1}).sentence)

    async def go() -> tuple[Station, Path]:
        station = make_station(tmp_path, demo.url)
        desk = Pressing(station, load_pad_plan(None, dictionary()))
        await station.start()
        looking = asyncio.create_task(desk.look_forever())
        demo.start()
        await until(lambda: desk.sheet.lines["battery"].standing.value == "met")
        for name, number in (("key-out", None), ("wind-measured", 3.0), ("spectators", None)):
            assert desk.answer("Ada 1", {"act": "tick", "item": name, "round": 1, "number": number}).ok
        assert desk.answer("Ada 1", {"act": "untick", "item": "spectators", "round": 1}).ok
        await until(lambda: refused, 20.0)
        assert "lifted off" in refused[0]
        await until(lambda: landed(station), 30.0)
        await until(lambda: desk.sheet.round == 2)
        looking.cancel()
        desk.close()
        return station, await station.stop()

    try:
        station, path = asyncio.run(go())
    finally:
        demo.stop()
    assert_replay_is_what_was_shown(station, path)
    review = open_review(path)
    again = [entry.as_dict(i) for i, entry in enumerate(review.output.entries)]
    for entry in [e for e in station.store.journal if e["topic"] == TOPIC]:
        assert folded(again, entry["rx"]) == folded(station.store.journal, entry["rx"])
    sheet = recorded_sheet(review.output.entries)
    assert sheet.when == "As it stood at lift-off"
    lines = {item.title: item.line for _, items in sheet.groups for item in items}
    # On a machine that is busy the vehicle's words come late, and the line then also says how late they are.
    assert lines["Vehicle says"].value.split(",")[0] == "pad", "just before the lift-off, not when it was noticed"
    assert lines["Physical arming key out"].by == "Ada 1" and lines["Wind measured at the pad"].number == 3.0
    assert lines["Spectators behind the line"].by == ""
    assert measured_wind(review).speed_m_s == 3.0, "as it stood at lift-off, although it was cleared after landing"
    told = [e.text for e in review.output.entries if isinstance(e, JournalEntry) and e.topic == TOPIC and e.text]
    assert told[-1] == "Pad sheet cleared of 2 ticks: the vehicle has landed"
    assert "no longer" not in " ".join(told), "a lift-off is no loss of an item"


def journal_of(port: str) -> dict[str, dict]:
    """Return the newest entries of a live station's sheet by key."""
    return {e["key"]: e for e in live_journal(f"http://127.0.0.1:{port}/") if e["topic"] == TOPIC}


def test_a_station_that_was_killed_goes_on_with_its_ticks_but_not_with_another_sheets(tmp_path: Path) -> None:
    sheet = tmp_path / "mine.toml"
    arguments = ("live", "--port", "socket://127.0.0.1:9", "--pad-sheet", str(sheet), "--no-browser", "--http-port", "0")

    async def tick(port: str, token: str) -> None:
        desk = await sign_in_at(port, token, "Ada")
        assert (await ask_at(desk, type="pad", act="tick", item="key", round=1))["ok"]
        await desk.close()

    def kill(station: Process) -> None:
        station.process.kill()
        station.process.wait()
        station.stop()

    def begin() -> tuple[Process, str]:
        station = Process(tmp_path, *arguments)
        found = station.line(r"http://127.0.0.1:(\d+)/#operator=(\S+)")
        eventually(lambda: "item wind" in journal_of(found[1]))
        return station, found

    sheet.write_text(sheet_toml(PHASE, KEY_OUT, WIND), "utf-8")
    station, found = begin()
    asyncio.run(tick(found[1], found[2]))
    eventually(lambda: journal_of(found[1])["item key"]["body"]["by"] == "Ada 1")
    eventually(lambda: b'"by":"Ada 1"' in next((tmp_path / "sessions").glob("*.pcapng")).read_bytes())
    kill(station)
    station, found = begin()
    assert journal_of(found[1])["item key"]["body"]["by"] == "Ada 1"
    kill(station)
    sheet.write_text(sheet_toml(PHASE, KEY_OUT.replace("out", "in"), WIND), "utf-8")
    station, found = begin()
    kept_ = journal_of(found[1])
    assert kept_["item key"]["body"]["standing"] == "open" and kept_["sheet"]["body"]["round"] == 2
    station.stop()
