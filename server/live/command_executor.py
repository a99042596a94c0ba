"""The only one who touches the command queue: everybody asks it through `ask`, and what it wants done is done at once.

Counter, frame, durable intent: in this order, and only then may bytes leave. Safe all alone does not wait for a disk that
fails or hangs.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from math import isfinite
from typing import TypeVar

from protocol.errors import OurMistake
from protocol.link import Link
from server.bridge.serial_bridge import SerialBridge
from server.live.note_writer import NoteWriter
from server.live.record_gate import RecordGate
from server.recording.clock import Clock
from server.recording.recorder import Recorder, RecorderFailed
from server.recording.records import Kind
from server.telemetry.conditions import Readings
from server.uplink.command_entry import Changed, PermitChanged, Prepare, Transmit
from server.uplink.command_queue import CommandQueue
from server.uplink.counter_store import CounterStore
from server.uplink.key_names import KeyProblem

# Our choice: a sound disk syncs within some milliseconds, a slow one within tenths of a second. Making safe must not wait
# for longer than a person hardly feels; twice this (counter, then record) is the most it is held up.
SAFE_ALL_WAITS_FOR_DISK_S = 0.3
# Our choice: below the 3 s that anything may wait to be sent (`QUEUED_AT_MOST_S`), so that a disk that hangs is named as
# the cause before the command is dropped for its age.
DISK_ANSWERS_WITHIN_S = 2.5

Answer = TypeVar("Answer")


class CommandExecutor:
    """Asks one queue and carries out its actions. Everything runs in the event loop but the disk's work."""

    def __init__(
        self,
        queue: CommandQueue,
        *,
        link: Link,
        counters: CounterStore,
        recorder: Recorder,
        gate: RecordGate,
        bridge: SerialBridge,
        notes: NoteWriter,
        readings: Readings,
        clock: Clock,
        now_s: Callable[[], float],
        look_at_clocks: Callable[[], None],
    ) -> None:
        """`look_at_clocks` tells the queue when the machine has slept; it is called after every wait for the disk."""
        self._queue = queue
        self._link = link
        self._counters = counters
        self._recorder = recorder
        self._gate = gate
        self._bridge = bridge
        self._notes = notes
        self._readings = readings
        self._clock = clock
        self._now_s = now_s
        self._look_at_clocks = look_at_clocks
        self._loop = asyncio.get_running_loop()
        self._preparing: set[asyncio.Task[None]] = set()

    def ask(self, call: Callable[[CommandQueue, float], Answer], note: Callable[[Answer], None] | None = None) -> Answer:
        """Call the queue with the present session second, and carry out what it wants done.

        `note` gets the answer before anything is carried out, so that in the session an act stands before what comes of it.
        """
        answer = call(self._queue, self._now_s())
        if note is not None:
            note(answer)
        self._carry_out()
        return answer

    async def reserve(self) -> None:
        """Have spare counters ready for a disk that fails later; without them only safe all on a dead disk is poorer."""
        try:
            await asyncio.wait_for(asyncio.to_thread(self._counters.reserve), DISK_ANSWERS_WITHIN_S)
        except (KeyProblem, TimeoutError):
            return

    async def settled(self) -> None:
        """Wait until nothing is being prepared any more."""
        while self._preparing:
            await asyncio.gather(*self._preparing, return_exceptions=True)
            await asyncio.sleep(0)

    def _carry_out(self) -> None:
        for action in self._queue.take_actions():
            if isinstance(action, Changed):
                self._notes.command(action.view)
            elif isinstance(action, PermitChanged):
                self._notes.permit(action.view)
            elif isinstance(action, Prepare):
                task = asyncio.create_task(self._prepare(action))
                self._preparing.add(task)
                task.add_done_callback(self._preparing.discard)
            else:
                self._transmit(action)

    async def _prepare(self, action: Prepare) -> None:
        try:
            counter = await self._take_counter(action.must_be_durable)
            frame = self._link.send(action.command, action.args, counter)
            intent = {**action.intent, "counter": counter, "frame": frame.hex()}
            await asyncio.to_thread(self._record_intent, intent, action.must_be_durable)
        except (KeyProblem, OurMistake, RecorderFailed) as error:
            sentence = str(error)
            self.ask(lambda queue, now_s: queue.on_prepare_failed(action.id, sentence, now_s))
        else:
            self._look_at_clocks()  # the machine may have slept while the disk was waited for
            self.ask(lambda queue, now_s: queue.on_prepared(action.id, counter, frame, now_s))

    async def _take_counter(self, must_be_durable: bool) -> int:
        """Take the next counter; for safe all a disk that fails or hangs is passed over with a spare one."""
        self._counters.raise_to(self._heard_counter())  # never below what the vehicle has seen, whatever became of ours
        patience_s = DISK_ANSWERS_WITHIN_S if must_be_durable else SAFE_ALL_WAITS_FOR_DISK_S
        try:
            return await asyncio.wait_for(asyncio.to_thread(self._counters.take), patience_s)
        except (KeyProblem, TimeoutError) as error:
            if not must_be_durable:
                return self._counters.take_spare()
            if isinstance(error, KeyProblem):
                raise
            raise KeyProblem("The disk gives no command counter in time.") from error

    def _heard_counter(self) -> int:
        """Return the last counter the vehicle says it has executed, 0 when it has not said."""
        reading = self._readings.reading("uplink.last_counter", self._now_s())
        return int(reading.value) if reading is not None and isfinite(reading.value) else 0

    def _record_intent(self, intent: Mapping[str, object], must_be_durable: bool) -> None:
        timeout_s = DISK_ANSWERS_WITHIN_S if must_be_durable else SAFE_ALL_WAITS_FOR_DISK_S
        try:
            self._recorder.append_synced(Kind.INTENT, self._clock.monotonic_ns(), intent, timeout_s)
        except RecorderFailed:
            if must_be_durable:
                raise

    def _transmit(self, action: Transmit) -> None:
        def on_done(problem: str | None) -> None:
            if problem is None:
                self._gate.put(Kind.SENT, self._clock.monotonic_ns(), action.frame)
            self._loop.call_soon_threadsafe(self._written, action.id, problem)

        self._bridge.send(action.frame, on_done, urgent=action.urgent)

    def _written(self, id: str, problem: str | None) -> None:
        self.ask(lambda queue, now_s: queue.on_written(id, problem, now_s))
