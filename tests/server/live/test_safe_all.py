"""Safe all reaches the port whatever hangs or breaks: disk, thread pool, notes. A real station, a fake port and clock."""

from __future__ import annotations

import asyncio
import fcntl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from server.live import command_executor
from server.recording.records import Kind
from server.recording.session_file import open_session
from tests.server.live.test_station_commands import ADA, BEN, Bench, run

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


def test_a_recording_that_hangs_is_waited_for_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """I12: the counters' disk is sound, the recording's is not."""

    async def what(bench: Bench) -> None:
        store = bench.counters._store
        with hanging_disk(bench, monkeypatch):
            monkeypatch.setattr(bench.counters, "_store", store)
            monkeypatch.setattr(command_executor, "SAFE_ALL_WAITS_FOR_DISK_S", 5.0)
            waits: list[float] = []
            append_synced = bench.station.recorder.append_synced

            def timed(kind: Kind, mono_ns: int, payload: dict[str, object], timeout_s: float) -> int:
                waits.append(timeout_s)
                return append_synced(kind, mono_ns, payload, 0.01)

            monkeypatch.setattr(bench.station.recorder, "append_synced", timed)
            for _ in range(5):
                await leaves_at_once(bench, 500, 0.002)
                answer(bench)
            assert waits == [5.0]

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
