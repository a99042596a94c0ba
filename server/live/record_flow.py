"""What becomes of a record once it is recorded, in a fixed order: computed, shown, told to the command queue.

Each step is contained: one that raises costs its own part, never the records after it. Where the command queue could not be
told of something that might have to disarm it, it is disarmed: not knowing must not be easier than knowing.

After a pause much may wait. It is taken turn by turn, so that a click on safe all does not wait for all of it; whatever
could be hazardous does, since it is allowed by what was heard last.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from functools import partial
from math import inf

from protocol.dictionary import Dictionary
from protocol.identity import HASH_ROLE, Identity
from protocol.link import Link
from protocol.packets import TIME_MODULUS_MS
from server.analysis.alarms import AlarmBoard
from server.analysis.pipeline import Output, Pipeline, told_by
from server.bridge.link_watch import LinkState, LinkWatch
from server.live.answers import CommandAnswer, answers_in
from server.live.command_executor import CommandExecutor
from server.live.containment import Containment
from server.live.judge_thread import JudgeThread, Progress
from server.live.note_writer import NoteWriter
from server.live.record_gate import RecordGate
from server.live.store import LiveStore
from server.recording.records import Kind, Record
from server.telemetry.batch import Batch
from server.telemetry.journal import JournalEntry
from server.uplink.addressee import Addressee

# Our choice: a fraction of what a person feels, and long enough for some dozens of packets.
TURN_S = 0.01

NOT_JUDGED = "the flight can no longer be judged live"
ADVICE = (
    "Everything else goes on. The recording is whole, and is judged when it is opened; blockhouse.log may have the cause."
)


class Shown:
    """What people see: rows and journal in the store, and the alarms that stand."""

    def __init__(self, store: LiveStore, alarms: AlarmBoard, contained: Containment) -> None:
        self._store, self._alarms, self._contained = store, alarms, contained

    def take(self, output: Output) -> None:
        """Take what one record led to, table by table."""
        for name, rows in output.rows.items():
            self._contained.do(f"{name} could not be shown", partial(self._store.add_rows, name, rows))
        self.take_entries(output.entries)

    def take_entries(self, entries: list[JournalEntry]) -> None:
        """Take journal entries."""
        self._contained.do("the list of events could not be shown", lambda: self._store.add_entries(entries))
        self._contained.do("alarms could not be counted", lambda: self._alarms.take(entries))


class QueueTeller:
    """Tells the command queue what was heard."""

    def __init__(
        self,
        dictionary: Dictionary,
        link: Link,
        executor: CommandExecutor,
        addressee: Addressee,
        watch: LinkWatch,
        on_link: Callable[[LinkState | None], None],
        contained: Containment,
        lag_s: Callable[[], float | None],
    ) -> None:
        """`lag_s` tells how old what was heard last was when it came, None when nobody follows it any more."""
        self._dictionary, self._link = dictionary, link
        self._lag_s = lag_s
        self._ask = executor.ask
        self._addressee = addressee
        self._watch, self._on_link = watch, on_link
        self._contained = contained

    def tell(self, rx_s: float, output: Output) -> None:
        """Tell what one piece of received bytes led to."""
        # What comes out of order is old news: it does not make a vehicle that has gone silent heard.
        if output.batch is not None and any(not rows.late.all() for rows in output.batch.rows.values()):
            lag_s = self._lag_s() or 0.0
            self._or_disarm(
                "the command queue could not be told of the link", lambda: self._on_link(self._watch.on_packet(rx_s, lag_s))
            )
            self._or_disarm(
                "the command queue could not be told of the lag",
                lambda: self._ask(lambda queue, now_s: queue.on_lag(lag_s, now_s)),
            )
        restarted = any(e.topic == "restart" and e.text for e in output.entries)
        boot_id = self._link.boot_id
        self._or_disarm(
            "the command queue could not be told of the vehicle's start",
            lambda: self._ask(lambda queue, now_s: queue.on_boot_id(boot_id, now_s, restarted)),
        )
        if output.batch is not None:
            self._or_disarm(
                "the command queue could not be told who is heard", partial(self._take_identity, output.batch, restarted)
            )
        answers: list[CommandAnswer] = []
        self._contained.do(
            "the vehicle's answers could not be read", lambda: answers.extend(answers_in(self._dictionary, output))
        )
        for answer in answers:
            self._contained.do("the command queue could not be told of an answer", partial(self._tell_answer, answer))
        if output.rows:
            self._contained.do(
                "the command queue could not be told of telemetry",
                lambda: self._ask(lambda queue, now_s: queue.on_telemetry(now_s)),
            )

    def _take_identity(self, batch: Batch, restarted: bool) -> None:
        """Tell who is heard: the identity packet says it on wire version 2, the start-up packet part of it on version 1."""
        for heard in batch.identities:
            self._hear_identity(Identity.of(heard.values), heard.time_ms % TIME_MODULUS_MS)
        channel = self._dictionary.roles.get(HASH_ROLE)
        if self._dictionary.is_bound or channel is None:
            return
        if restarted:
            self._addressee.on_hash(None)
        rows = batch.rows.get(channel.packet)
        if rows is not None:
            self._addressee.on_hash(int(rows.numbers(channel.name)[-1]))

    def _hear_identity(self, said: Identity, vehicle_ms: int) -> None:
        self._ask(lambda queue, now_s: queue.on_identity(said, vehicle_ms, now_s))

    def _tell_answer(self, answer: CommandAnswer) -> None:
        self._ask(lambda queue, now_s: queue.on_answer(*answer[:4], now_s, answer.code))

    def _or_disarm(self, lost: str, work: Callable[[], object]) -> None:
        if not self._contained.do(lost, work):
            self._contained.do(
                "the command queue could not be disarmed",
                lambda: self._ask(lambda queue, now_s: queue.disarm(lost, now_s)),
            )


class RecordFlow:
    """Takes everything that waits through pipeline, store and command queue, in order; viewers are told last."""

    def __init__(
        self,
        gate: RecordGate,
        pipeline: Pipeline,
        judge: JudgeThread,
        shown: Shown,
        queue: QueueTeller,
        notes: NoteWriter,
        contained: Containment,
        on_change: Callable[[], None],
        seconds: Callable[[], float],
        now_s: Callable[[], float],
    ) -> None:
        """`seconds` is the clock that turns are measured by: the thread's own, so that a busy machine does not make turns of
        one record each, which would never catch up.
        """
        self._gate, self._pipeline, self._judge = gate, pipeline, judge
        self._shown, self._queue = shown, queue
        self._notes, self._contained = notes, contained
        self._on_change = on_change
        self._seconds, self._now_s = seconds, now_s
        self._has_given_up = False
        self._drained: deque[Record] = deque()  # what waits longer stays behind the gate, which bounds it

    @property
    def is_behind(self) -> bool:
        """Whether more waits than one turn took."""
        return bool(self._drained)

    def process(self) -> None:
        """Take all that waits, and then what was judged meanwhile."""
        self._turn(inf)

    def process_some(self) -> bool:
        """Take what waits for one turn; return whether more waits."""
        return self._turn(TURN_S)

    def _turn(self, longest_s: float) -> bool:
        end_s, has_news = self._seconds() + longest_s, False
        while record := self._next():
            self._contained.do("what was received could not be computed", partial(self._take, record))
            has_news = True
            if self._seconds() >= end_s:
                break
        for told in self._judge.take():
            self._shown.take_entries(told_by(told))
            has_news = True
        if has_news:
            self._contained.do("the pages could not be told of news", self._on_change)
        if self._judge.has_given_up and not self._has_given_up:
            self._has_given_up = True
            self._contained.tell(NOT_JUDGED, TimeoutError("too much waits to be judged"))
        return self.is_behind

    def _next(self) -> Record | None:
        if not self._drained:
            self._drained.extend(self._gate.drain())
        return self._drained.popleft() if self._drained else None

    def _take(self, record: Record) -> None:
        output = self._pipeline.take(record)
        self._shown.take(output)
        if record.kind == Kind.RECEIVED:
            self._queue.tell(self._pipeline.rx_s(record.mono_ns), output)

    def look_at_judging(self) -> None:
        """Let time pass: an alarm tells when judging stands still."""
        progress = self._judge.look(self._now_s())
        if progress is Progress.STANDS_STILL:
            body = {"state": "raised", "advice": ADVICE}
            self._notes.alarm(
                "judging", "caution", "judging the flight stands still: figures and findings are missing", body
            )
        elif progress is Progress.GOES_ON:
            self._notes.alarm("judging", "info", "judging the flight goes on", {"state": "cleared"})
