"""The count on a real station: who may move it, what blocks it, restarts, and that its recording opens the same."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from server.live.count_desk import CountDesk
from server.live.pad_desk import PadDesk
from server.live.station import Station
from server.pad.count import CountEvent
from server.review.review import open_review
from tests.server.http.page_server import PageServer, ask, run, sign_in
from tests.server.pad.pad_world import KEY_OUT, WIND, plan_of

PLAN = plan_of(f"{KEY_OUT}\nhold_at = 40", WIND)


def on_desk(folder: Path, monkeypatch: pytest.MonkeyPatch, what: Callable[[PageServer], Awaitable[None]]) -> None:
    """Run a test's coroutine on a page server with a pad sheet and a count."""

    async def prepared(server: PageServer) -> None:
        server.site.pad = PadDesk(server.station, PLAN)
        server.site.count = CountDesk(server.station, server.site.pad)
        await what(server)

    run(prepared, folder, monkeypatch)


def kept(station: Station) -> dict:
    """Return the count's state as the session keeps it."""
    station.process()
    return [dict(e["body"]) for e in station.store.journal if (e["topic"], e["key"]) == ("count", "state")][-1]


async def count(socket: object, act: str, **more: object) -> dict:
    return await ask(socket, type="count", act=act, **more)


def test_whoever_holds_authority_has_the_count_and_anybody_signed_in_holds_it(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        async with server.desk() as ada, server.desk() as ben:
            await sign_in(ada)
            await sign_in(ben, "Ben")
            for act in ("set", "start", "resume", "recycle"):
                assert "only who holds command authority" in (await count(ben, act, seconds=50))["sentence"]
            assert (await count(ada, "set", seconds=50))["ok"] and (await count(ada, "start"))["ok"]
            assert kept(server.station)["by"] == "Ada 1" and kept(server.station)["at"].endswith("Z")
            assert (await count(ben, "hold"))["ok"]
            assert (kept(server.station)["state"], kept(server.station)["by"]) == ("held", "Ben 1")
            assert (await count(ada, "fire"))["sentence"] == "this request is not understood"
            assert server.sent == [], "nothing is transmitted"

    on_desk(tmp_path, monkeypatch, what)


def test_a_red_line_and_a_hold_point_keep_it_from_running_with_the_reason(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        async with server.desk() as ada:
            await sign_in(ada)
            await ask(ada, type="pad", act="tick", item="wind", number=9.5, round=1)
            assert (await count(ada, "start"))["sentence"] == "not met on the pad sheet: Wind measured"
            await ask(ada, type="pad", act="tick", item="wind", number=2, round=1)
            await count(ada, "set", seconds=30)
            assert (await count(ada, "start"))["sentence"] == "hold point: Arming key out (T-0:40)"
            await ask(ada, type="pad", act="tick", item="key", round=1)
            assert (await count(ada, "start"))["ok"]

    on_desk(tmp_path, monkeypatch, what)


def test_a_restart_of_the_vehicle_makes_it_unknown(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        async with server.desk() as ada:
            await sign_in(ada)
            server.hear()
            assert (await count(ada, "start"))["ok"]
            server.hear(server.vehicle.start(8))
            server.site.count.look()
            assert kept(server.station)["state"] == "unknown"
            assert "recycle it" in (await count(ada, "resume"))["sentence"]
            assert (await count(ada, "recycle"))["ok"] and kept(server.station)["state"] == "held"

    on_desk(tmp_path, monkeypatch, what)


def test_a_lift_off_ends_it_and_its_recording_opens_the_same(tmp_path: Path, monkeypatch) -> None:
    shown: list[list] = []

    async def what(server: PageServer) -> None:
        async with server.desk() as ada:
            await sign_in(ada)
            desk = server.site.count
            await count(ada, "set", seconds=3)
            await ask(ada, type="pad", act="tick", item="key", round=1)
            await count(ada, "start")
            while desk.count.state.value != "past zero":
                desk.look()
                await asyncio.sleep(0.05)
            desk.count.happen(CountEvent.LIFT_OFF, server.station.now_s())
            desk.look()
            server.station.process()
            entries = [e for e in server.station.store.journal if e["topic"] == "count"]
            assert [e["body"]["seconds"] for e in entries if e["key"] == "second"] == [2, 1]
            assert entries[-1]["body"]["state"] == "flown"
            shown.append([(e["rx"], e["t"], e["key"], e["text"], dict(e["body"])) for e in entries])

    on_desk(tmp_path, monkeypatch, what)
    (file,) = tmp_path.rglob("*.pcapng")
    replayed = [e for e in open_review(file).output.entries if e.topic == "count"]
    assert [(e.rx_s, e.t, e.key, e.text, dict(e.body)) for e in replayed] == shown[0]


def test_a_count_taken_up_after_a_crash_is_held_and_says_so(tmp_path: Path, monkeypatch) -> None:
    async def what(server: PageServer) -> None:
        async with server.desk() as ada:
            await sign_in(ada)
            assert (await count(ada, "start"))["ok"]
        server.station.process()
        again = CountDesk(server.station, server.site.pad)  # as a station does that finds these notes in its session
        assert again.count.state.value == "held"
        assert kept(server.station)["why"] == "the station was restarted"

    on_desk(tmp_path, monkeypatch, what)
