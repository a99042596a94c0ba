"""Nobody is left without news: viewers who come and go by the hundred, on a simulated clock and on a real station."""

from __future__ import annotations

import asyncio
import random
import selectors
from collections.abc import Coroutine
from pathlib import Path
from typing import Any

import pytest
from websockets.asyncio.client import connect

from server.http.viewers import Hub, Viewer
from server.live.store import LiveStore
from server.telemetry.tables import table_specs
from tests.browser.station import Process
from tests.protocol.helpers import SMALL
from tests.server.live.test_store import entry, rows

NEWS_PER_S = 120.0  # chunks a second of a healthy link
ALONE_S = 600.0
CROWD_S = 60.0
WITHOUT_NEWS_AT_MOST_S = 0.5
OPERATOR_WITHOUT_NEWS_AT_MOST_S = 0.2
BEFORE_S, AFTER_S = 15.0, 5.0  # on the real station
NEVER_SO_LONG_S = 5.0


class Jumping(selectors.SelectSelector):
    """A selector that does not wait: the time it would have waited is over at once."""

    now_s = 1000.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Return what is ready now, else let the time pass."""
        ready = super().select(0)
        if not ready:
            assert timeout is not None, "nothing will ever happen"
            self.now_s += max(0.0, timeout)
        return ready


class SimulatedLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock jumps to whatever is due next."""

    def __init__(self) -> None:
        self._jumping = Jumping()
        super().__init__(self._jumping)

    def time(self) -> float:
        """Return the simulated second."""
        return self._jumping.now_s


def simulate(what: Coroutine[Any, Any, None]) -> None:
    """Run a coroutine on simulated time."""
    with asyncio.Runner(loop_factory=SimulatedLoop) as runner:
        runner.run(what)


class Watching:
    """A line that is always free and notes the longest time without anything, in simulated seconds."""

    is_free = True

    def __init__(self) -> None:
        self._last_s = asyncio.get_running_loop().time()
        self.longest_s = 0.0

    def write(self, frame: bytes) -> None:
        """Take a frame."""
        self.look()
        self._last_s = asyncio.get_running_loop().time()

    def look(self) -> None:
        """Count the time since the last frame."""
        self.longest_s = max(self.longest_s, asyncio.get_running_loop().time() - self._last_s)


class Field:
    """A store with steady news, its hub, the operator's page, and a crowd."""

    def __init__(self) -> None:
        self.store = LiveStore(table_specs(SMALL))
        self.hub = Hub(self.store, lambda: (1.0, 2.0), lambda: {"link": "up"})
        self.longest_s = 0.0
        self.most_at_once = 0
        self._tasks = [asyncio.create_task(self._news()), asyncio.create_task(self.hub.beat_forever())]

    async def _news(self) -> None:
        loop, begun, number = asyncio.get_running_loop(), asyncio.get_running_loop().time(), 0
        news = rows(0, 1)
        while True:
            self.store.add({"all": news}, [entry(number)] if number % 120 == 0 else [])
            self.hub.changed()
            number += 1
            await asyncio.sleep(begun + number / NEWS_PER_S - loop.time())

    def join(self, is_operators: bool = False) -> tuple[Viewer, Watching]:
        """Take in one more page; the line notes how long it goes without news."""
        line = Watching()
        viewer = Viewer(self.store.cursor(), self.store.journal_next, line, is_operators)
        self.hub.join(viewer)
        return viewer, line

    async def coming_and_going(self, rng: random.Random) -> None:
        """One of a crowd: comes, watches for up to ten seconds, goes, comes again."""
        while True:
            await asyncio.sleep(rng.uniform(0.0, 2.0))
            viewer, line = self.join()
            self.most_at_once = max(self.most_at_once, len(self.hub))
            try:
                await asyncio.sleep(rng.uniform(0.0, 10.0))
            finally:
                self.hub.leave(viewer)
                line.look()
                self.longest_s = max(self.longest_s, line.longest_s)

    async def crowd(self, count: int, seconds: float) -> None:
        """Let a crowd come and go for a while."""
        tasks = [asyncio.create_task(self.coming_and_going(random.Random(place))) for place in range(count)]
        await asyncio.sleep(seconds)
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)

    def close(self) -> None:
        """No more news."""
        for task in self._tasks:
            task.cancel()


@pytest.mark.parametrize("count", [5, 50, 300])
def test_a_crowd_after_ten_minutes_alone_leaves_nobody_without_news(count: int) -> None:
    async def what() -> None:
        field = Field()
        _, page = field.join(is_operators=True)
        await asyncio.sleep(ALONE_S)
        await field.crowd(count, CROWD_S)
        page.look()
        assert field.most_at_once > 0.7 * count
        assert field.longest_s <= WITHOUT_NEWS_AT_MOST_S
        assert page.longest_s <= OPERATOR_WITHOUT_NEWS_AT_MOST_S, "the operator's page"
        field.close()

    simulate(what())


async def follow(url: str, longest_s: list[float], stay_s: float) -> None:
    """Watch a real station for a while; keep the longest time without a message."""
    loop, longest = asyncio.get_running_loop(), 0.0
    async with connect(f"ws://{url}/ws/view", origin=f"http://{url}", max_size=None) as socket:
        end = last = loop.time()
        end += stay_s
        while last < end:
            async with asyncio.timeout(NEVER_SO_LONG_S):
                await socket.recv()
            now = loop.time()
            longest, last = max(longest, now - last), now
    longest_s.append(longest)


def test_four_more_beside_one_who_watched_a_real_station_for_a_while(tmp_path: Path) -> None:
    """No bound on the gap itself, which a busy machine would break: blinded is who hears nothing for as long as it takes."""

    async def what(url: str) -> None:
        longest_s: list[float] = []
        async with asyncio.TaskGroup() as group:
            group.create_task(follow(url, longest_s, BEFORE_S + AFTER_S))
            await asyncio.sleep(BEFORE_S)
            for _ in range(4):
                group.create_task(follow(url, longest_s, AFTER_S))
        print("longest time without a message, s:", *(f"{one:.3f}" for one in longest_s))

    twin = Process(tmp_path, "twin", "--listen", "socket://127.0.0.1:0", "--ignite-after", "100000")
    port = twin.line(r"(socket://\S+)")[1]
    station = Process(tmp_path, "live", "--port", port, "--no-browser", "--http-port", "0")
    try:
        asyncio.run(what(station.line(r"Page: http://(127\.0\.0\.1:\d+)/")[1]))
    finally:
        station.stop()
        twin.stop()
