"""Viewers: each gets the newest state as fast as it can take it, and none can delay another or the recorder.

Nothing is queued per viewer. A viewer has a cursor into the store; when it is ready for a message, one is made of all
that is new since its cursor, the newest `ROWS_AT_MOST` rows of each table. A viewer that stops reading therefore costs
one message in flight, and when it wakes it gets the present, not the past. Viewers at the same place share the bytes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from server.messages import to_json, update
from server.store import LiveStore

ROWS_AT_MOST = 2000
VIEWERS_AT_MOST = 400
BEAT_S = 0.5
FEW_VIEWERS = 4
CROWD_INTERVAL_S = 0.04
Send = Callable[[str], Awaitable[None]]


@dataclass(eq=False)
class Viewer:
    """One connected page."""

    cursor: dict[str, int]
    journal_next: int
    wake: asyncio.Event = field(default_factory=asyncio.Event)


class Hub:
    """All viewers of one live store. `now` gives (session second, timeline t); `beat` the body of the heartbeat."""

    def __init__(
        self, store: LiveStore, now: Callable[[], tuple[float, float]], beat: Callable[[], dict[str, object]]
    ) -> None:
        self._store = store
        self._now = now
        self._beat = beat
        self._viewers: set[Viewer] = set()
        self._shared: tuple[tuple, str, dict[str, int], int] | None = None
        self._beat_text = ""

    def __len__(self) -> int:
        return len(self._viewers)

    @property
    def is_full(self) -> bool:
        """Whether no further viewer is taken."""
        return len(self._viewers) >= VIEWERS_AT_MOST

    def changed(self) -> None:
        """Tell that the store has something new."""
        for viewer in self._viewers:
            viewer.wake.set()

    async def beat_forever(self) -> None:
        """Make the heartbeat twice a second; pumps send it when they next wake."""
        while True:
            await asyncio.sleep(BEAT_S)
            rx_now, t_now = self._now()
            body = {"type": "beat", "rx_now": rx_now, "t_now": t_now, "viewers": len(self), **self._beat()}
            self._beat_text = to_json(body).decode()
            self.changed()

    async def pump(self, viewer: Viewer, send: Send) -> None:
        """Serve one viewer until its `send` raises. The caller removes it afterwards."""
        self._viewers.add(viewer)
        told_beat = ""
        try:
            while True:
                await viewer.wake.wait()
                viewer.wake.clear()
                text = self._news(viewer)
                if text is not None:
                    await send(text)
                if self._beat_text is not told_beat:
                    told_beat = self._beat_text
                    await send(told_beat)
                if len(self._viewers) > FEW_VIEWERS:
                    await asyncio.sleep(CROWD_INTERVAL_S)
        finally:
            self._viewers.discard(viewer)

    def _news(self, viewer: Viewer) -> str | None:
        """Return the update for a viewer and move its cursor; None when nothing is new."""
        place = (self._store.version, viewer.journal_next, *viewer.cursor.values())
        if self._shared is None or self._shared[0] != place:
            cursor, journal_next = self._store.cursor(), self._store.journal_next
            if cursor == viewer.cursor and journal_next == viewer.journal_next:
                return None
            rx_now, t_now = self._now()
            body = update(self._store, viewer.cursor, viewer.journal_next, rx_now, t_now, ROWS_AT_MOST)
            self._shared = (place, to_json(body).decode(), cursor, journal_next)
        _, text, cursor, journal_next = self._shared
        viewer.cursor, viewer.journal_next = dict(cursor), journal_next
        return text
