"""The log file beside the sessions: what the station did and what went wrong in it, for the day after.

Written by a thread of its own, because a disk that hangs must not hold up the event loop; of bounded size, by rotation; a
disk that refuses is no reason to stop. Warnings go to the terminal as well, by way of whoever gives `warn`: a terminal that
stands still must not hold anybody up either. What Python itself warns of (`warnings`) goes the same ways.

Keys and tokens are never meant to be logged. That one slips into a message of some library all the same is ruled out by
taking every secret told to `hide` out of every line.
"""

from __future__ import annotations

import logging
import queue
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from logging.handlers import QueueHandler, QueueListener, RotatingFileHandler
from pathlib import Path

LOG_NAME = "blockhouse.log"
SIZE_AT_MOST = 1_000_000
OLDER_KEPT = 3
WAITING_AT_MOST = 10_000
STOP_WITHIN_S = 1.0
HIDDEN = "[hidden]"
_FORMAT = "%(asctime)s %(levelname)s %(name)s: %(message)s"


class _Writer(RotatingFileHandler):
    """Writes and rotates; what cannot be written is dropped without a word, the recorder speaks for the disk."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the name is logging's
        """Drop the line."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write one line, making the folder if it is not there."""
        if self.stream is None:
            with suppress(OSError):
                Path(self.baseFilename).parent.mkdir(parents=True, exist_ok=True)
        super().emit(record)


class _Listener(QueueListener):
    """The writing thread. A disk that hangs must not hold up the end of the station either."""

    @property
    def is_writing(self) -> bool:
        """Whether the thread has not ended yet."""
        return self._thread is not None and self._thread.is_alive()

    def stop(self) -> None:
        """End the thread; wait for it a little."""
        thread = self._thread
        with suppress(queue.Full):
            self.enqueue_sentinel()
        if thread is not None:
            thread.join(STOP_WITHIN_S)


class LogFile(QueueHandler):
    """Hands lines to the writing thread, without the secrets; when that is far behind, new ones are dropped."""

    def __init__(self, warn: Callable[[str], None]) -> None:
        """`warn` is told every warning and what is worse; it must neither wait nor raise."""
        super().__init__(queue.Queue(WAITING_AT_MOST))
        self._warn = warn
        self._secrets: list[str] = []

    def hide(self, *secrets: str) -> None:
        """Never let these texts into the file."""
        self._secrets += [secret for secret in secrets if secret]

    def prepare(self, record: logging.LogRecord) -> logging.LogRecord:
        """Return the record as one finished text without secrets, tracebacks included."""
        prepared: logging.LogRecord = super().prepare(record)
        text = str(prepared.msg)
        for secret in self._secrets:
            text = text.replace(secret, HIDDEN)
        prepared.msg = prepared.message = text
        return prepared

    def enqueue(self, record: logging.LogRecord) -> None:
        """Hand a prepared record over, for the terminal and for the file."""
        if record.levelno >= logging.WARNING:
            self._warn(str(record.msg))
        super().enqueue(record)

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the name is logging's
        """Drop the line: the queue is full."""


@contextmanager
def log_file(folder: Path, warn: Callable[[str], None]) -> Iterator[LogFile]:
    """Log everything from INFO on to `folder`/blockhouse.log, and tell `warn` every warning, until left."""
    writer = _Writer(folder / LOG_NAME, maxBytes=SIZE_AT_MOST, backupCount=OLDER_KEPT, encoding="utf-8", delay=True)
    writer.setFormatter(logging.Formatter(_FORMAT))
    handler = LogFile(warn)
    listener = _Listener(handler.queue, writer)
    root = logging.getLogger()
    level = root.level
    root.addHandler(handler)
    root.setLevel(min(level, logging.INFO))
    logging.captureWarnings(True)
    listener.start()
    try:
        yield handler
    finally:
        logging.captureWarnings(False)
        root.removeHandler(handler)
        root.setLevel(level)
        listener.stop()
        if not listener.is_writing:
            with suppress(OSError):  # a full disk has not taken the last lines
                writer.close()
