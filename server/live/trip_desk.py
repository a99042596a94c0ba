"""Has the vehicle answer while somebody gets a command ready, so that nobody has to ping by hand (`uplink.round_trip`)."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from math import inf
from typing import Protocol, TypeVar

from server.uplink.command_queue import CommandQueue
from server.uplink.round_trip import ASKED_WITHIN_S

# Our choice: well below the 10 s a round trip counts, so that one lost ping and its repeat keep it known.
EVERY_S = 4.0
# Our choice: two repeats of a ping on a lossy link; a first act that waited longer than this is refused and says why.
KNOWN_WITHIN_S = 2.0
LOOK_S = 0.02

Answer = TypeVar("Answer", covariant=True)


class Ask(Protocol):
    """The only way to the command queue."""

    def __call__(self, call: Callable[[CommandQueue, float], Answer]) -> Answer:
        """Call it with the present session second."""
        ...


class TripDesk:
    """Pings as long as somebody prepares something, and no longer. Everything runs in the event loop."""

    def __init__(self, ask: Ask) -> None:
        self._ask = ask
        self._until_s = -inf

    def want(self) -> None:
        """Somebody gets a command ready: keep the round trip known until the second act can no longer come."""
        self._until_s = self._ask(lambda queue, now_s: now_s) + ASKED_WITHIN_S
        self.look()

    def enough(self) -> None:
        """The second act is done: what follows needs no round trip."""
        self._until_s = -inf

    def look(self) -> None:
        """Ping where it is wanted and due."""
        self._ask(lambda queue, now_s: now_s < self._until_s and self._is_due(queue, now_s) and queue.ask_for_trip(now_s))

    @property
    def is_known(self) -> bool:
        """Whether nothing is to be waited for: the vehicle answered lately, or cannot be asked."""
        return not self._ask(lambda queue, now_s: self._can_ask(queue) and self._is_due(queue, now_s))

    async def known(self) -> bool:
        """Have the vehicle asked and wait a moment for its answer; False when something disarmed meanwhile."""
        era = self._ask(lambda queue, _: queue.era)
        until_s = self._ask(lambda queue, now_s: now_s) + KNOWN_WITHIN_S
        self.want()
        while not self.is_known and self._ask(lambda queue, now_s: now_s) < until_s:
            await asyncio.sleep(LOOK_S)
        return self._ask(lambda queue, _: queue.era) == era

    @staticmethod
    def _can_ask(queue: CommandQueue) -> bool:
        return queue.link_up and queue.boot_id is not None and queue.holder is not None

    @staticmethod
    def _is_due(queue: CommandQueue, now_s: float) -> bool:
        return queue.trips.ping is not None and queue.trips.age_s(now_s) > EVERY_S
