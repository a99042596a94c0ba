"""What time alone does to a station: its real ticker against a clock that moves only when told to, and its end."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

import server.live.station
from server.live.station import Listeners
from server.recording.records import Kind
from server.review.review import open_review
from server.review.summary import summarize
from server.uplink.authority import SILENT_AT_MOST_S
from server.uplink.command_queue import TIME_TO_LIVE_S
from server.uplink.two_acts import CONFIRM_LATEST_S
from tests.server.live.test_station_commands import ADA, Bench, run


@pytest.fixture(autouse=True)
def quick_ticks(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tick takes no real time here; what it sees is the clock of the bench."""
    monkeypatch.setattr(server.live.station, "TICK_S", 0.0)


@contextlib.asynccontextmanager
async def ticking(bench: Bench) -> AsyncIterator[None]:
    ticker = asyncio.create_task(bench.station._tick_forever())
    try:
        yield
    finally:
        assert not ticker.done(), ticker.exception()
        ticker.cancel()


async def pass_time(bench: Bench, seconds: float, step_s: float = 0.1, during: Callable[[], None] = lambda: None) -> None:
    """Let the clock run in steps, with a few ticks and all preparing done after each."""
    for _ in range(round(seconds / step_s)):
        bench.clock.advance(step_s)
        during()
        for _ in range(4):
            await asyncio.sleep(0)
        await bench.settle()


def states(bench: Bench) -> list[str]:
    """State of every command, in the order they were asked for."""
    return [view.state for view in bench.station.commands()]


def talk(bench: Bench) -> None:
    """The vehicle is heard and Ada's page says that it is there."""
    bench.hear()
    bench.station.authority.alive(ADA, bench.station.now_s())


def test_an_arm_expires_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: Bench) -> None:
        armed = bench.arm()
        assert armed.ok
        async with ticking(bench):
            await pass_time(bench, CONFIRM_LATEST_S - 0.5, during=lambda: talk(bench))
            assert states(bench) == ["armed"]
            await pass_time(bench, 1.0, during=lambda: talk(bench))
        assert states(bench) == ["expired"]
        assert not bench.confirm(armed.id).ok and bench.sent == []

    run(tmp_path, monkeypatch, what)


def test_an_unanswered_command_is_sent_thrice_the_same_and_then_unknown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """I7, I11: identical bytes, never after its time, no new number by itself."""

    async def what(bench: Bench) -> None:
        assert bench.station.act(ADA, "send", {"command": "ping", "args": {}}).ok
        async with ticking(bench):
            await pass_time(bench, TIME_TO_LIVE_S + 1.0, during=lambda: talk(bench))
            frames = list(bench.station.bridge.sent)
            await pass_time(bench, 20.0, step_s=0.5, during=lambda: talk(bench))
        assert 1 < len(frames) <= 3 and len(set(frames)) == 1
        assert bench.station.bridge.sent == frames
        assert states(bench) == ["unknown"]

    run(tmp_path, monkeypatch, what)


def test_a_page_that_goes_silent_loses_authority_and_what_it_had_armed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def what(bench: Bench) -> None:
        bench.told.clear()
        armed = bench.arm()
        async with ticking(bench):
            await pass_time(bench, SILENT_AT_MOST_S - 0.5, during=bench.hear)
            assert (bench.station.authority.holder, bench.told) == (ADA, [])
            await pass_time(bench, 1.0, during=bench.hear)
        assert bench.told == [None] and bench.station.ask(lambda queue, _: queue.holder) is None
        assert not bench.confirm(armed.id).ok
        await bench.settle()
        assert bench.sent == [] and states(bench) != ["armed"]

    run(tmp_path, monkeypatch, what)


def test_a_vehicle_that_falls_silent_ends_what_was_armed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """I4 by the watchdog alone: the port stays open and says nothing."""

    async def what(bench: Bench) -> None:
        armed = bench.arm()
        async with ticking(bench):
            await pass_time(bench, 4.0, during=lambda: bench.station.authority.alive(ADA, bench.station.now_s()))
            assert bench.station.link_state()["state"] == "silent"
            bench.hear()
            assert not bench.confirm(armed.id).ok
            await bench.settle()
        assert bench.sent == []

    run(tmp_path, monkeypatch, what)


def test_clocks_that_jump_are_noted_and_only_a_sleep_disarms(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Faults 4 and 5."""

    async def what(bench: Bench) -> None:
        bench.arm()
        async with ticking(bench):
            for step_s in (3600.0, -3600.0):
                bench.clock.step_wall(step_s)
                await pass_time(bench, 0.2, during=lambda: talk(bench))
            assert states(bench) == ["armed"]
            bench.clock.suspend(60.0)
            await pass_time(bench, 0.2)
            assert states(bench) != ["armed"]
        bench.station.process()
        noted = [
            entry["text"] for entry in bench.station.store.journal if "clock" in entry["text"] or "slept" in entry["text"]
        ]
        assert noted[:2] == ["the wall clock was set by +3600.0 s", "the wall clock was set by -3600.0 s"]
        assert sum("the computer slept for 60 s" in text for text in noted) == 1
        assert sum("wall clock" in text for text in noted) == 2, "a sleep is no step of the wall clock"

    run(tmp_path, monkeypatch, what)


def test_what_is_armed_or_on_its_way_when_the_station_closes_is_closed_in_the_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """I3 from the other side: an orderly end leaves nothing open for the next start to close."""
    frames: list[bytes] = []

    async def what(bench: Bench) -> None:
        assert bench.arm().ok
        assert bench.station.act(ADA, "send", {"command": "ping", "args": {}}).ok
        await bench.settle()
        assert bench.sent == ["ping"]
        frames.extend(bench.station.bridge.sent)
        bench.station._on_chunk(bench.clock.monotonic_ns(), b"the last bytes")

    run(tmp_path, monkeypatch, what)
    (path,) = tmp_path.glob("*.pcapng")
    review = open_review(path)
    commands = {command["command"]: command for command in summarize(review)["commands"]}
    assert commands["board_release"]["state"] == "abandoned"
    assert "the station is closing" in commands["board_release"]["state_text"]
    assert commands["ping"]["state"] == "unknown"
    records = review.session.records
    assert [record.payload for record in records if record.kind == Kind.SENT] == frames
    assert review.session.closed and any(record.payload == b"the last bytes" for record in records)


def test_a_listener_that_raises_keeps_a_lost_link_from_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """I4: what disarms comes before anybody is told."""

    async def what(bench: Bench) -> None:
        def gone(state: object) -> None:
            raise BrokenPipeError(32, "Broken pipe")

        bench.station._listeners = Listeners(on_link=gone)
        armed = bench.arm()
        async with ticking(bench):
            await pass_time(bench, 4.0, during=lambda: bench.station.authority.alive(ADA, bench.station.now_s()))
            assert bench.station.link_state()["state"] == "silent"
            assert states(bench) == ["abandoned"] and not bench.confirm(armed.id).ok

    run(tmp_path, monkeypatch, what)
