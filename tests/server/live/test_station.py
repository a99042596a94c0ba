"""The normal life of a station on a real socket: what is shown is what is recorded, and a replay of it is the same."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

import numpy as np
import pytest

from server.demo import Demo, TwinOptions
from server.live.station import NOBODY, Listeners, Station
from server.recording.clock import SystemClock
from server.recording.records import Kind
from server.recording.resume import resume_or_start
from server.recording.session_header import Software, make_header
from server.review.review import open_review, rows_matrix
from server.uplink.counter_store import CounterStore
from server.uplink.key_file import load_or_make_key
from tests.browser.station import BUSY
from tests.server.flights import dictionary, flown
from tests.server.recording.sessions import changed

JUDGED_AFTER_S = 3.0  # vehicle seconds; the last judgements are due one second after the landing


def make_station(folder: Path, url: str, listeners: Listeners = NOBODY, **header: object) -> Station:
    clock, key = SystemClock(), load_or_make_key(folder / "keys")
    described = make_header(
        clock,
        software=Software("0.1"),
        dictionary=dictionary().text,
        vehicle={"name": "V"},
        site={"temperature_k": 291.0},
        source=url,
    )
    sessions = folder / "sessions"
    sessions.mkdir(exist_ok=True)
    return Station(
        dictionary=dictionary(),
        key=key,
        counters=CounterStore(folder / "keys", key),
        url=url,
        baud=57600,
        clock=clock,
        make_recorder=lambda tell: resume_or_start(sessions, "v", changed(described, **header), clock=clock, on_state=tell),
        mode="live",
        listeners=listeners,
    )


async def until(wanted: Callable[[], bool], within_s: float = 10.0) -> None:
    async with asyncio.timeout(within_s * BUSY):
        while not wanted():
            await asyncio.sleep(0.01)


def landed(station: Station) -> bool:
    """Tell whether the station has seen the landing and judged it, some vehicle seconds later."""
    at = [e["body"]["t"] for e in station.store.journal if (e["topic"], e["key"]) == ("moment", "landing")]
    return at != [] and station.store.tables["navigation"].matrix()[-1, 0] > at[-1] + JUDGED_AFTER_S


def assert_replay_is_what_was_shown(station: Station, path: Path) -> None:
    """Promise 1 of the design, over the real file: every row and every entry, by the moment they belong to.

    What is judged may be told late, but never as of another moment.
    """
    review = open_review(path)
    for name, table in station.store.tables.items():
        matrix = rows_matrix(table.spec, review.output.rows.get(name))
        assert np.array_equal(matrix, table.matrix(), equal_nan=True), name
    shown = [{k: v for k, v in entry.items() if k != "i"} for entry in station.store.journal]
    again = [{k: v for k, v in e.as_dict(0).items() if k != "i"} for e in review.output.entries]
    if shown[-1]["topic"] == "recording" and shown[-1]["body"]["state"] == "closed":
        shown.pop()  # that the recording is closed cannot be in it
    # By arrival alone: the sort is stable, so that what came at one moment is compared in the order it was told in.
    assert sorted(again, key=lambda entry: entry["rx"]) == sorted(shown, key=lambda entry: entry["rx"])


def test_a_whole_flight_over_a_real_socket_and_its_replay(tmp_path: Path) -> None:
    demo = Demo(dictionary(), tmp_path / "keys", TwinOptions("bad-number", 1, 40.0, 6.0))

    async def go() -> tuple[Station, Path]:
        told: list[int] = []
        listeners = Listeners(on_change=lambda: told.append(station.store.version))
        station = make_station(tmp_path, demo.url, listeners)
        await station.start()
        demo.start()
        await until(lambda: station.link_state()["state"] == "up")
        station.sign_in("Ada 1")
        assert station.act("Ada 1", "send", {"command": "camera_power", "args": {"camera": 1, "on": 1}}).ok
        station.mark("Ada 1", "a mark")
        await until(lambda: landed(station), 20.0)
        path = await station.stop()
        assert told and station.recording_state()["state"] == "closed"
        return station, path

    try:
        station, path = asyncio.run(go())
    finally:
        demo.stop()
    assert_replay_is_what_was_shown(station, path)
    topics = {entry["topic"] for entry in station.store.journal}
    assert {"link", "authority", "command", "act", "mark", "phase", "moment", "health", "event", "recording"} <= topics
    states = [e["body"]["state"] for e in station.store.journal if e["topic"] == "command"]
    assert states[-1] == "verified", states
    assert str(demo.twin.truth()["commands_executed"]).count("camera_power") == 1


def serve(what: Callable[[Station, socket.socket], Awaitable[None]], folder: Path) -> tuple[Station, Path]:
    """Run a station against a plain listening socket: the test is the radio."""

    async def go() -> tuple[Station, Path]:
        with socket.create_server(("127.0.0.1", 0)) as listener:
            listener.settimeout(10)
            station = make_station(folder, f"socket://127.0.0.1:{listener.getsockname()[1]}")
            await station.start()
            try:
                await what(station, listener)
            finally:
                path = await station.stop()
            return station, path

    return asyncio.run(go())


def test_link_states_of_a_port_that_comes_and_goes(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("server.bridge.link_watch.SILENT_AFTER_S", 0.3)

    async def what(station: Station, listener: socket.socket) -> None:
        peer, _ = await asyncio.to_thread(listener.accept)
        await until(lambda: station.link_state()["state"] == "waiting")
        assert station.link_state()["age_s"] is None
        peer.sendall(flown().stream[:3000])
        await until(lambda: station.link_state()["state"] == "up")
        await until(lambda: station.link_state()["state"] == "silent")
        assert "not heard" in station.link_state()["sentence"]
        peer.close()
        await until(lambda: station.link_state()["state"] == "closed")
        again, _ = await asyncio.to_thread(listener.accept)
        await until(lambda: station.link_state()["state"] == "waiting")
        again.sendall(flown().stream[3000:6000])
        await until(lambda: station.link_state()["state"] == "up")
        again.close()

    station, path = serve(what, tmp_path)
    assert_replay_is_what_was_shown(station, path)


def test_garbage_is_recorded_byte_for_byte_and_shown_as_damage(tmp_path: Path) -> None:
    rubbish = bytes(np.random.default_rng(1).integers(0, 256, 50_000, dtype=np.uint8)) + b"\0"

    async def what(station: Station, listener: socket.socket) -> None:
        peer, _ = await asyncio.to_thread(listener.accept)
        await until(lambda: station.link_state()["state"] == "waiting")
        peer.sendall(rubbish + flown().stream[:2000])
        await until(lambda: station.link_state()["packets"] > 20)
        peer.close()

    station, path = serve(what, tmp_path)
    review = open_review(path)
    received = b"".join(r.payload for r in review.session.records if r.kind == Kind.RECEIVED)
    assert received == rubbish + flown().stream[:2000]
    assert station.link_state()["damaged"] > 100
    assert_replay_is_what_was_shown(station, path)


def test_an_event_loop_that_hangs_loses_nothing_of_the_recording(tmp_path: Path) -> None:
    """Fault 26, the whole station: one second without the loop, 30 kB meanwhile."""
    stream = flown().stream[:30_000]

    async def what(station: Station, listener: socket.socket) -> None:
        peer, _ = await asyncio.to_thread(listener.accept)
        await until(lambda: station.link_state()["state"] == "waiting")
        peer.sendall(stream[:1000])
        await until(lambda: station.link_state()["state"] == "up")
        for at in range(1000, len(stream), 2900):  # sent while the loop stands still
            peer.sendall(stream[at : at + 2900])
            time.sleep(0.1)  # noqa: ASYNC251 - the fault itself
        await until(lambda: station.intake.dropped == 0 and station.link_state()["packets"] > 300)
        peer.close()

    station, path = serve(what, tmp_path)
    records = open_review(path).session.records
    assert b"".join(r.payload for r in records if r.kind == Kind.RECEIVED) == stream
    assert_replay_is_what_was_shown(station, path)


@pytest.mark.parametrize("times", [1, 3])
def test_a_station_stops_quickly_and_leaves_a_closed_file(tmp_path: Path, times: int) -> None:
    async def go() -> list[Path]:
        paths = []
        for _ in range(times):
            station = make_station(tmp_path, "socket://127.0.0.1:1")
            await station.start()
            begun = asyncio.get_running_loop().time()
            paths.append(await station.stop())
            assert asyncio.get_running_loop().time() - begun < 2.0
        return paths

    paths = asyncio.run(go())
    assert len(set(paths)) == times and all(open_review(path).session.closed for path in paths)
