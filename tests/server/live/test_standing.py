"""Standing work goes on after an exception, and an alarm tells of it: the tick, the heartbeat, the pad sheet, the port."""

from __future__ import annotations

import asyncio
import dataclasses
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from server.app import run_live
from server.live import standing
from server.live.pad_desk import PadDesk
from server.live.standing import Standing
from server.live.station import Station
from server.pad.plan import load_pad_plan
from server.review.review import Review, open_review
from tests.server.flights import dictionary
from tests.server.live.test_station import make_station, until
from tests.server.live.test_station_commands import ADA, Bench, run
from tests.server.test_app import live, settings


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pauses are short here."""
    monkeypatch.setattr(standing, "FIRST_DELAY_S", 0.001)
    monkeypatch.setattr(standing, "HOLDS_AFTER_S", 0.2)


def once(original: Callable[..., Any]) -> Callable[..., Any]:
    """Wrap something so that it raises at its second call, and at no other."""
    calls = 0

    def wrapped(*what: Any, **more: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == 2:
            raise RuntimeError("odd")
        return original(*what, **more)

    return wrapped


def alarms(station: Station, key: str) -> list[str]:
    """The states of one alarm so far."""
    station.process()
    return [e["body"]["state"] for e in station.store.journal if (e["topic"], e["key"]) == ("alarm", key)]


@asynccontextmanager
async def started(bench: Bench) -> AsyncIterator[Station]:
    await bench.station.start()
    bench.hear()
    yield bench.station


# ---------------------------------------------------------------- the rule


def test_it_is_begun_again_with_growing_pauses_one_alarm_and_few_tracebacks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    async def what(bench: Bench) -> None:
        begun: list[float] = []

        async def work() -> None:
            begun.append(asyncio.get_running_loop().time())
            if len(begun) <= 6:
                raise RuntimeError("odd")
            await asyncio.sleep(60.0)

        task = Standing("work", "the work", work, bench.station.notes, last_delay_s=0.016)
        task.start()
        await until(lambda: alarms(bench.station, "task work") == ["raised", "cleared"])
        task.cancel()
        assert len(begun) == 7
        pauses = [after - before for before, after in zip(begun, begun[1:], strict=False)]
        assert all(pause >= least for pause, least in zip(pauses, (0.001, 0.002, 0.004, 0.008, 0.016, 0.016), strict=True))
        (raised,) = [e for e in bench.station.store.journal if e["key"] == "task work" and e["body"]["state"] == "raised"]
        assert raised["severity"] == "warning" and raised["body"]["advice"]
        assert raised["text"] == "the work stopped: an internal fault (RuntimeError: odd); it was begun again"
        logged = [record for record in caplog.records if "the work stopped" in record.message]
        assert len(logged) == 3 and all(record.exc_info for record in logged)

    run(tmp_path, monkeypatch, what)


def test_what_ends_of_itself_is_over_and_what_is_cancelled_stays_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: Bench) -> None:
        begun: list[str] = []

        async def over() -> None:
            begun.append("over")

        async def lasting() -> None:
            begun.append("lasting")
            await asyncio.sleep(60.0)

        tasks = [Standing("a", "a", over, bench.station.notes), Standing("b", "b", lasting, bench.station.notes)]
        for task in tasks:
            task.start()
        await until(lambda: len(begun) == 2)
        for task in tasks:
            task.cancel()
        await asyncio.sleep(0.05)
        assert sorted(begun) == ["lasting", "over"]

    run(tmp_path, monkeypatch, what)


# ---------------------------------------------------------------- the tick


@pytest.mark.parametrize("part", ["look", "tick", "authority"])
def test_a_tick_that_raises_once_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, part: str) -> None:
    """The link's silence is seen, what was armed ends, a frame is sent again; the alarm comes and goes."""

    async def what(bench: Bench) -> None:
        owner, name = {
            "look": (bench.station._clocks, "look"),
            "tick": (bench.station.watch, "tick"),
            "authority": (bench.station.authority, "tick"),
        }[part]
        async with started(bench) as station:
            monkeypatch.setattr(owner, name, once(getattr(owner, name)))
            await until(lambda: alarms(station, "task tick") == ["raised", "cleared"])
            assert station.act(ADA, "send", {"command": "ping", "args": {}}).ok
            await bench.settle()
            bench.clock.advance(1.0)
            await until(lambda: bench.sent == ["ping", "ping"])
            bench.clock.advance(2.0)
            await until(lambda: station.link_state()["state"] == "silent")
            assert station.ask(lambda queue, _: queue.link_up) is False

    run(tmp_path, monkeypatch, what)


def test_a_part_of_the_tick_that_always_raises_keeps_no_other_from_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def what(bench: Bench) -> None:
        def fail(*what: object) -> None:
            raise RuntimeError("odd")

        monkeypatch.setattr(standing, "HOLDS_AFTER_S", 5.0)  # more than from one tick to the next on a busy machine
        armed = bench.arm()
        async with started(bench) as station:
            monkeypatch.setattr(station.authority, "tick", fail)
            bench.clock.advance(3.0)
            await until(lambda: station.link_state()["state"] == "silent")
            assert [view.state for view in station.commands()] == ["abandoned"], armed
            assert station.act(ADA, "safe_all", {}).ok
            await bench.settle()
            for count in range(2, 6):
                bench.clock.advance(1.0)
                await until(lambda: len(bench.sent) == count)  # noqa: B023 - called before the next turn
            assert set(bench.sent) == {"safe_all"} and alarms(station, "task tick") == ["raised"]

    run(tmp_path, monkeypatch, what)


# ---------------------------------------------------------------- heartbeat and pad sheet, in a whole station


def run_until(folder: Path, monkeypatch: pytest.MonkeyPatch, done: Callable[[], bool]) -> Review:
    """Run a whole station with a pad sheet until `done()`; return its recording."""
    wanted = dataclasses.replace(live(), pad_sheet=load_pad_plan(None, dictionary()))

    async def go() -> Path:
        async with asyncio.timeout(30.0):
            return await run_live(wanted, settings(folder), open_browser=False, say=lambda line: None, until=done)

    return open_review(asyncio.run(go()))


@pytest.mark.parametrize(
    ("key", "owner", "name"), [("heartbeat", Station, "recording_state"), ("pad sheet", PadDesk, "look")]
)
def test_heartbeat_and_pad_sheet_go_on_after_an_exception(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, key: str, owner: type, name: str
) -> None:
    original, calls = getattr(owner, name), []
    broken = once(original)

    def counted(self: object) -> object:
        calls.append(key)
        return broken(self)

    monkeypatch.setattr(owner, name, counted)
    review = run_until(tmp_path, monkeypatch, lambda: len(calls) >= 5)
    told = [e.body["state"] for e in review.output.entries if (e.topic, e.key) == ("alarm", f"task {key}")]
    assert told == ["raised", "cleared"]


# ---------------------------------------------------------------- the port


def test_the_ports_thread_goes_on_when_somebody_it_tells_raises(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A port that comes back is heard again although telling of its loss had raised."""

    async def go() -> None:
        with socket.create_server(("127.0.0.1", 0)) as listener:
            station = make_station(tmp_path, f"socket://127.0.0.1:{listener.getsockname()[1]}")
            heard: list[bytes] = []
            monkeypatch.setattr(station.bridge, "_on_port", once(station.bridge._on_port))
            monkeypatch.setattr(station.bridge, "_on_chunk", lambda mono_ns, chunk: heard.append(chunk))
            await station.start()
            try:
                peer, _ = await asyncio.to_thread(listener.accept)
                await until(lambda: station.link_state()["state"] == "waiting")
                peer.close()
                again, _ = await asyncio.to_thread(listener.accept)
                with again:
                    # Again and again: what comes before a port is quite open is thrown away.
                    await until(lambda: again.sendall(b"heard again") is not None or b"heard again" in b"".join(heard))
                    await until(lambda: alarms(station, "task port") == ["raised", "cleared"])
            finally:
                await station.stop()

    asyncio.run(go())
