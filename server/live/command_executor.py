"""The only one who touches the command queue: everybody asks it through `ask`, and what it wants done is done at once.

Counter, frame, durable intent: in this order, and only then may bytes leave. Safe all alone does not wait for the disk: it
takes a spare counter (stored ahead), its intent is handed to the recorder, and its frame is at the port before the act that
asked for it returns, without a task, a thread or a turn of the event loop in between. The spares are filled up afterwards,
beside. Whatever goes wrong on the way ends a command in a sentence, and safe all not at all: it does without.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from math import isfinite
from typing import TypeVar

from protocol.link import Link
from server.bridge.serial_bridge import SerialBridge
from server.live.disk_thread import DiskThread
from server.live.note_writer import NoteWriter
from server.live.record_gate import RecordGate
from server.problems import Problem, reason
from server.recording.clock import Clock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.telemetry.conditions import Readings
from server.uplink.addressee import Addressee
from server.uplink.command_entry import Action, Changed, PermitChanged, Prepare, Transmit
from server.uplink.command_queue import CommandQueue
from server.uplink.counter_store import SPARE, CounterStore
from server.uplink.key_names import KeyProblem

# Our choice: where no spare counter is left safe all needs the disk for one. A sound disk syncs within some milliseconds, a
# slow one within tenths of a second; after this it says that it has no counter, and is tried again.
SAFE_ALL_WAITS_FOR_DISK_S = 0.3
# Our choice: a disk that fails is not asked for spares at every tick.
SPARES_TRIED_EVERY_S = 2.0
# Our choice: below the 3 s that anything may wait to be sent (`QUEUED_AT_MOST_S`), so that a disk that hangs is named as
# the cause before the command is dropped for its age.
DISK_ANSWERS_WITHIN_S = 2.5

_log = logging.getLogger(__name__)

Answer = TypeVar("Answer")


class CommandExecutor:
    """Asks one queue and carries out its actions. Everything runs in the event loop but the disk's work."""

    def __init__(
        self,
        queue: CommandQueue,
        *,
        link: Link,
        addressee: Addressee,
        counters: CounterStore,
        recorder: Recorder,
        gate: RecordGate,
        bridge: SerialBridge,
        notes: NoteWriter,
        readings: Readings,
        clock: Clock,
        now_s: Callable[[], float],
        look_at_clocks: Callable[[], None],
        catch_up: Callable[[], None],
    ) -> None:
        """`look_at_clocks` tells the queue when the machine has slept; it is called after every wait for the disk.

        `catch_up` tells it all that was heard; what must be durable is allowed by that, so it is called before it is sent.
        """
        self._queue = queue
        self._link = link
        self._addressee = addressee
        self._counters = counters
        self._recorder = recorder
        self._gate = gate
        self._bridge = bridge
        self._notes = notes
        self._readings = readings
        self._clock = clock
        self._now_s = now_s
        self._look_at_clocks = look_at_clocks
        self._catch_up = catch_up
        self._loop = asyncio.get_running_loop()
        self._counter_disk = DiskThread("counters")
        self._intent_disk = DiskThread("intents")
        self._has_spares = True  # as of the last time the disk was asked for some
        self._spares_due_s = 0.0
        self._hears_counter = True  # as of the last time telemetry was asked for the vehicle's
        self._preparing: set[asyncio.Task[None]] = set()
        self._filling: asyncio.Task[None] | None = None

    def ask(self, call: Callable[[CommandQueue, float], Answer], note: Callable[[Answer], None] | None = None) -> Answer:
        """Call the queue with the present session second, and carry out what it wants done.

        `note` gets the answer before anything is carried out, so that in the session an act stands before what comes of it.
        """
        answer = call(self._queue, self._now_s())
        try:
            if note is not None:
                note(answer)
        finally:
            self._carry_out()
        return answer

    async def reserve(self) -> None:
        """Have spare counters ready for a disk that fails later; without them only safe all on a dead disk is poorer."""
        try:
            await self._counter_disk.do(self._counters.reserve, DISK_ANSWERS_WITHIN_S)
        except Exception as error:  # noqa: BLE001 - whatever it was, the first command will meet it again
            if self._has_spares:
                why = str(error) if isinstance(error, Problem) else reason(error)
                _log.warning("no spare command counters, so that Safe all alone may leave: %s", why)
            self._has_spares, self._spares_due_s = False, self._now_s() + SPARES_TRIED_EVERY_S
        else:
            self._has_spares = True

    def keep_spares(self) -> None:
        """Have the spare counters filled up, beside, where some were used or the vehicle has seen higher ones."""
        self._raise_counters()
        if self._counters.spares < SPARE and not self._counter_disk.is_busy and self._now_s() >= self._spares_due_s:
            self._filling = self._loop.create_task(self.reserve())

    async def settled(self) -> None:
        """Wait until nothing is being prepared any more."""
        while self._preparing:
            await asyncio.gather(*self._preparing, return_exceptions=True)
            await asyncio.sleep(0)

    def end(self) -> None:
        """Let the threads for the disk end; nothing is prepared any more, and a disk that hangs is not waited for."""
        if self._filling is not None:
            self._filling.cancel()
        self._counter_disk.end()
        self._intent_disk.end()

    def _carry_out(self) -> None:
        for action in self._queue.take_actions():
            try:
                self._carry_out_one(action)
            except Exception:  # one that cannot be carried out must not keep the others from it
                _log.exception("what the command queue asked for could not be done")

    def _carry_out_one(self, action: Action) -> None:
        if isinstance(action, Changed):
            self._notes.command(action.view)
        elif isinstance(action, PermitChanged):
            self._notes.permit(action.view)
        elif isinstance(action, Prepare):
            if action.must_be_durable or not self._prepare_at_once(action):
                task = self._loop.create_task(self._prepare(action))
                self._preparing.add(task)
                task.add_done_callback(self._preparing.discard)
        else:
            self._transmit(action)

    def _prepare_at_once(self, action: Prepare) -> bool:
        """Have safe all sent under a spare counter, here and now; False where there is none."""
        self._raise_counters()
        try:
            counter = self._counters.take_spare()
        except KeyProblem:
            return False
        try:
            frame = self._link.send(action.command, action.args, counter)
        except Exception as error:  # noqa: BLE001 - it is tried again
            self._failed(action, error)
            return True
        self._record_beside(_intent(action, counter, frame))
        self.ask(lambda queue, now_s: queue.on_prepared(action.id, counter, frame, now_s))
        self.keep_spares()
        return True

    async def _prepare(self, action: Prepare) -> None:
        try:
            self._raise_counters()
            counter = await self._take_counter(action.must_be_durable)
            frame = self._link.send(action.command, action.args, counter, self._addressee.valid_until_ms(self._now_s()))
            if action.must_be_durable:
                await self._record_durably(_intent(action, counter, frame))
                self._look_at_clocks()  # the machine may have slept while the disk was waited for
                self._catch_up()
            else:
                self._record_beside(_intent(action, counter, frame))
        except Exception as error:  # noqa: BLE001 - a command must never stay "waiting to be sent" without a word
            self._failed(action, error)
        else:
            self.ask(lambda queue, now_s: queue.on_prepared(action.id, counter, frame, now_s))

    def _failed(self, action: Prepare, error: Exception) -> None:
        """Nothing is sent: the queue is told why."""
        if not isinstance(error, Problem):
            _log.error("a command could not be prepared", exc_info=error)
        sentence = str(error) if isinstance(error, Problem) else f"It could not be prepared: {reason(error)}."
        self.ask(lambda queue, now_s: queue.on_prepare_failed(action.id, sentence, now_s))

    async def _take_counter(self, must_be_durable: bool) -> int:
        """Take the next counter from the disk; for safe all, which has found no spare, any will do: it must leave."""
        patience_s = DISK_ANSWERS_WITHIN_S if must_be_durable else SAFE_ALL_WAITS_FOR_DISK_S
        try:
            return await self._counter_disk.do(self._counters.take, patience_s)
        except Exception as error:
            if not must_be_durable:
                with suppress(KeyProblem):
                    return self._counters.take_spare()
                return self._counters.take_unkept()
            if isinstance(error, TimeoutError):
                raise KeyProblem("The disk gives no command counter in time.") from error
            raise

    def _raise_counters(self) -> None:
        """Never below what the vehicle has seen, whatever became of ours; without telemetry that tells, as they are."""
        try:
            self._counters.raise_to(self._heard_counter())
        except Exception:
            if self._hears_counter:
                _log.exception("the vehicle's last counter could not be looked at")
            self._hears_counter = False
        else:
            self._hears_counter = True

    def _heard_counter(self) -> int:
        """Return the last counter the vehicle says it has taken, 0 when it has not said."""
        reading = self._readings.reading("uplink.last_counter", self._now_s())
        told = int(reading.value) if reading is not None and isfinite(reading.value) else 0
        heard = self._addressee.heard
        return told if heard is None else max(told, heard.said.last_counter)

    async def _record_durably(self, intent: Mapping[str, object]) -> None:
        """Have the intent on the disk, or raise."""
        now_ns = self._clock.monotonic_ns()
        await self._intent_disk.do(
            lambda: self._recorder.append_synced(Kind.INTENT, now_ns, intent, DISK_ANSWERS_WITHIN_S),
            2 * DISK_ANSWERS_WITHIN_S,
        )

    def _record_beside(self, intent: Mapping[str, object]) -> None:
        """Hand the intent of safe all to the recorder, which says by itself what it could not keep."""
        with suppress(Exception):
            self._recorder.append(Kind.INTENT, self._clock.monotonic_ns(), intent)

    def _transmit(self, action: Transmit) -> None:
        def on_done(problem: str | None) -> None:
            if problem is None:
                self._gate.put(Kind.SENT, self._clock.monotonic_ns(), action.frame)
            self._loop.call_soon_threadsafe(self._written, action.id, problem)

        self._bridge.send(action.frame, on_done, urgent=action.urgent)

    def _written(self, id: str, problem: str | None) -> None:
        self.ask(lambda queue, now_s: queue.on_written(id, problem, now_s))


def _intent(action: Prepare, counter: int, frame: bytes) -> dict[str, object]:
    return {**action.intent, "counter": counter, "frame": frame.hex()}
