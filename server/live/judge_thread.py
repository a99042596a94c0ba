"""The thread in which the flight is judged, beside the event loop: a judgement may take seconds, and nothing waits for it.

The loop hands over what was heard (`put`) and takes what was told of it (`take`); nothing is shared but arrays that
nobody writes into. What comes belongs to the moment it was due, whenever it comes. A judgement that never ends costs the
judgements: `look` tells when there is no progress, and what waits is bounded, then given up for the rest of the session.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from enum import Enum, auto
from queue import Empty, SimpleQueue

from server.analysis.judging import Heard, Judging
from server.analysis.trackers.output import TrackerOutput

# Our choice: many times what the slowest judgement takes on a small computer.
STANDS_STILL_AFTER_S = 10.0
# Our choice: minutes of the fastest stream, as at the record gate.
WAITING_AT_MOST = 50_000
# Our choice: a station that is told to close ends within this, judged or not; a recording of it is judged when opened.
JUDGED_WITHIN_S = 1.5
# Our choice: not every packet needs to wake the thread; nobody reads a judgement within a thirtieth of a second.
GATHER_S = 0.03
POLL_S = 0.02

_log = logging.getLogger(__name__)


class Progress(Enum):
    """What a look at the thread may find that was not so before."""

    STANDS_STILL = auto()
    GOES_ON = auto()


class JudgeThread:
    """Judges what it is given, in order, beginning with the first of it."""

    def __init__(self, judging: Judging, on_ready: Callable[[], None]) -> None:
        """`judging` belongs to the thread from now on; `on_ready` is called there when there is something to take."""
        self._judging = judging
        self._on_ready = on_ready
        self._given: SimpleQueue[Heard | None] = SimpleQueue()
        self._told: SimpleQueue[TrackerOutput] = SimpleQueue()
        self._put = 0  # changed by the loop
        self._judged = 0  # changed by the thread
        self._thread: threading.Thread | None = None
        self.has_given_up = False
        self._seen, self._seen_s, self._stands_still = 0, 0.0, False

    @property
    def waiting(self) -> int:
        """How much has been put and is not judged yet; nothing once it was given up."""
        return 0 if self.has_given_up else self._put - self._judged

    def put(self, heard: Heard) -> None:
        """Hand over a stretch. Where too much waits, nothing is judged any more."""
        if self.has_given_up:
            return
        if self.waiting >= WAITING_AT_MOST:
            self.has_given_up = True
            with suppress(Empty):
                while True:
                    self._given.get_nowait()
            return
        self._put += 1
        self._given.put(heard)
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="judging", daemon=True)
            self._thread.start()

    def take(self) -> list[TrackerOutput]:
        """Return what has been told since the last call, in order."""
        return [self._told.get_nowait() for _ in range(self._told.qsize())]

    def look(self, now_s: float) -> Progress | None:
        """Let time pass (session seconds); return what has changed."""
        if self._judged != self._seen or not self.waiting:
            self._seen, self._seen_s = self._judged, now_s
        stands_still = now_s - self._seen_s > STANDS_STILL_AFTER_S
        if self._stands_still and self.waiting > 1 and not stands_still:
            return None  # it moves, but has not caught up
        if stands_still == self._stands_still:
            return None
        self._stands_still = stands_still
        return Progress.STANDS_STILL if stands_still else Progress.GOES_ON

    def end(self) -> bool:
        """Judge what waits, within `JUDGED_WITHIN_S`, and let the thread end; blocks. Return whether all is judged."""
        end_s = time.monotonic() + JUDGED_WITHIN_S
        while self.waiting and time.monotonic() < end_s:
            time.sleep(POLL_S)
        self._given.put(None)
        return not self.waiting

    def _run(self) -> None:
        while (heard := self._given.get()) is not None:
            if self.has_given_up:
                continue
            try:
                told = self._judging.take(heard)
            except Exception:  # it contains what it does; this is for what it does around that
                _log.exception("a stretch of the session could not be judged")
                told = TrackerOutput()
            has_news = bool(told.entries) and not self.has_given_up
            if has_news:
                self._told.put(told)
            self._judged += 1
            if has_news:
                self._on_ready()
            if self._given.empty():
                time.sleep(GATHER_S)
