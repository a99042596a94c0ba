"""How the station carries out the command queue's wishes: a real recorder and counter store, a fake port and clock."""

from __future__ import annotations

import ast
import asyncio
import json
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

import server.live.station
from server.live.station import Listeners, Station
from server.recording.clock import FakeClock
from server.recording.resume import resume_or_start
from server.recording.session_header import Software, make_header
from server.uplink.command_entry import Reply
from server.uplink.counter_store import CounterStore
from tests.server.uplink.queue_oracles import decode
from tests.server.uplink.queue_vehicle import Vehicle
from tests.server.uplink.queue_world import KEY, World, dictionary

ADA, BEN = "Ada 1", "Ben 1"


class FakeBridge:
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


class Bench:
    """A station with the vehicle in ground test, heard just now, and Ada holding authority."""

    def __init__(self, folder: Path) -> None:
        self.clock = FakeClock()
        self.told: list[str | None] = []  # every new holder of authority
        self.counters = CounterStore(folder, KEY)
        header = make_header(
            self.clock, software=Software("t"), dictionary=dictionary().text, vehicle={}, site={}, source="invented"
        )
        self.station = Station(
            dictionary=dictionary(),
            key=KEY,
            counters=self.counters,
            url="fake",
            baud=1,
            clock=self.clock,
            make_recorder=lambda tell: resume_or_start(folder, "v", header, clock=self.clock, on_state=tell),
            mode="live",
            listeners=Listeners(on_authority=lambda: self.told.append(self.station.authority.holder)),
        )
        self.vehicle = Vehicle(dictionary(), KEY)
        self.vehicle.phase, self.vehicle.inhibited = "ground test", False

    @property
    def sent(self) -> list[str]:
        """Names of the commands that reached the port."""
        return [decode(World(), frame).command for frame in self.station.bridge.sent]

    def hear(self) -> None:
        """One round of telemetry arrives."""
        self.vehicle.now_s = self.station.now_s()
        self.station._on_chunk(self.clock.monotonic_ns(), b"".join(self.vehicle.telemetry()))
        self.station.process()
        self.station.ask(lambda queue, now_s: queue.trips.note(now_s - 0.1, now_s))  # as if it had answered a ping

    def arm(self) -> Reply:
        """Ada arms the release of the board."""
        return self.station.act(ADA, "arm", {"command": "board_release", "args": {}})

    def confirm(self, id: str | None) -> Reply:
        """Ada confirms."""
        return self.station.act(ADA, "confirm", {"command": "board_release", "args": {}, "id": id})

    async def settle(self) -> None:
        """Wait until no command is being prepared any more."""
        while self.station._executor._preparing:
            await asyncio.gather(*list(self.station._executor._preparing))
            await asyncio.sleep(0)


def run(folder: Path, monkeypatch: pytest.MonkeyPatch, what: Callable[[Bench], Awaitable[None]]) -> None:
    monkeypatch.setattr(server.live.station, "SerialBridge", FakeBridge)

    async def go() -> None:
        bench = Bench(folder)
        await asyncio.to_thread(bench.counters.reserve)
        bench.station._port_changed(server.live.station.PortState("open", "open"))
        bench.station.sign_in(ADA)
        bench.hear()
        try:
            await what(bench)
        finally:
            await bench.station.stop()

    asyncio.run(go())


def test_two_acts_make_one_frame(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        armed = bench.arm()
        bench.clock.advance(0.5)
        bench.hear()
        assert bench.confirm(armed.id).ok
        await bench.settle()
        assert bench.sent == ["board_release"]

    run(tmp_path, monkeypatch, what)


def test_confirm_right_after_waking_is_refused_before_any_tick(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        armed = bench.arm()
        bench.clock.advance(0.5)
        bench.clock.suspend(3600.0)
        bench.hear()
        assert bench.confirm(armed.id).sentence == "nothing is ready under that number; get it ready again"
        await bench.settle()
        assert bench.sent == []

    run(tmp_path, monkeypatch, what)


def test_machine_that_slept_while_the_disk_worked_sends_nothing(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        armed = bench.arm()
        bench.clock.advance(0.5)
        bench.hear()
        assert bench.confirm(armed.id).ok
        bench.clock.suspend(3600.0)
        await bench.settle()
        assert bench.sent == []
        assert bench.station.commands()[0].state_text == "dropped before sending: the computer slept"

    run(tmp_path, monkeypatch, what)


def test_full_disk_stops_commands_but_not_safe_all(tmp_path: Path, monkeypatch) -> None:
    """I12."""

    async def what(bench: Bench) -> None:
        def full(value: int) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(bench.counters, "_store", full)
        armed = bench.arm()
        bench.clock.advance(0.5)
        bench.hear()
        bench.confirm(armed.id)
        await bench.settle()
        assert bench.sent == []
        assert "No space left on device" in bench.station.commands()[0].state_text
        assert bench.station.act(BEN, "safe_all", {}).ok
        await bench.settle()
        assert bench.sent == ["safe_all"]

    run(tmp_path, monkeypatch, what)


def test_hanging_disk_does_not_hold_up_safe_all(tmp_path: Path, monkeypatch) -> None:
    """I12."""

    async def what(bench: Bench) -> None:
        go_on = threading.Event()
        monkeypatch.setattr(bench.counters, "_store", lambda value: go_on.wait(20.0))
        assert bench.station.act(BEN, "safe_all", {"args": ["nonsense"], "command": 5}).ok
        try:
            await asyncio.wait_for(bench.settle(), 5.0)
            assert bench.sent == ["safe_all"]
        finally:
            go_on.set()

    run(tmp_path, monkeypatch, what)


def test_hanging_disk_refuses_what_needs_a_counter_of_its_own_in_time(tmp_path: Path, monkeypatch) -> None:
    """I6, I12: anything but safe all must not wait for a disk that may never answer."""

    async def what(bench: Bench) -> None:
        go_on = threading.Event()
        monkeypatch.setattr(bench.counters, "_store", lambda value: go_on.wait(20.0))
        armed = bench.arm()
        bench.clock.advance(0.5)
        bench.hear()
        bench.confirm(armed.id)
        try:
            await asyncio.wait_for(bench.settle(), 10.0)
            assert bench.sent == []
            assert "gives no command counter in time" in bench.station.commands()[0].state_text
        finally:
            go_on.set()

    run(tmp_path, monkeypatch, what)


@pytest.mark.parametrize("same_id", [True, False])
def test_restart_told_only_by_the_vehicle_clock_disarms(tmp_path: Path, monkeypatch, same_id: bool) -> None:
    """A board that counts no starts says the same id again; another one's identity may not have been heard yet."""

    async def what(bench: Bench) -> None:
        bench.clock.advance(9.0)
        bench.station.authority.alive(ADA, bench.station.now_s())
        bench.hear()
        armed = bench.arm()
        assert armed.ok
        if not same_id:
            bench.vehicle.silent_about = {"link"}
        bench.vehicle.now_s = bench.station.now_s()
        bench.vehicle.start(bench.vehicle.link.boot_id if same_id else 8)
        bench.clock.advance(0.5)
        bench.hear()
        assert bench.confirm(armed.id).sentence == "nothing is ready under that number; get it ready again"

    run(tmp_path, monkeypatch, what)


@pytest.mark.parametrize("odd", ["NaN", "1e999", "[1]", "[" * 900 + "]" * 900, '"\\ud800"', '{"channel": {"a": NaN}}'])
def test_odd_request_is_refused_recorded_and_never_raises(tmp_path: Path, monkeypatch, odd: str) -> None:
    value = json.loads(odd)

    async def what(bench: Bench) -> None:
        for kind in ("send", "arm", "confirm", "cancel", "take", "no such act"):
            for request in (
                {"command": value, "args": value, "id": value},
                {"command": "channel_arm", "args": {"channel": value}, "id": "c1"},
            ):
                reply = bench.station.act(BEN, kind, request)
                assert not reply.ok and reply.sentence
        bench.station.process()
        await bench.settle()
        assert bench.sent == []
        journal = json.dumps(bench.station.store.journal, allow_nan=False)
        assert "refused" in journal and len(journal) < 20_000

    run(tmp_path, monkeypatch, what)


def test_somebody_who_is_not_signed_in_is_not_told_that_they_hold_authority(tmp_path: Path, monkeypatch) -> None:
    async def what(bench: Bench) -> None:
        assert bench.station.act("Nobody 1", "take", {}).sentence == "you are not signed in"
        assert bench.station.ask(lambda queue, _: queue.holder) == ADA

    run(tmp_path, monkeypatch, what)


def test_nobody_but_the_executor_touches_the_command_queue() -> None:
    """Others get it for one call through `Station.ask`, which carries out what the queue then wants done."""
    root = Path(server.live.station.__file__).parents[1]
    made, touched = [], []
    for path in sorted(path for path in root.rglob("*.py") if path.parent.name != "uplink"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "CommandQueue":
                made.append(path.name)
            if isinstance(node, ast.Attribute) and node.attr == "take_actions" and path.parent.name == "live":
                touched.append((path.name, ast.unparse(node.value)))
            if isinstance(node, ast.Attribute) and node.attr == "queue" and path.parent.name in ("live", "http", "cli"):
                touched.append((path.name, ast.unparse(node)))
    assert made == ["station.py"]
    assert touched == [("command_executor.py", "self._queue"), ("trial_desk.py", "trial")]
