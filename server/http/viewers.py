"""Viewers: each gets the newest state as fast as it can take it, and none can delay another or the recorder.

Nothing is queued per viewer. A viewer has a cursor into the store; when it is ready for a message, one is made of all
that is new since its cursor, the newest `ROWS_AT_MOST` rows of each table. A viewer that stops reading therefore costs
one message in flight, and when it wakes it gets the present, not the past. Viewers at the same place share the bytes.

An operator's page has a way of its own: it gets news at once however large the crowd is, and is first in every round.

Two ways to a viewer. A `ViewerLine` (what the page server gives) takes ready-made frames, and the hub itself hands the news
round, every `CROWD_INTERVAL_S` at most when there are many; a line that is not free is passed over and looked at again
soon. Any other connection has a task of its own that awaits its `send`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from server.http.doorman import ViewerPlaces
from server.http.messages import update
from server.http.viewer_line import ViewerLine, text_frame
from server.json_text import to_json
from server.live.store import LiveStore

ROWS_AT_MOST = 2000
BEAT_S = 0.5
FEW_VIEWERS = 4
CROWD_INTERVAL_S = 0.035
"""Between rounds for a crowd: somewhat less than the 0.04 s at which news may come, so that what is late once is made up
for; at exactly that rate every later round would wait as long as the first did."""
Send = Callable[[str], Awaitable[None]]
_Place = tuple[dict[str, int], int, object]
"""Where a viewer is: its cursor, its next journal entry, and the heartbeat it was told last."""


@dataclass(eq=False)
class Viewer:
    """One connected page. `line` is None for a connection that has only an awaitable send."""

    cursor: dict[str, int]
    journal_next: int
    line: ViewerLine | None = None
    is_operators: bool = False
    wake: asyncio.Event = field(default_factory=asyncio.Event)
    told_beat: object = None


class _News(NamedTuple):
    """What is new since one place in the store, and the place behind it. Cursors are never changed, only replaced."""

    version: int
    cursor: dict[str, int]
    journal_next: int
    message: _Message
    next_cursor: dict[str, int]
    next_journal: int


class _Message:
    """One message in the form each way needs; both are made once, for all viewers."""

    def __init__(self, body: object) -> None:
        self._bytes = to_json(body)
        self._frame = b""

    @property
    def text(self) -> str:
        """The message for an awaitable send."""
        return self._bytes.decode()

    @property
    def frame(self) -> bytes:
        """The message for a line."""
        if not self._frame:
            self._frame = text_frame(self._bytes)
        return self._frame


class Hub:
    """All viewers of one live store. `now` gives (session second, timeline t); `beat` the body of the heartbeat."""

    def __init__(
        self, store: LiveStore, now: Callable[[], tuple[float, float]], beat: Callable[[], dict[str, object]]
    ) -> None:
        self._store = store
        self._now = now
        self._beat = beat
        self.places = ViewerPlaces()
        self._crowd: set[Viewer] = set()
        self._operators: set[Viewer] = set()
        self._shared: _News | None = None
        self._beat_message: _Message | None = None
        self._next_round_s = self._last_round_s = 0.0
        self._round_due: asyncio.TimerHandle | None = None
        self._behind: set[Viewer] = set()
        self._look_again: asyncio.TimerHandle | None = None

    def __len__(self) -> int:
        return len(self._crowd) + len(self._operators)

    def changed(self) -> None:
        """Tell that the store has something new: operators get it at once, a crowd when the next round is due."""
        if not len(self):
            return
        loop = asyncio.get_running_loop()
        if self._round_due is None and (len(self._crowd) <= FEW_VIEWERS or loop.time() >= self._next_round_s):
            self._round()
            return
        self._serve(self._operators)
        if self._round_due is None:
            self._round_due = loop.call_at(self._next_round_s, self._round)

    def join(self, viewer: Viewer) -> None:
        """Take in a viewer that has a line; it is served until `leave`."""
        self._take_in(viewer)
        self._serve([viewer])  # only this one: pages that come and go must not use up the rounds of a crowd

    def leave(self, viewer: Viewer) -> None:
        """Forget a viewer."""
        for viewers in (self._operators, self._crowd, self._behind):
            viewers.discard(viewer)

    def _take_in(self, viewer: Viewer) -> None:
        (self._operators if viewer.is_operators else self._crowd).add(viewer)

    async def beat_forever(self) -> None:
        """Make the heartbeat twice a second; it goes out with the next news, or by itself when there are none."""
        while True:
            await asyncio.sleep(BEAT_S)
            rx_now, t_now = self._now()
            body = {"type": "beat", "rx_now": rx_now, "t_now": t_now, "viewers": len(self), **self._beat()}
            self._beat_message = _Message(body)
            # While news flow the next round carries it; a round of its own would cost a crowd as much as news do.
            if asyncio.get_running_loop().time() - self._last_round_s > 2 * CROWD_INTERVAL_S:
                self.changed()

    async def pump(self, viewer: Viewer, send: Send) -> None:
        """Serve one viewer without a line until its `send` raises; then it is forgotten."""
        self._take_in(viewer)
        try:
            while True:
                await viewer.wake.wait()
                viewer.wake.clear()
                for message in self._due(viewer):
                    await send(message.text)
                if len(self._crowd) > FEW_VIEWERS and not viewer.is_operators:
                    await asyncio.sleep(CROWD_INTERVAL_S)
        finally:
            self.leave(viewer)

    # ------------------------------------------------------------ handing round

    def _round(self) -> None:
        """Give every viewer that can take it what is new."""
        loop = asyncio.get_running_loop()
        self._round_due = None
        # Counted from when the round was due, with up to two saved: news that come just as often as rounds may, but now
        # and then late, would otherwise be held back from then on. Never later than one interval from now: rounds of a
        # few viewers come before they are due, and a crowd that comes after them must not wait for what they used up.
        self._last_round_s = now_s = loop.time()
        due_s = max(self._next_round_s, now_s - 2 * CROWD_INTERVAL_S) + CROWD_INTERVAL_S
        self._next_round_s = min(due_s, now_s + CROWD_INTERVAL_S)
        self._serve([*self._operators, *self._crowd])

    def _serve_those_behind(self) -> None:
        """Look again at the lines that were not free, so that the last news reach them without waiting for the next."""
        self._look_again = None
        self._serve([viewer for viewer in (*self._operators, *self._crowd) if viewer in self._behind])

    def _serve(self, viewers: Iterable[Viewer]) -> None:
        """Give viewers what is new to them, in their order; those whose line is not free are looked at again soon.

        Nearly all of a crowd are at the same place, so what is due there is looked up once and then handed on.
        """
        place: _Place | None = None
        then: _Place = ({}, -1, None)
        frame = b""
        for viewer in viewers:
            line = viewer.line
            if line is None:
                viewer.wake.set()
                continue
            if not line.is_free:
                self._behind.add(viewer)
                continue
            self._behind.discard(viewer)
            if (
                place is not None
                and viewer.cursor is place[0]
                and viewer.journal_next == place[1]
                and viewer.told_beat is place[2]
            ):
                viewer.cursor, viewer.journal_next, viewer.told_beat = then
            else:
                place = (viewer.cursor, viewer.journal_next, viewer.told_beat)
                frame = b"".join([message.frame for message in self._due(viewer)])
                then = (viewer.cursor, viewer.journal_next, viewer.told_beat)
            if frame:
                line.write(frame)
        if self._behind and self._look_again is None:
            self._look_again = asyncio.get_running_loop().call_later(CROWD_INTERVAL_S, self._serve_those_behind)

    def _due(self, viewer: Viewer) -> list[_Message]:
        """Return the messages a viewer has not had, and take them as given."""
        due = []
        news = self._news(viewer)
        if news is not None:
            due.append(news.message)
            viewer.cursor, viewer.journal_next = news.next_cursor, news.next_journal
        if self._beat_message is not None and self._beat_message is not viewer.told_beat:
            due.append(self._beat_message)
            viewer.told_beat = self._beat_message
        return due

    def _news(self, viewer: Viewer) -> _News | None:
        """Return what is new for a viewer, made once for all at the same place; None when nothing is."""
        store, known = self._store, self._shared
        place = (store.version, viewer.cursor, viewer.journal_next)
        if known is None or known[:3] != place:
            if viewer.journal_next == store.journal_next and viewer.cursor == store.cursor():
                return None
            rx_now, t_now = self._now()
            body = update(store, viewer.cursor, viewer.journal_next, rx_now, t_now, ROWS_AT_MOST)
            known = self._shared = _News(*place, _Message(body), store.cursor(), store.journal_next)
        return known
