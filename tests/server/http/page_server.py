"""A real station behind a real page server on a free port of this machine, with a vehicle model in place of a radio.

Real: Station, recorder, counter store, hub, routes, gatekeeper, uvicorn with the station's own settings. In place of the
serial bridge stands `PlainBridge`, which takes every frame at once and hands it to the vehicle model.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from websockets.asyncio.client import ClientConnection, connect

import server.live.station
from server.bridge.serial_bridge import PortState
from server.http.context import PageContext
from server.http.operator_socket import tell_authority
from server.http.security import TokenGuard
from server.http.serving import KEEPER, listening_socket, serve
from server.http.viewers import Hub
from server.live.station import Listeners, Station
from server.recording.clock import SystemClock
from server.recording.resume import resume_or_start
from server.recording.session_header import Software, make_header
from server.settings import Settings, chart_folder, page_folder
from server.shelf.shelf import Shelf
from server.uplink.counter_store import CounterStore
from tests.server.uplink.queue_vehicle import Vehicle
from tests.server.uplink.queue_world import KEY, dictionary

TOKEN = "the-token-of-this-test"
WITHIN_S = 5.0


class PlainBridge:
    """A port that takes everything at once."""

    def __init__(self, url: str, baud: int, **more: object) -> None:
        self.url = url
        self.sent: list[bytes] = []

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """Nothing to stop."""

    def send(self, frame: bytes, on_done: Callable[[str | None], None], urgent: bool = False) -> None:
        """Take a frame."""
        self.sent.append(frame)
        on_done(None)


class PageServer:
    """What a test reaches of the running station: its address, its insides and its vehicle."""

    def __init__(self, site: PageContext, port: int, station: Station | None, vehicle: Vehicle) -> None:
        self.site, self.port, self.vehicle = site, port, vehicle
        self._station = station
        self.host = f"127.0.0.1:{port}"
        self.http = httpx.AsyncClient(base_url=f"http://{self.host}", timeout=WITHIN_S)

    @property
    def station(self) -> Station:
        """The station; there is none in a replay."""
        assert self._station is not None
        return self._station

    @property
    def sent(self) -> list[bytes]:
        """Frames that reached the port."""
        return self.station.bridge.sent

    def hear(self, frames: list[bytes] | None = None) -> None:
        """Telemetry of the vehicle arrives: one round, or the frames given."""
        self.vehicle.now_s = self.station.now_s()
        data = b"".join(self.vehicle.telemetry() if frames is None else frames)
        self.station._on_chunk(self.station.clock.monotonic_ns(), data)
        self.station.process()
        self.station.ask(lambda queue, now_s: queue.trips.note(now_s - 0.1, now_s))  # as if it had answered a ping

    async def hear_steadily(self) -> None:
        """Telemetry comes ten times a second until cancelled."""
        while True:
            self.hear()
            await asyncio.sleep(0.1)

    def view(self, **more: Any) -> connect:
        """Connect as a viewer; `more` overrides the client's options."""
        return self._socket("view", **more)

    def desk(self, **more: Any) -> connect:
        """Connect to the desk, not yet signed in."""
        return self._socket("desk", **more)

    def _socket(self, path: str, **more: Any) -> connect:
        options = {"origin": f"http://{self.host}", "compression": None, "max_size": None, "proxy": None, **more}
        return connect(f"ws://{self.host}/ws/{path}", **options)


async def say(socket: ClientConnection, **message: object) -> None:
    """Send one message to the desk."""
    await socket.send(json.dumps(message))


async def hear(socket: ClientConnection, *types: str) -> dict[str, Any]:
    """Return the next message of one of the given types; any other is passed over."""
    async with asyncio.timeout(WITHIN_S):
        while True:
            message = json.loads(await socket.recv(), parse_constant=_refuse)
            if message["type"] in types:
                return message


def _refuse(name: str) -> None:
    raise AssertionError(f"{name} is not JSON")


async def ask(socket: ClientConnection, **message: object) -> dict[str, Any]:
    """Send a request and return its reply."""
    await say(socket, n=71, **message)
    reply = await hear(socket, "reply")
    assert reply["n"] == 71
    return reply


async def sign_in(socket: ClientConnection, name: str = "Ada") -> dict[str, Any]:
    """Sign in with the right token; return the answer."""
    await say(socket, type="sign_in", token=TOKEN, name=name)
    return await hear(socket, "signed_in")


@asynccontextmanager
async def serving(folder: Path, monkeypatch: pytest.MonkeyPatch, mode: str = "live") -> AsyncIterator[PageServer]:
    """Run a page server in this loop until the block ends; mode "replay" has no station."""
    monkeypatch.setattr(server.live.station, "SerialBridge", PlainBridge)
    sessions = folder / "sessions"
    settings = Settings(sessions, folder / "keys", "127.0.0.1", 0)
    vehicle = Vehicle(dictionary(), KEY)
    vehicle.phase, vehicle.inhibited = "ground test", False
    station = hub = None
    if mode != "replay":
        station = _station(sessions, mode, Listeners(lambda: hub.changed(), lambda: tell_authority(site)))
        hub = Hub(
            station.store,
            now=lambda: (station.now_s(), station.pipeline.last_t),
            beat=lambda: {"recording": station.recording_state(), "link": station.link_state()},
        )
    tokens = {"1" if station is not None else KEEPER: TOKEN}
    guard = TokenGuard(tokens)
    site = PageContext("0.1", mode, Shelf(sessions), page_folder(), chart_folder(), tokens, guard, station, hub)
    listener = listening_socket("127.0.0.1", 0)
    bench = PageServer(site, listener.getsockname()[1], station, vehicle)
    over: list[bool] = []
    said: list[str] = []
    if station is not None:
        await station.start()
        station._port_changed(PortState("open", "open"))
    beating = asyncio.create_task(hub.beat_forever()) if hub is not None else None
    running = asyncio.create_task(serve(site, settings, listener, False, said.append, lambda: bool(over)))
    try:
        while not said and not running.done():
            await asyncio.sleep(0.005)
        yield bench
    finally:
        over.append(True)
        if beating is not None:
            beating.cancel()
        await bench.http.aclose()
        await running
        if station is not None:
            await station.stop()


def _station(sessions: Path, mode: str, listeners: Listeners) -> Station:
    clock = SystemClock()
    sessions.mkdir(parents=True, exist_ok=True)
    (sessions.parent / "keys").mkdir()
    header = make_header(
        clock, software=Software("0.1"), dictionary=dictionary().text, vehicle={}, site={}, source="invented"
    )
    return Station(
        dictionary=dictionary(),
        key=KEY,
        counters=CounterStore(sessions.parent / "keys", KEY),
        url="fake",
        baud=1,
        clock=clock,
        make_recorder=lambda tell: resume_or_start(sessions, "v", header, clock=clock, on_state=tell),
        mode=mode,
        listeners=listeners,
    )


def run(what: Callable[[PageServer], Awaitable[None]], folder: Path, monkeypatch: pytest.MonkeyPatch, **more: str) -> None:
    """Run a test's coroutine against a page server."""

    async def go() -> None:
        async with serving(folder, monkeypatch, **more) as bench:
            async with asyncio.timeout(30):
                await what(bench)

    asyncio.run(go())
