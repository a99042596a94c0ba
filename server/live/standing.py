"""Work that must go on for as long as the station does: what ends by an exception is logged, shown, and begun again.

While it is down an alarm stands (key "task NAME"); it is cleared once the work has held for a while, so that what fails at
every start is one alarm and not many. One rule holds for tasks of the event loop (`Standing`) and for threads that begin
again by themselves (`TaskAlarm` alone).
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable

from server.live.note_writer import NoteWriter
from server.problems import reason

FIRST_DELAY_S = 0.1
LAST_DELAY_S = 5.0
# Our choice: longer than the slowest of the tasks takes to come round (the heartbeat, 0.5 s), so that it has shown itself.
HOLDS_AFTER_S = 1.0
ADVICE = "It is begun again by itself. If this stays, make safe and start the station anew; blockhouse.log has the cause."

_log = logging.getLogger(__name__)


def each_in_turn(*parts: Callable[[], object]) -> None:
    """Call every part; one that raises keeps none of the others from its turn, and is raised after them."""
    failures: list[Exception] = []
    for part in parts:
        try:
            part()
        except Exception as error:  # noqa: BLE001 - raised below, after all parts had their turn
            failures.append(error)
    if failures:
        raise failures[0]


class TaskAlarm:
    """Log and alarm of one task, told in the event loop. `name` is what a person calls it: "the station's tick"."""

    def __init__(self, key: str, name: str, notes: NoteWriter) -> None:
        self._key, self._name, self._notes = f"task {key}", name, notes
        self._failures = 0
        self._clears: asyncio.TimerHandle | None = None

    @property
    def is_down(self) -> bool:
        """Whether its alarm stands."""
        return self._failures > 0

    def fell(self, error: BaseException) -> None:
        """It ended by an exception. Of many in a row the first, second, fourth, eighth ... are logged."""
        self._keep_standing()
        self._failures += 1
        if self._failures & (self._failures - 1) == 0:
            _log.error("%s stopped, %d in a row; it is begun again", self._name, self._failures, exc_info=error)
        if self._failures == 1:
            text = f"{self._name} stopped: {reason(error)}; it was begun again"
            self._note("warning", text, {"state": "raised", "advice": ADVICE})

    def begins(self) -> None:
        """It begins again: the alarm is cleared when it has held for `HOLDS_AFTER_S`."""
        self._keep_standing()
        if self.is_down:
            self._clears = asyncio.get_running_loop().call_later(HOLDS_AFTER_S, self._holds)

    def end(self) -> None:
        """The station closes: what stands stays."""
        self._keep_standing()

    def _holds(self) -> None:
        self._failures, self._clears = 0, None
        self._note("info", f"{self._name} runs again", {"state": "cleared"})

    def _keep_standing(self) -> None:
        if self._clears is not None:
            self._clears.cancel()
            self._clears = None

    def _note(self, severity: str, text: str, body: dict[str, str]) -> None:
        try:
            self._notes.alarm(self._key, severity, text, body)
        except Exception:  # what cannot be noted must not end the task it speaks of
            _log.exception("an alarm could not be noted")


class Standing:
    """One task of the event loop, begun by `start`, begun again after every exception until `cancel`."""

    def __init__(
        self,
        key: str,
        name: str,
        work: Callable[[], Awaitable[None]],
        notes: NoteWriter,
        *,
        last_delay_s: float = LAST_DELAY_S,
    ) -> None:
        """`key` and `name` as for the alarm; pauses double from `FIRST_DELAY_S` to `last_delay_s`."""
        self._alarm = TaskAlarm(key, name, notes)
        self._work = work
        self._last_delay_s = last_delay_s
        self._task: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Begin."""
        self._task = asyncio.create_task(self._stand())

    def cancel(self) -> None:
        """End it; nothing is waited for."""
        self._alarm.end()
        if self._task is not None:
            self._task.cancel()

    async def _stand(self) -> None:
        delay_s = 0.0
        while True:
            self._alarm.begins()
            try:
                await self._work()
            except Exception as error:  # noqa: BLE001 - whatever it was, the work goes on
                first = not self._alarm.is_down
                self._alarm.fell(error)
            else:
                return
            delay_s = min(FIRST_DELAY_S if first else 2.0 * delay_s, self._last_delay_s)
            await asyncio.sleep(delay_s)
