"""How much one place may ask for: requests a second per source, and how much is worked out at a time.

The station records and decides in the same process that serves pages, so nobody may take all of it: not a phone whose page
is broken, nor somebody on the shared network who means it. A source has a bucket of `BURST` requests that fills by `PER_S`
a second (a token bucket; common practice, no source). A page that opens asks for some two hundred files at once and then for
little: a file of the page, which nothing is worked out for, costs `FILE_COST` of a request, so that somebody may open a
dozen pages and reload them. The operator's own computer is a source of its own, and what another page makes its browser send
is refused before it is counted (`security.py`), so that nobody can use up the operator's share.

Time is an argument.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import TypeVar

from server.problems import Problem

BURST = 600.0
PER_S = 60.0
FILE_COST, FILES = 0.2, ("/web/", "/vendor/")
SOURCES_AT_MOST = 1024
AT_ONCE = 2
WAITING_AT_MOST = 16

T = TypeVar("T")


class RequestLimit:
    """A bucket of requests for every source."""

    def __init__(self, burst: float = BURST, per_s: float = PER_S, sources: int = SOURCES_AT_MOST) -> None:
        self._burst, self._per_s, self._most = burst, per_s, sources
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()  # requests left, and at what time

    def wait_s(self, source: str, now_s: float, cost: float = 1.0) -> float:
        """Take one request of a source; return 0 if it may be served, else in how many seconds the next one may.

        `cost` is what it counts for, of a request that counts for one.
        """
        left, at_s = self._left.pop(source, (self._burst, now_s))
        left = min(self._burst, left + self._per_s * max(0.0, now_s - at_s))
        served = left >= cost
        self._left[source] = (left - cost if served else left, max(at_s, now_s))
        while len(self._left) > self._most:
            self._left.popitem(last=False)
        return 0.0 if served else (cost - left) / self._per_s


class Busy(Problem):
    """Too many are waiting for their turn already."""


class WorkGate:
    """Lets a few pieces of work run at a time, in threads, and a few more wait; beyond that it raises Busy at once.

    Who waits holds no thread: the page's files are served by threads too.
    """

    def __init__(self, at_once: int = AT_ONCE, waiting: int = WAITING_AT_MOST) -> None:
        self._turns = asyncio.Semaphore(at_once)
        self._room = at_once + waiting
        self._inside = 0

    async def run(self, work: Callable[[], T]) -> T:
        """Do `work` in a thread when its turn comes; raises Busy."""
        async with self._turn():
            return await asyncio.to_thread(work)

    @asynccontextmanager
    async def _turn(self) -> AsyncIterator[None]:
        if self._inside >= self._room:
            raise Busy("Much is being worked out for others; try again in a moment.")
        self._inside += 1
        try:
            async with self._turns:
                yield
        finally:
            self._inside -= 1
