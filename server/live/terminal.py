"""The terminal as the station uses it: lines are handed over and never waited for.

A terminal can be gone (a pipe whose reader has ended raises, so does a closed window) or can stand still (a stopped one
takes nothing and raises nothing). Neither may reach what keeps a vehicle safe, so a thread of its own does the printing.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from queue import Full, Queue

WAITING_AT_MOST = 1000  # lines; our choice: far more than a station says in a day
END_WITHIN_S = 1.0

_log = logging.getLogger(__name__)


@contextmanager
def said_aside(say: Callable[[str], None]) -> Iterator[Callable[[str], None]]:
    """Yield a `say` that neither raises nor waits; what the real one cannot take is dropped, the first time with a log line.

    At the end what still waits is said, within `END_WITHIN_S`.
    """
    waiting: Queue[str | None] = Queue(WAITING_AT_MOST)

    def speak() -> None:
        is_gone = False
        while (line := waiting.get()) is not None:
            try:
                say(line)
            except Exception as error:  # noqa: BLE001 - whatever it is, it is the terminal's trouble
                if not is_gone:
                    _log.info("the terminal takes no lines any more: %s", error)
                is_gone = True

    def hand_over(line: str) -> None:
        with suppress(Full):
            waiting.put_nowait(line)

    thread = threading.Thread(target=speak, name="terminal", daemon=True)
    thread.start()
    try:
        yield hand_over
    finally:
        with suppress(Full):
            waiting.put_nowait(None)
        thread.join(END_WITHIN_S)
