"""The live station: port, recorder, pipeline, command queue and store, joined. Everything here runs in the event loop.

The order is fixed: what arrives is numbered and recorded by the intake; then `record_flow` takes it through the pipeline and
the store to the command queue (answers, effects), and tells the viewers last. Judgements are made in a thread beside it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar, TypeVarTuple

from protocol.dictionary import Dictionary
from protocol.link import Link
from server.analysis.alarms import AlarmBoard
from server.analysis.pipeline import Pipeline
from server.bridge.link_watch import LinkState, LinkWatch
from server.bridge.serial_bridge import PortState, SerialBridge
from server.design.sheet_numbers import sheet_numbers_of
from server.live.acts import Acts
from server.live.clock_watch import ClockWatch
from server.live.command_executor import CommandExecutor
from server.live.containment import Containment
from server.live.heard import Heard, recording_view
from server.live.judge_thread import JudgeThread
from server.live.link_notes import DeafNotes, LinkNotes
from server.live.listeners import NOBODY, Listeners
from server.live.note_writer import NoteWriter
from server.live.record_flow import QueueTeller, RecordFlow, Shown
from server.live.record_gate import RecordGate
from server.live.standing import Standing, TaskAlarm, each_in_turn
from server.live.store import LiveStore
from server.live.take_up import take_up_earlier_parts
from server.live.trip_desk import TripDesk
from server.recording.clock import Clock
from server.recording.recorder import Recorder
from server.recording.recorder_state import RecorderState
from server.recording.records import Kind
from server.recording.segment import base_name
from server.telemetry.conditions import Check, Reading
from server.telemetry.tables import table_specs
from server.timestamps import NS_PER_S
from server.uplink.addressee import Addressee
from server.uplink.authority import Authority
from server.uplink.command_entry import CommandView, Reply
from server.uplink.command_queue import CommandQueue, blind_safe_all
from server.uplink.counter_store import CounterStore
from server.uplink.permits import PermitView

# Our choice: well below the shortest time that is counted here, the 0.3 s before a second act, so that nothing is noticed
# late by more than a small part of what it is allowed.
TICK_S = 0.05
# Our choice: a disk that hangs must not keep the program from ending.
CLOSED_WITHIN_S = 1.5

_log = logging.getLogger(__name__)

Answer = TypeVar("Answer")
Told = TypeVarTuple("Told")
MakeRecorder = Callable[[Callable[[RecorderState], None]], Recorder]


class Station:
    """One live session."""

    def __init__(
        self,
        *,
        dictionary: Dictionary,
        key: bytes,
        counters: CounterStore,
        url: str,
        baud: int,
        clock: Clock,
        make_recorder: MakeRecorder,
        mode: str,
        two_person: bool = False,
        allow_unbound: bool = False,
        listeners: Listeners = NOBODY,
    ) -> None:
        """`make_recorder` gets whom to tell of the recording's state; all else as the names say.

        `allow_unbound`: routine commands may go to a vehicle whose commands are bound to nothing. A session that cannot be
        taken up is closed, and another begun.
        """
        self.two_person = two_person
        self.seats: dict[str, str] = {}  # operator's page -> the person's seat (token) it signed in with
        self.dictionary = dictionary
        self.mode = mode
        self.clock = clock
        self._listeners = listeners
        self._loop = asyncio.get_running_loop()
        self.watch = LinkWatch(url)
        self._not_taken_up = ""
        self._open_session(key, make_recorder)
        try:
            earlier = take_up_earlier_parts(self.recorder, self.pipeline, self.store, self.alarms)
        except Exception as error:
            name, why = self.recorder.state.path.name, type(error).__name__
            self._not_taken_up = f"what {name} goes on with could not be taken up ({why}): this is a new session"
            _log.exception("%s", self._not_taken_up)
            self.recorder.close(CLOSED_WITHIN_S)  # what is closed is not gone on with
            self._open_session(key, make_recorder)
            earlier = take_up_earlier_parts(self.recorder, self.pipeline, self.store, self.alarms)
        self._earlier = earlier
        self._heard = Heard(self.watch, self.pipeline, self.store)
        self.intake = RecordGate(self.recorder, self._wake)
        self.notes = NoteWriter(self.intake, clock)
        self._link_notes = LinkNotes(self.notes, url, blind_safe_all(dictionary))
        self._clocks = ClockWatch(clock)
        self.bridge = SerialBridge(
            url,
            baud,
            monotonic_ns=clock.monotonic_ns,
            on_chunk=self._on_chunk,
            on_port=self._on_port,
            on_fault=self._on_port_fault,
        )
        self.addressee = Addressee(dictionary, key)
        self.addressee.allows_unbound = allow_unbound and not dictionary.is_bound
        self._deaf_notes = DeafNotes(self.notes, self.addressee)
        self._executor = CommandExecutor(
            CommandQueue(
                dictionary, self._heard, self.addressee, earlier.last_id + 1, two_person=two_person, seat_of=self.seats.get
            ),
            link=self.link,
            addressee=self.addressee,
            counters=counters,
            recorder=self.recorder,
            gate=self.intake,
            bridge=self.bridge,
            notes=self.notes,
            readings=self._heard,
            clock=clock,
            now_s=self.now_s,
            look_at_clocks=self._look_at_clocks,
            catch_up=self.process,
        )
        safing = frozenset(name for name, command in dictionary.commands.items() if command.safes_all)
        self._acts = Acts(self._executor, self.notes, self.alarms, self.now_s, listeners.on_authority, earlier.marks, safing)
        contained = Containment(self.notes)
        self.judge = JudgeThread(self.pipeline.judging, lambda: self._in_loop(self._process_some))
        self.pipeline.judge_elsewhere(self.judge.put)
        self._flow = RecordFlow(
            self.intake,
            self.pipeline,
            self.judge,
            Shown(self.store, self.alarms, contained),
            QueueTeller(
                dictionary,
                self.link,
                self._executor,
                self.addressee,
                self.watch,
                self._link_became,
                contained,
                lambda: self.pipeline.analysis.lag_s,
            ),
            self.notes,
            contained,
            listeners.on_change,
            time.thread_time,
            self.now_s,
        )
        self.trips = TripDesk(self._executor.ask)
        self._ticker = Standing("tick", "the station's tick", self._tick_forever, self.notes, last_delay_s=TICK_S)
        self._port_alarm = TaskAlarm("port", "the port's thread", self.notes)
        self._closing = False

    def _open_session(self, key: bytes, make_recorder: MakeRecorder) -> None:
        """Begin to record, with nothing taken up yet."""
        self.recorder = make_recorder(self._on_recorder_state)
        self.header = self.recorder.header
        self.origin_ns = self.header.origin_monotonic_ns
        self.link = Link(self.dictionary, key)
        self.pipeline = Pipeline(self.dictionary, self.origin_ns, sheet_numbers_of(*self.header.sheets), self.link)
        self.store = LiveStore(table_specs(self.dictionary))
        self.alarms = AlarmBoard()

    # ------------------------------------------------------------ life

    async def start(self) -> None:
        """Open the port and begin."""
        self.notes.recording(self.recorder.state)
        if self._not_taken_up:
            self.notes.put(Kind.NOTE, "take_up", "warning", self._not_taken_up, {})
        for body in self._earlier.left_open:
            self.notes.left_open(body, may_have_left=body.get("id") in self._earlier.begun)
        await self._executor.reserve()
        self._ticker.start()
        self.bridge.start()

    async def stop(self) -> Path:
        """Disarm, close the port, close the recording; return the path of the session file."""
        self._ticker.cancel()
        self._port_alarm.end()
        self._closing = True
        self.ask(lambda queue, now_s: queue.disarm("the station is closing", now_s, also_safe_all=True))
        await asyncio.to_thread(self.bridge.stop)
        self.process()
        await asyncio.to_thread(self.judge.end)
        self.process()
        await self._executor.settled()
        self._executor.end()
        return await asyncio.to_thread(self.recorder.close, CLOSED_WITHIN_S)

    def now_s(self) -> float:
        """Return the present session second."""
        return (self.clock.monotonic_ns() - self.origin_ns) / NS_PER_S

    @property
    def name(self) -> str:
        """The session's name."""
        return base_name(self.recorder.state.path)

    # ------------------------------------------------------------ what the pages ask

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Return the latest value of a role, as `Heard.reading`."""
        return self._heard.reading(role, now_s)

    def recording_state(self) -> dict[str, object]:
        """Return the recorder's state as the page shows it."""
        return recording_view(self.recorder.state, self.clock.monotonic_ns())

    def link_state(self) -> dict[str, object]:
        """Return the downlink's state and totals as the page shows them."""
        return self._heard.link_view(self.now_s()) | {"round_trip_s": self.ask(lambda queue, _: queue.trips.trip_s)}

    # ------------------------------------------------------------ the command queue

    def ask(self, call: Callable[[CommandQueue, float], Answer], note: Callable[[Answer], None] | None = None) -> Answer:
        """Call the command queue and carry out what it wants done: the only way to it. `note` as for the executor."""
        return self._executor.ask(call, note)

    def command(self, id: str) -> CommandView | None:
        """Return how one command looks now, or None when it is not (or no longer) known."""
        return self.ask(lambda queue, _: queue.view(id))

    def commands(self) -> list[CommandView]:
        """Return how all commands look now, oldest first."""
        return self.ask(lambda queue, _: queue.views())

    def permit(self, id: str) -> PermitView | None:
        """Return how the permit of a plan looks now, or None when there is none of that number."""
        return self.ask(lambda queue, _: queue.permits.view(id))

    def checks(self, command: str, args: Mapping[str, float]) -> list[Check]:
        """Look at every interlock of a command as of now."""
        if self.dictionary.commands[command].hazard != "routine":
            self.trips.want()
        return self.ask(lambda queue, now_s: queue.checks(command, args, now_s))

    # ------------------------------------------------------------ acts of a person

    @property
    def authority(self) -> Authority:
        """Who may command."""
        return self._acts.authority

    def act(self, operator: str, kind: str, request: Mapping[str, object]) -> Reply:
        """Carry out one act of a signed-in operator; it is recorded, whatever comes of it."""
        if self._acts.is_safe_all(kind, request):
            try:
                self._look_at_clocks()
            except Exception:
                _log.exception("before Safe all the clocks could not be looked at")
            return self._acts.do(operator, kind, request)
        self.before_act()
        if kind == "arm":
            self.trips.want()
        reply = self._acts.do(operator, kind, request)
        if kind == "confirm" and reply.ok:
            self.trips.enough()
        return reply

    def before_act(self) -> None:
        """Look at the clocks and at all that was heard: an act must not find what has ended. Safe all waits for neither."""
        self._look_at_clocks()
        self.process()

    def mark(self, operator: str, text: str) -> Reply:
        """Put a mark into the session; nothing is transmitted."""
        return self._acts.mark(operator, text)

    def acknowledge(self, operator: str, wanted: object) -> Reply:
        """A person has seen these alarms, each named by key and `raised_rx` as the page showed it."""
        self.process()
        return self._acts.acknowledge(operator, wanted)

    def sign_in(self, operator: str, seat: str = "1") -> None:
        """An operator's page arrived, signed in at a person's seat."""
        self.seats[operator] = seat
        self._acts.sign_in(operator)

    def leave(self, operator: str) -> None:
        """An operator's page closed."""
        self.seats.pop(operator, None)
        self._acts.leave(operator)

    # ------------------------------------------------------------ from the threads

    def _wake(self) -> None:
        self._loop.call_soon_threadsafe(self._process_some)

    def _on_chunk(self, mono_ns: int, chunk: bytes) -> None:
        self.intake.put(Kind.RECEIVED, mono_ns, chunk)

    def _on_port(self, state: PortState) -> None:
        self._in_loop(self._port_changed, state)

    def _on_port_fault(self, error: Exception) -> None:
        self._in_loop(self._port_thread_fell, error)

    def _on_recorder_state(self, state: RecorderState) -> None:
        self._in_loop(self._recorder_changed, state)

    def _in_loop(self, call: Callable[[*Told], None], *told: *Told) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended: the station is gone, only the thread says goodbye
            self._loop.call_soon_threadsafe(call, *told)

    def _port_thread_fell(self, error: Exception) -> None:
        self._port_alarm.fell(error)
        self._port_alarm.begins()

    def _recorder_changed(self, state: RecorderState) -> None:
        if base_name(state.path) != self.name:
            return  # of the session that could not be taken up
        _log.log(logging.INFO if state.state != "stopped" else logging.WARNING, "%s", state.sentence)
        self.notes.recording(state)

    def _port_changed(self, state: PortState) -> None:
        self._link_became(self.watch.on_port(state.state, state.sentence))

    # ------------------------------------------------------------ the fixed order

    def process(self) -> None:
        """Take everything that waits through pipeline, store and queue, in order."""
        self._flow.process()

    def _process_some(self) -> None:
        if self._flow.process_some():
            self._loop.call_soon(self._process_some)

    def _link_became(self, state: LinkState | None) -> None:
        """Tell the command queue first: what disarms must not depend on anybody who only listens."""
        if state is None:
            return
        self.ask(
            lambda queue, now_s: queue.on_link(state.state == "up", now_s),
            note=lambda _: self._link_notes.write(state, self.watch.heard, self._closing),
        )
        if self._closing:
            return
        try:
            self._listeners.on_link(state)
        except Exception:
            _log.exception("the link's state could not be told")

    # ------------------------------------------------------------ time

    async def _tick_forever(self) -> None:
        """Let time pass for all it matters to."""
        while True:
            await asyncio.sleep(TICK_S)
            each_in_turn(
                self._look_at_clocks,
                self._look_at_link,
                self._acts.tick,
                self._look_at_queue,
                self._deaf_notes.look,
                self._flow.look_at_judging,
                self.trips.look,
            )

    def _look_at_link(self) -> None:
        if not self._flow.is_behind:  # what waits was heard, though nobody has looked at it yet
            self._link_became(self.watch.tick(self.now_s()))

    def _look_at_queue(self) -> None:
        self.ask(lambda queue, now_s: queue.tick(now_s))
        self._executor.keep_spares()

    def _look_at_clocks(self) -> None:
        """A machine that slept must not wake up armed, and a stepped wall clock is noted (nothing depends on it)."""
        jumps = self._clocks.look()
        slept_s, stepped_s = jumps.slept_s, jumps.stepped_s
        if slept_s is not None:
            text, body = f"the computer slept for {slept_s:.0f} s", {"slept_s": slept_s}
            self.ask(
                lambda queue, now_s: queue.disarm("the computer slept", now_s),
                note=lambda _: self.notes.put(Kind.CLOCK, "sleep", "warning", text, body),
            )
        if stepped_s is not None:
            text = f"the wall clock was set by {stepped_s:+.1f} s"
            self.notes.put(Kind.CLOCK, "wall", "info", text, {"stepped_s": stepped_s})
