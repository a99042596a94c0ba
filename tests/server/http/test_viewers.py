"""Viewers: each gets all that is new or the newest of it, and one that stops reading holds up nobody."""

from __future__ import annotations

import asyncio
import json
import math
from collections.abc import Awaitable, Callable

import server.http.viewers
from server.http.viewers import ROWS_AT_MOST, Hub, Viewer
from server.live.store import LiveStore
from server.telemetry.tables import table_specs
from tests.protocol.helpers import SMALL
from tests.server.live.test_store import entry, rows


class Bench:
    """A store, a hub and viewers, all in one loop."""

    def __init__(self) -> None:
        self.store = LiveStore(table_specs(SMALL))
        self.hub = Hub(self.store, lambda: (1.0, 2.0), lambda: {"link": "up"})
        self.tasks: list[asyncio.Task[None]] = []
        self.added = 0

    def view(self, send: Callable[[str], Awaitable[None]]) -> Viewer:
        viewer = Viewer(self.store.cursor(), self.store.journal_next)
        self.tasks.append(asyncio.create_task(self.hub.pump(viewer, send)))
        return viewer

    def listen(self) -> list[dict]:
        """A viewer that reads everything at once."""
        heard: list[dict] = []

        async def send(text: str) -> None:
            heard.append(json.loads(text))

        self.view(send)
        return heard

    def add(self, count: int = 1) -> None:
        self.store.add({"all": rows(self.added, self.added + count)}, [entry(self.added)])
        self.added += count
        self.hub.changed()


def run(what: Callable[[Bench], Awaitable[None]]) -> None:
    async def go() -> None:
        bench = Bench()
        try:
            await asyncio.wait_for(what(bench), 20)
        finally:
            for task in bench.tasks:
                task.cancel()

    asyncio.run(go())


async def settle() -> None:
    for _ in range(10):
        await asyncio.sleep(0)


def numbers(heard: list[dict]) -> list[float]:
    return [row[2] for message in heard if message["type"] == "update" for row in message["rows"].get("all", [])]


def test_every_row_once_and_in_order() -> None:
    async def what(bench: Bench) -> None:
        heard = bench.listen()
        await settle()
        for _ in range(200):
            bench.add(3)
            await asyncio.sleep(0)
        await settle()
        assert numbers(heard) == [float(n % 2**53) for n in range(600)]
        assert [e["i"] for m in heard for e in m["journal"]] == list(range(200))

    run(what)


def test_nothing_new_is_not_sent() -> None:
    async def what(bench: Bench) -> None:
        heard = bench.listen()
        await settle()
        for _ in range(10):
            bench.hub.changed()
            await settle()
        assert heard == []

    run(what)


def test_a_viewer_that_stops_reading_delays_nobody_and_costs_one_message() -> None:
    async def what(bench: Bench) -> None:
        stuck_texts: list[str] = []
        gate = asyncio.Event()

        async def stuck(text: str) -> None:
            stuck_texts.append(text)
            await gate.wait()

        bench.view(stuck)
        heard = bench.listen()
        await settle()
        for _ in range(3000):
            bench.add()
            await asyncio.sleep(0)
        await settle()
        assert len(numbers(heard)) == 3000
        assert len(stuck_texts) == 1
        gate.set()  # it wakes: one message brings it to the present, the newest rows only
        await settle()
        assert len(stuck_texts) == 2
        caught_up = json.loads(stuck_texts[1])
        assert len(caught_up["rows"]["all"]) == ROWS_AT_MOST
        assert caught_up["from"]["all"] == 3000 - ROWS_AT_MOST
        assert caught_up["rows"]["all"][-1][2] == 2999.0
        assert len(caught_up["journal"]) == 2999

    run(what)


def test_viewers_at_the_same_place_share_the_bytes(monkeypatch) -> None:
    made = []
    real = server.http.viewers.update
    monkeypatch.setattr(server.http.viewers, "update", lambda *more: made.append(1) or real(*more))

    async def what(bench: Bench) -> None:
        everybody = [bench.listen() for _ in range(100)]
        await settle()
        bench.add()
        await asyncio.sleep(0.1)
        assert all(numbers(heard) == [0.0] for heard in everybody)
        assert len(made) == 1 and len(bench.hub) == 100

    run(what)


def test_a_viewer_whose_socket_broke_is_forgotten() -> None:
    async def what(bench: Bench) -> None:
        async def broken(text: str) -> None:
            raise OSError("gone")

        bench.view(broken)
        heard = bench.listen()
        await settle()
        assert len(bench.hub) == 2
        bench.add()
        await settle()
        assert len(bench.hub) == 1 and numbers(heard) == [0.0]
        assert isinstance(bench.tasks[0].exception(), OSError)

    run(what)


def test_the_heartbeat_comes_without_news_and_a_bad_number_in_it_or_in_the_journal_is_json(monkeypatch) -> None:
    monkeypatch.setattr(server.http.viewers, "BEAT_S", 0.01)

    async def what(bench: Bench) -> None:
        bench.hub = Hub(bench.store, lambda: (1.0, 2.0), lambda: {"link": {"age_s": math.inf}})
        heard = bench.listen()
        beating = asyncio.create_task(bench.hub.beat_forever())
        bad = entry(0)
        bench.store.add({}, [bad.__class__(0.0, 0.0, "mark", "m", "info", "x", {"v": math.nan})])
        async with asyncio.timeout(10):
            while len(beats := [m for m in heard if m["type"] == "beat"]) < 2:
                await asyncio.sleep(0.01)
        beating.cancel()
        assert beats[0]["link"] == {"age_s": "inf"} and beats[0]["viewers"] == 1
        assert [m["journal"][0]["body"] for m in heard if m["type"] == "update"] == [{"v": "nan"}]

    run(what)


# ---------------------------------------------------------------- lines


class FakeLine:
    """A line that keeps what was written, and is free when told to be."""

    def __init__(self) -> None:
        self.is_free = True
        self.messages: list[dict] = []

    def write(self, frame: bytes) -> None:
        """Take one or more whole frames, one behind the other."""
        while frame:
            start = 2 if frame[1] < 126 else 4 if frame[1] == 126 else 10
            size = frame[1] if start == 2 else int.from_bytes(frame[2:start], "big")
            self.messages.append(json.loads(frame[start : start + size]))
            frame = frame[start + size :]


def joined(bench: Bench, is_operators: bool = False) -> FakeLine:
    line = FakeLine()
    bench.hub.join(Viewer(bench.store.cursor(), bench.store.journal_next, line, is_operators))
    return line


def test_few_lines_get_everything_at_once() -> None:
    async def what(bench: Bench) -> None:
        lines = [joined(bench) for _ in range(server.http.viewers.FEW_VIEWERS)]
        for n in range(50):
            bench.add(2)
            assert all(len(line.messages) == n + 1 for line in lines)  # without leaving the event loop's turn
        assert all(numbers(line.messages) == [float(n) for n in range(100)] for line in lines)

    run(what)


def test_a_crowd_gets_every_row_in_rounds(monkeypatch) -> None:
    monkeypatch.setattr(server.http.viewers, "CROWD_INTERVAL_S", 0.01)

    async def what(bench: Bench) -> None:
        lines = [joined(bench) for _ in range(100)]
        loop = asyncio.get_running_loop()
        begun = loop.time()
        for _ in range(300):
            bench.add()
            await asyncio.sleep(0)
        while len(numbers(lines[0].messages)) < 300:
            await asyncio.sleep(0.001)
        rounds = (loop.time() - begun) / 0.01 + 4
        assert all(numbers(line.messages) == [float(n) for n in range(300)] for line in lines)
        assert all(len(line.messages) <= rounds for line in lines)

    run(what)


def test_an_operators_page_gets_everything_at_once_beside_a_crowd_and_is_first_in_its_rounds(monkeypatch) -> None:
    monkeypatch.setattr(server.http.viewers, "CROWD_INTERVAL_S", 0.2)

    async def what(bench: Bench) -> None:
        order: list[FakeLine] = []
        crowd = [joined(bench) for _ in range(50)]
        page = joined(bench, is_operators=True)
        crowd += [joined(bench) for _ in range(50)]
        for line in (*crowd, page):
            line.write = lambda frame, line=line: (order.append(line), FakeLine.write(line, frame))
        for n in range(20):
            bench.add()
            assert len(page.messages) == n + 1  # without leaving the event loop's turn
        assert order[0] is page and len(crowd[0].messages) < 20
        while len(numbers(crowd[0].messages)) < 20:
            await asyncio.sleep(0.001)
        page.is_free = False  # it misses one, and its turn comes with a round
        bench.add()
        page.is_free = True
        order.clear()
        while len(numbers(crowd[0].messages)) < 21:
            await asyncio.sleep(0.001)
        assert order[0] is page and len(bench.hub) == 101
        assert numbers(page.messages) == numbers(crowd[-1].messages) == [float(n) for n in range(21)]

    run(what)


def test_a_line_that_is_not_free_delays_nobody_and_then_gets_the_newest(monkeypatch) -> None:
    monkeypatch.setattr(server.http.viewers, "CROWD_INTERVAL_S", 0.001)

    async def what(bench: Bench) -> None:
        stuck, free = joined(bench), joined(bench)
        stuck.is_free = False
        for _ in range(3000):
            bench.add()
        assert numbers(free.messages) == [float(n) for n in range(3000)] and stuck.messages == []
        stuck.is_free = True  # it wakes, and nothing new happens any more
        while not stuck.messages:
            await asyncio.sleep(0.001)
        assert len(stuck.messages) == 1 and numbers(stuck.messages) == [float(n) for n in range(3000 - ROWS_AT_MOST, 3000)]
        await asyncio.sleep(0.01)
        assert len(stuck.messages) == 1

    run(what)


def test_all_lines_that_were_not_free_are_looked_at_again(monkeypatch) -> None:
    """In one round, in the next one, and when they join: the last news reach each of them without waiting for more."""
    monkeypatch.setattr(server.http.viewers, "CROWD_INTERVAL_S", 0.01)

    async def what(bench: Bench) -> None:
        first, second, third = joined(bench), joined(bench), FakeLine()
        first.is_free = False
        bench.add()
        second.is_free = third.is_free = False
        bench.add()
        bench.hub.join(Viewer({}, 0, third))
        first.is_free = second.is_free = third.is_free = True
        await asyncio.sleep(0.1)
        assert [numbers(line.messages)[-1:] for line in (first, second, third)] == [[1.0]] * 3

    run(what)


def test_one_that_left_is_given_nothing(monkeypatch) -> None:
    monkeypatch.setattr(server.http.viewers, "CROWD_INTERVAL_S", 0.001)

    async def what(bench: Bench) -> None:
        line = FakeLine()
        viewer = Viewer(bench.store.cursor(), bench.store.journal_next, line)
        bench.hub.join(viewer)
        line.is_free = False
        bench.add()
        bench.hub.leave(viewer)
        line.is_free = True
        await asyncio.sleep(0.01)
        bench.add()
        assert line.messages == [] and len(bench.hub) == 0

    run(what)


def test_lines_and_awaited_sends_get_the_same_heartbeat(monkeypatch) -> None:
    monkeypatch.setattr(server.http.viewers, "BEAT_S", 0.01)

    async def what(bench: Bench) -> None:
        line, heard = joined(bench), bench.listen()
        beating = asyncio.create_task(bench.hub.beat_forever())
        while len(heard) < 3:
            await asyncio.sleep(0.001)
        beating.cancel()
        assert heard[:3] == line.messages[:3] and heard[0]["viewers"] == 2 and len(line.messages) <= len(heard) + 1

    run(what)


def test_one_that_joins_is_served_alone() -> None:
    """Pages that come and go must not use up the rounds of a crowd."""

    async def what(bench: Bench) -> None:
        there, start = joined(bench), bench.store.cursor()
        bench.store.add({"all": rows(0, 3)}, [])
        line = FakeLine()
        bench.hub.join(Viewer(start, 0, line))
        assert numbers(line.messages) == [0.0, 1.0, 2.0] and there.messages == []
        bench.hub.changed()
        assert numbers(there.messages) == [0.0, 1.0, 2.0] and len(line.messages) == 1

    run(what)
