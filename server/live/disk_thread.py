"""One thread for one piece of disk work at a time, apart from every other thread of the program.

A thread of a shared pool that hangs in a flush is one thread less for everybody; six of them are none. Here a disk that
hangs keeps this thread only, and whoever asks sees that it is busy and need not wait. The thread is a daemon (those of
`concurrent.futures` are not): a disk that hangs must not keep the program from ending either.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future
from queue import SimpleQueue
from typing import TypeVar

Answer = TypeVar("Answer")


class DiskThread:
    """Does what it is given, in order. Begins with its first work, and ends with `end` or with the program."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._waiting: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self._given = 0  # changed by whoever asks, in the event loop
        self._over = 0  # changed by the thread

    @property
    def is_busy(self) -> bool:
        """Whether something is being done or waits, so that what comes now would have to wait too."""
        return self._given != self._over

    async def do(self, work: Callable[[], Answer], patience_s: float) -> Answer:
        """Return what `work` returns, or raise what it raises; TimeoutError after `patience_s`.

        Work that has not begun by then is never done; what has begun goes on, and its answer is lost.
        """
        answer: Future[Answer] = Future()

        def run() -> None:
            if not answer.set_running_or_notify_cancel():
                self._over += 1
                return
            try:
                result = work()
            except BaseException as error:  # noqa: BLE001 - whatever it is belongs to whoever asked
                self._over += 1
                answer.set_exception(error)
            else:
                self._over += 1
                answer.set_result(result)

        self._given += 1
        self._waiting.put(run)
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
            self._thread.start()
        return await asyncio.wait_for(asyncio.wrap_future(answer), patience_s)

    def end(self) -> None:
        """Let the thread end after what it has been given; nothing is waited for."""
        self._waiting.put(None)

    def _run(self) -> None:
        while (work := self._waiting.get()) is not None:
            work()
