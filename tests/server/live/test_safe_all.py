"""Safe all reaches the port whatever hangs or breaks: disk, thread pool, notes. A real station, a fake port and clock."""

from __future__ import annotations

import asyncio
import fcntl
import threading
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path

import pytest

from server.live import command_executor
from server.recording.records import Kind
from server.recording.session_file import open_session
from server.uplink.counter_store import CounterStore
from tests.server.live.test_station_commands import ADA, BEN, Bench, run
from tests.server.uplink.queue_oracles import decode
from tests.server.uplink.queue_world import KEY, World

FEW = 16  # spare counters, so that more presses than there are spares take less than the 256 of a vehicle's
TICKS = 50  # turns of the event loop; no thread and no clock is waited for
MORE_THREADS_THAN_A_POOL_HAS = 64


@contextmanager
def hanging_disk(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """Counters and recording hang in their flush, until left; what hangs is given up soon."""
    monkeypatch.setattr(command_executor, "DISK_ANSWERS_WITHIN_S", 0.02)
    monkeypatch.setattr(command_executor, "SAFE_ALL_WAITS_FOR_DISK_S", 0.01)
    go_on = threading.Event()

    def hang(*what: object) -> None:
        go_on.wait(60.0)

    monkeypatch.setattr(bench.counters, "_store", hang)
    monkeypatch.setattr(bench.station.recorder._storage, "sync_data", hang)
    try:
        yield go_on
    finally:
        go_on.set()


async def ping(bench: Bench, times: int) -> None:
    """Ask for pings, each until the disk is given up on."""
    for _ in range(times):
        bench.hear()
        assert bench.station.act(ADA, "send", {"command": "ping", "args": {}}).ok
        await asyncio.wait_for(bench.settle(), 10.0)


async def leaves_at_once(bench: Bench, at_most: int = TICKS, tick_s: float = 0.0) -> None:
    """Press Safe all and see its frame leave within so many turns of the event loop."""
    sent = len(bench.sent)
    assert bench.station.act(BEN, "safe_all", {}).ok
    for _ in range(at_most):
        await asyncio.sleep(tick_s)
        if len(bench.sent) > sent:
            break
    assert bench.sent[sent:] == ["safe_all"]


def answer(bench: Bench) -> None:
    """The vehicle answers the last frame."""
    frames = b"".join(bench.vehicle.receive(bench.station.bridge.sent[-1]))
    bench.station._on_chunk(bench.clock.monotonic_ns(), frames)
    bench.station.process()


@pytest.mark.parametrize("pings", [0, 6, 20])
def test_pings_on_a_hanging_disk_are_not_in_the_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pings: int) -> None:
    """I12."""

    async def what(bench: Bench) -> None:
        with hanging_disk(bench, monkeypatch):
            await ping(bench, pings)
            assert bench.sent == []
            await (leaves_at_once(bench) if pings else leaves_at_once(bench, 500, 0.002))

    run(tmp_path, monkeypatch, what)


def test_a_hundred_presses_on_a_hanging_disk_all_leave(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """I12; and every intent is written as soon as the disk takes it again (I17)."""

    async def what(bench: Bench) -> None:
        with hanging_disk(bench, monkeypatch):
            await leaves_at_once(bench, 500, 0.002)
            answer(bench)
            for _ in range(99):
                await leaves_at_once(bench)
                answer(bench)

    run(tmp_path, monkeypatch, what)
    (path,) = tmp_path.glob("*.pcapng")
    intents = [record.note() for record in open_session(path).records.of_kind(Kind.INTENT)]
    assert len({intent["counter"] for intent in intents}) == len(intents) == 100


@pytest.mark.parametrize("hangs", [False, True])
def test_the_first_press_is_at_the_port_before_the_act_returns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hangs: bool
) -> None:
    """I12: also on a disk that has just begun to hang, not one turn of the event loop is waited for."""

    async def what(bench: Bench) -> None:
        with hanging_disk(bench, monkeypatch) if hangs else nullcontext():
            assert bench.station.act(BEN, "safe_all", {}).ok
            assert bench.sent == ["safe_all"]

    run(tmp_path, monkeypatch, what)
    (path,) = tmp_path.glob("*.pcapng")
    kinds = [record.kind for record in open_session(path).records if record.kind in (Kind.INTENT, Kind.SENT)]
    assert kinds == [Kind.INTENT, Kind.SENT], "who pressed stands before the bytes, also where no disk was waited for"


def test_spares_are_refilled_beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """I6, I12: more presses than there are spares, each at the port at once and under a counter of its own."""
    counters: set[int] = set()
    monkeypatch.setattr("server.uplink.counter_store.SPARE", FEW)

    async def what(bench: Bench) -> None:
        for number in range(FEW + 50):
            assert bench.station.act(BEN, "safe_all", {}).ok
            assert bench.sent == ["safe_all"] * (number + 1)
            frame = bench.station.bridge.sent[-1]
            counters.add(decode(World(), frame).counter)
            answer(bench)
            while bench.counters.spares < FEW:
                bench.clock.advance(0.05)
                bench.station._look_at_queue()  # as at every tick
                await asyncio.sleep(0.001)
        assert bench.counters.last() >= max(counters)

    run(tmp_path, monkeypatch, what)
    assert len(counters) == FEW + 50
    restarted = CounterStore(tmp_path, KEY)
    assert restarted.take() > max(counters)


def test_without_spares_the_disk_gives_the_counter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: Bench) -> None:
        while bench.counters.spares:
            bench.counters.take_spare()
        await leaves_at_once(bench, 500, 0.002)

    run(tmp_path, monkeypatch, what)


@pytest.mark.parametrize("broken", ["clocks", "readings", "acts", "reserve"])
def test_what_is_looked_at_on_the_way_can_raise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: str) -> None:
    """I12; a hazardous command is refused all the same where the clocks cannot be looked at."""

    async def what(bench: Bench) -> None:
        armed = bench.arm()
        assert armed.ok

        def fail(*what: object) -> None:
            raise RuntimeError("odd")

        places = {
            "clocks": (bench.station._clocks, "look"),
            "readings": (bench.station, "reading"),
            "acts": (bench.station.notes, "act"),
            "reserve": (bench.counters, "reserve"),
        }
        with monkeypatch.context() as patch:
            patch.setattr(*places[broken], fail)
            if broken == "clocks":
                with pytest.raises(RuntimeError):
                    bench.confirm(armed.id)
                with pytest.raises(RuntimeError):
                    bench.station.act(ADA, "send", {"command": "ping", "args": {}})
            assert bench.station.act(BEN, "safe_all", {}).ok
            assert bench.sent == ["safe_all"]
            assert bench.station.act(BEN, "send", {"command": "safe_all", "args": {}}).ok
            await bench.settle()
        assert bench.sent == ["safe_all"]

    run(tmp_path, monkeypatch, what)


@pytest.mark.parametrize("hangs", [False, True])
def test_a_full_thread_pool_is_not_in_the_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hangs: bool) -> None:
    async def what(bench: Bench) -> None:
        free = threading.Event()
        for _ in range(MORE_THREADS_THAN_A_POOL_HAS):
            asyncio.get_running_loop().run_in_executor(None, free.wait)
        try:
            if hangs:
                with hanging_disk(bench, monkeypatch):
                    await leaves_at_once(bench, 500, 0.002)
            else:
                await leaves_at_once(bench, 500, 0.002)
        finally:
            free.set()

    run(tmp_path, monkeypatch, what)


@pytest.mark.parametrize("error", [OSError(37, "No locks available"), RuntimeError("odd")])
def test_whatever_the_counter_store_raises_ends_a_command_and_not_safe_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    async def what(bench: Bench) -> None:
        def fail(*what: object) -> None:
            raise error

        if isinstance(error, OSError):
            monkeypatch.setattr(fcntl, "flock", fail)
        else:
            monkeypatch.setattr(bench.counters, "last", fail)
        await ping(bench, 1)
        (view,) = bench.station.commands()
        assert view.state == "refused" and bench.sent == []
        assert str(error.args[-1]) in view.state_text
        await leaves_at_once(bench, 500, 0.002)

    run(tmp_path, monkeypatch, what)


def test_whatever_making_the_frame_raises_ends_the_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: Bench) -> None:
        def fail(*what: object) -> bytes:
            raise RuntimeError("odd")

        with monkeypatch.context() as patch:
            patch.setattr(bench.station.link, "send", fail)
            await ping(bench, 1)
        assert [view.state for view in bench.station.commands()] == ["refused"]
        await ping(bench, 1)
        assert bench.sent == ["ping"]

    run(tmp_path, monkeypatch, what)


def test_a_note_that_cannot_be_written_keeps_nothing_from_leaving(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: Bench) -> None:
        def fail(*what: object) -> None:
            raise RuntimeError("odd")

        with monkeypatch.context() as patch:
            patch.setattr(bench.station.notes, "command", fail)
            await leaves_at_once(bench, 500, 0.002)

    run(tmp_path, monkeypatch, what)
