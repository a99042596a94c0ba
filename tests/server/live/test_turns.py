"""What waits after a pause is taken turn by turn: safe all waits for none of it, what may be hazardous for all of it."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from server.live import record_flow
from tests.server.live.test_station_commands import ADA, Bench, run

WAITING = 40


@pytest.fixture(autouse=True)
def one_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every record is a turn of its own."""
    monkeypatch.setattr(record_flow, "TURN_S", 0.0)


def let_wait(bench: Bench) -> None:
    """Let telemetry come while the loop does something else."""
    for _ in range(WAITING):
        bench.vehicle.now_s = bench.station.now_s()
        bench.station._on_chunk(bench.clock.monotonic_ns(), b"".join(bench.vehicle.telemetry()))
        bench.clock.advance(0.01)


def heard(bench: Bench) -> int:
    return bench.station.store.tables["control"].next_index


async def turns(bench: Bench, count: int) -> None:
    for _ in range(count):
        await asyncio.sleep(0)


def test_one_turn_after_another_takes_all_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: Bench) -> None:
        await turns(bench, 20)
        before = heard(bench)
        let_wait(bench)
        await turns(bench, 10)
        assert before < heard(bench) < before + WAITING
        await turns(bench, 3 * WAITING)
        assert heard(bench) == before + WAITING
        rx = bench.station.store.tables["control"].matrix()[:, 1]
        assert (rx[1:] >= rx[:-1]).all()

    run(tmp_path, monkeypatch, what)


def test_safe_all_leaves_before_what_waits(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def what(bench: Bench) -> None:
        await turns(bench, 20)
        left_at: list[int] = []
        send = bench.station.bridge.send

        def noted(*frame: object, **more: object) -> None:
            left_at.append(heard(bench))
            send(*frame, **more)

        monkeypatch.setattr(bench.station.bridge, "send", noted)
        monkeypatch.setattr(bench.station._executor, "_take_counter", lambda durable: at_once((77, False)))
        before = heard(bench)
        let_wait(bench)
        await turns(bench, 3)
        assert bench.station.act(ADA, "safe_all", {}).ok
        await bench.settle()
        assert bench.sent == ["safe_all"] and left_at[0] < before + WAITING

    run(tmp_path, monkeypatch, what)


async def at_once(what: object) -> object:
    return what


def test_the_link_is_not_called_silent_while_something_heard_still_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else every turn of a long backlog would call it up and every tick silent."""

    async def what(bench: Bench) -> None:
        await turns(bench, 20)
        let_wait(bench)
        bench.clock.advance(3.0)
        await turns(bench, 3)
        bench.station._look_at_link()
        assert bench.station.link_state()["state"] == "up"
        await turns(bench, 3 * WAITING)
        bench.station._look_at_link()
        assert bench.station.link_state()["state"] == "silent"
        told = [e["body"]["state"] for e in bench.station.store.journal if (e["topic"], e["key"]) == ("link", "port")]
        assert told.count("silent") <= 1

    run(tmp_path, monkeypatch, what)


def test_what_is_armed_sees_all_that_was_heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The vehicle inhibits its board in the last of what waits."""

    async def what(bench: Bench) -> None:
        await turns(bench, 20)
        reply = bench.station.act(ADA, "arm", {"command": "channel_arm", "args": {"channel": 1}})
        assert [check.met for check in reply.checks if check.name == "board_enabled"] == [True]
        let_wait(bench)
        bench.vehicle.inhibited = True
        let_wait(bench)
        before = heard(bench)
        reply = bench.station.act(ADA, "arm", {"command": "channel_arm", "args": {"channel": 1}})
        assert heard(bench) == before + 2 * WAITING
        assert [check.met for check in reply.checks if check.name == "board_enabled"] == [False]

    run(tmp_path, monkeypatch, what)


def test_what_is_confirmed_is_held_against_what_came_meanwhile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What comes between the confirmation and the moment of sending counts, though nobody has looked at it yet."""

    async def what(bench: Bench) -> None:
        armed = bench.arm()
        bench.clock.advance(0.5)
        bench.hear()
        record_durably = bench.station._executor._record_durably

        async def as_the_disk_answers(*what: object) -> None:
            await record_durably(*what)
            bench.vehicle.start(8)
            let_wait(bench)

        monkeypatch.setattr(bench.station._executor, "_record_durably", as_the_disk_answers)
        assert bench.confirm(armed.id).ok
        await bench.settle()
        assert bench.sent == []

    run(tmp_path, monkeypatch, what)
