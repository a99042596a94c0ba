"""The terminal as the station uses it: lines are handed over and never waited for.

A terminal can be gone (a pipe whose reader has ended raises, so does a closed window) or can stand still (a stopped one
takes nothing and raises nothing). Neither may reach what keeps a vehicle safe, so a thread of its own does the printing.
"""

from __future__ import annotations

import logging
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from queue import Full, Queue
from typing import TextIO

WAITING_AT_MOST = 1000  # lines; our choice: far more than a station says in a day
END_WITHIN_S = 1.0

_log = logging.getLogger(__name__)


def print_line(stream: TextIO, text: str) -> None:
    """Print one line at once, to the descriptor where the stream has one.

    A thread that stands still inside a stream keeps the stream's lock, and Python cannot end without it. Raises OSError.
    """
    try:
        descriptor = stream.fileno()
    except (OSError, ValueError):
        descriptor = -1
    if descriptor < 0 or sys.platform == "win32":  # there a console is no file that takes bytes
        print(text, file=stream, flush=True)
        return
    stream.flush()
    rest = f"{text}\n".encode(stream.encoding or "utf-8", "replace")
    while rest:
        rest = rest[os.write(descriptor, rest) :]


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
