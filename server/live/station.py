"""The live station: port, recorder, pipeline, command queue and store, joined. Everything here runs in the event loop.

The order is fixed: what arrives is numbered and recorded by the intake, then decoded and computed by the pipeline, then
shown to the command queue (answers, effects), then stored for the viewers, who are told last.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from math import isfinite
from pathlib import Path

from protocol.dictionary import Dictionary
from protocol.errors import OurMistake
from protocol.link import Link
from server.analysis.alarms import TOPIC as ACKNOWLEDGED
from server.analysis.alarms import AlarmBoard
from server.analysis.pipeline import Output, Pipeline
from server.bridge.link_watch import LinkState, LinkWatch
from server.bridge.serial_bridge import PortState, SerialBridge
from server.design.sheet_numbers import sheet_numbers_of
from server.live.record_gate import RecordGate
from server.live.store import LiveStore
from server.recording.clock import Clock
from server.recording.recorder import Recorder, RecorderFailed, RecorderState
from server.recording.records import Kind, Record
from server.recording.segment import base_name
from server.recording.session_file import open_session
from server.telemetry.conditions import Reading
from server.telemetry.tables import table_specs
from server.timestamps import NS_PER_S
from server.uplink.authority import Authority
from server.uplink.command_entry import Changed, PermitChanged, Prepare, Reply, Transmit
from server.uplink.command_queue import CommandQueue
from server.uplink.command_state import STATE_TEXT, UNSENT, State
from server.uplink.counter_store import CounterStore
from server.uplink.key_names import KeyProblem
from server.uplink.permits import PermitState, PermitView

TICK_S = 0.05
PERMIT_TEXT = {
    PermitState.ARMED: "ready, waiting for confirmation",
    PermitState.OPEN: "confirmed",
    PermitState.ENDED: "ended",
}
LEFT_OPEN = UNSENT | {State.SENT, State.ACCEPTED}
SAFE_ALL_WAITS_FOR_DISK_S = 0.3
DISK_ANSWERS_WITHIN_S = 2.5
CLOCK_JUMP_S = 1.0
ALARMS_AT_ONCE = 100

_log = logging.getLogger(__name__)


class Station:
    """One live session. `on_change` is called in the event loop after anything new is in `store`."""

    def __init__(
        self,
        *,
        dictionary: Dictionary,
        key: bytes,
        counters: CounterStore,
        url: str,
        baud: int,
        clock: Clock,
        make_recorder: Callable[[Callable[[RecorderState], None]], Recorder],
        mode: str,
        two_person: bool = False,
    ) -> None:
        self.two_person = two_person
        self.seats: dict[str, str] = {}  # operator's page -> the person's seat (token) it signed in with
        self.dictionary = dictionary
        self.mode = mode
        self.clock = clock
        self.authority = Authority()
        self.on_change: Callable[[], None] = lambda: None
        self.on_authority: Callable[[], None] = lambda: None
        self.on_link: Callable[[LinkState], None] = lambda state: None
        self._loop = asyncio.get_running_loop()
        self._counters = counters
        self.recorder = make_recorder(self._on_recorder_state)
        header = self.recorder.header
        self.origin_ns = header.origin_monotonic_ns
        self.header = header
        self.link = Link(dictionary, key)
        self.pipeline = Pipeline(dictionary, self.origin_ns, sheet_numbers_of(*header.sheets), self.link)
        self.store = LiveStore(table_specs(dictionary))
        self.watch = LinkWatch(url)
        self.alarms = AlarmBoard()
        self._left_open: list[dict[str, object]] = []
        first_id = self._take_up_earlier_parts() + 1
        self.queue = CommandQueue(dictionary, self, first_id, two_person=two_person, seat_of=self.seats.get)
        self.intake = RecordGate(self.recorder, lambda: self._loop.call_soon_threadsafe(self.process))
        self.bridge = SerialBridge(
            url, baud, monotonic_ns=clock.monotonic_ns, on_chunk=self._on_chunk, on_port=self._on_port
        )
        self._suspended_ns = clock.boottime_ns() - clock.monotonic_ns()
        self._wall_ns = clock.wall_ns() - clock.monotonic_ns()
        self._ticker: asyncio.Task[None] | None = None
        self._marks = 0
        self._link_alarm = False
        self._closing = False
        self._tasks: set[asyncio.Task[None]] = set()

    def _take_up_earlier_parts(self) -> int:
        """After a crash: show what the session held before, and note which commands it left open.

        Returns the greatest command number used so far.
        """
        if self.header.part == 1:
            return 0
        session = open_session(self.recorder.state.path)
        output = self.pipeline.take_up(session.records)
        self.store.add(output.rows, output.entries)
        self.alarms.take(output.entries)
        self._marks = sum(entry.topic == "mark" for entry in output.entries)
        views = {entry.key: dict(entry.body) for entry in output.entries if entry.topic == "command"}
        self._left_open = [view for view in views.values() if view.get("state") in LEFT_OPEN]
        return max((int(key[1:]) for key in views if key[1:].isdigit()), default=0)

    def _close_left_open(self) -> None:
        """Nothing is sent again after a restart: what had not left is abandoned, what had is unknown."""
        for view in self._left_open:
            state = State.ABANDONED if view.get("state") in UNSENT else State.UNKNOWN
            text = f"{STATE_TEXT[state]}: the station was restarted"
            closed = {**view, "state": state.value, "state_text": text, "expires_rx": None, "earliest_confirm_rx": None}
            self._note_outcome(closed)
        self._left_open = []

    # ------------------------------------------------------------ life

    async def start(self) -> None:
        """Open the port and begin."""
        state = self.recorder.state
        self._note(
            Kind.LINK, "recording", "info", "", {"state": state.state, "sentence": state.sentence, "file": state.path.name}
        )
        self._close_left_open()
        with suppress(KeyProblem, TimeoutError):  # without spares only safe all on a dead disk is poorer
            await asyncio.wait_for(asyncio.to_thread(self._counters.reserve), DISK_ANSWERS_WITHIN_S)
        self._ticker = asyncio.create_task(self._tick_forever())
        self.bridge.start()

    async def stop(self) -> Path:
        """Disarm, close the port, close the recording; return the path of the session file."""
        if self._ticker is not None:
            self._ticker.cancel()
        self._closing = True
        self.queue.disarm("the station is closing", self.now_s(), also_safe_all=True)
        self._carry_out()
        await asyncio.to_thread(self.bridge.stop)
        self.process()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        return await asyncio.to_thread(self.recorder.close, 1.5)

    def now_s(self) -> float:
        """Return the present session second."""
        return (self.clock.monotonic_ns() - self.origin_ns) / NS_PER_S

    @property
    def name(self) -> str:
        """The session's name."""
        return base_name(self.recorder.state.path)

    # ------------------------------------------------------------ what the command queue and the pages ask

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Return the latest value of a role; ground roles of the link are computed for this moment."""
        if role == "ground.link_age":
            age = self.watch.age_s(now_s)
            return None if age is None else Reading(age, now_s)
        if role == "ground.link_loss":
            return Reading(self.pipeline.analysis.link.loss_at(int(now_s)), now_s)
        last = self.store.latest(role)
        return None if last is None else Reading(*last)

    def recording_state(self) -> dict[str, object]:
        """Return the recorder's state as the page shows it."""
        state = self.recorder.state
        return {
            "state": state.state,
            "sentence": state.sentence,
            "bytes": state.bytes_written,
            "synced_age_s": (self.clock.monotonic_ns() - state.synced_ns) / NS_PER_S,
            "file": state.path.name,
        }

    def link_state(self) -> dict[str, object]:
        """Return the downlink's state and totals as the page shows them."""
        link = self.pipeline.analysis.link
        return {
            "state": self.watch.now.state,
            "sentence": self.watch.now.sentence,
            "age_s": self.watch.age_s(self.now_s()),
            "packets": link.received,
            "damaged": link.damaged,
            "lost": link.lost,
        }

    # ------------------------------------------------------------ acts of a person

    def act(self, operator: str, kind: str, request: Mapping[str, object]) -> Reply:
        """Carry out one act of a signed-in operator; it is recorded, whatever comes of it."""
        self._look_at_clocks()  # an act before the next tick must not find what a sleep has ended
        now_s = self.now_s()
        command, args, id = _text(request.get("command")), _arguments(request.get("args")), _text(request.get("id"))
        if kind == "send":
            reply = self.queue.submit(command, args, operator, now_s)
        elif kind == "arm":
            reply = self.queue.arm(command, args, operator, now_s)
        elif kind == "confirm":
            reply = self.queue.confirm(id, command, args, operator, now_s)
        elif kind == "cancel":
            reply = self.queue.cancel(id, operator, now_s)
        elif kind == "safe_all":
            reply = self.queue.safe_all(operator, now_s)
        else:
            reply = self._authority_act(operator, kind, _text(request.get("to")), now_s)
        body = {
            "act": kind,
            "operator": operator,
            "command": command,
            "args": args,
            "id": id,
            "ok": reply.ok,
            "sentence": reply.sentence,
        }
        text = "" if reply.ok else f"{operator}: {kind} {command} refused: {reply.sentence}"
        self._note(Kind.ACT, operator, "info" if reply.ok else "caution", text, body)
        self._carry_out()
        return reply

    def _authority_act(self, operator: str, kind: str, to: str, now_s: float) -> Reply:
        if kind == "take":
            self._authority_changed(self.authority.take(operator, now_s), f"{operator} took command authority")
            holds = self.authority.holder == operator
            return Reply(holds, "you hold command authority" if holds else "you are not signed in")
        if kind == "release":
            self._authority_changed(self.authority.release(operator), f"{operator} handed command authority back")
            return Reply(True, "you no longer hold command authority")
        if kind == "give":
            given = self.authority.give(operator, to)
            self._authority_changed(given, f"{operator} handed command authority over to {to}")
            return Reply(given, f"{to} holds command authority" if given else f"{to or 'nobody'} cannot be given it")
        return Reply(False, f"there is no act '{kind}'")

    def before_act(self) -> float:
        """Look at the clocks, as before every act, and return the present session second."""
        self._look_at_clocks()
        return self.now_s()

    def mark(self, operator: str, text: str) -> Reply:
        """Put a mark into the session; nothing is transmitted."""
        self._marks += 1
        self._note(Kind.MARK, f"m{self._marks}", "info", text[:200] or "mark", {"operator": operator})
        return Reply(True, "marked")

    def acknowledge(self, operator: str, wanted: object) -> Reply:
        """A person has seen these alarms; `wanted` holds key and `raised_rx` of each as the page showed it.

        One that was raised anew or became worse meanwhile has not been seen, and is not acknowledged.
        """
        self.process()
        listed = [one for one in wanted[:ALARMS_AT_ONCE] if isinstance(one, Mapping)] if isinstance(wanted, list) else []
        seen = self.alarms.to_acknowledge(listed)
        for entry in seen:
            body = {"operator": operator, "raised_rx": entry.rx_s, "severity": entry.severity}
            self.note(ACKNOWLEDGED, entry.key, "info", f"{operator} has seen: {entry.text}", body)
        return Reply(bool(seen), "seen" if seen else "no such alarm stands any more, or it was raised anew: look again")

    def sign_in(self, operator: str, seat: str = "1") -> None:
        """An operator's page arrived, signed in at a person's seat."""
        self.seats[operator] = seat
        self._authority_changed(self.authority.sign_in(operator, self.now_s()), f"{operator} holds command authority")

    def leave(self, operator: str) -> None:
        """An operator's page closed."""
        self.seats.pop(operator, None)
        self._authority_changed(self.authority.leave(operator), f"{operator}'s page closed: nobody holds command authority")

    def _authority_changed(self, changed: bool, text: str) -> None:
        if not changed:
            return
        now_s = self.now_s()
        self.queue.on_holder(self.authority.holder, now_s)
        self._note(Kind.LINK, "authority", "info", text, {"holder": self.authority.holder})
        self._carry_out()
        self.on_authority()

    # ------------------------------------------------------------ from the threads

    def _on_chunk(self, mono_ns: int, chunk: bytes) -> None:
        self.intake.put(Kind.RECEIVED, mono_ns, chunk)

    def _on_port(self, state: PortState) -> None:
        try:
            self._loop.call_soon_threadsafe(self._port_changed, state)
        except RuntimeError:
            return  # the loop has already ended: the station is gone, only the thread says goodbye

    def _on_recorder_state(self, state: RecorderState) -> None:
        try:
            self._loop.call_soon_threadsafe(self._recorder_changed, state)
        except RuntimeError:
            return

    def _recorder_changed(self, state: RecorderState) -> None:
        severity = "info" if state.state == "recording" else "warning"
        _log.log(logging.INFO if state.state != "stopped" else logging.WARNING, "%s", state.sentence)
        text = "" if state.state == "recording" else state.sentence
        body = {"state": state.state, "sentence": state.sentence, "file": state.path.name}
        self._note(Kind.LINK, "recording", severity, text, body)

    def _port_changed(self, state: PortState) -> None:
        self._link_became(self.watch.on_port(state.state, state.sentence))

    # ------------------------------------------------------------ the fixed order

    def process(self) -> None:
        """Take everything that waits through pipeline, queue and store, in order."""
        records = self.intake.drain()
        for record in records:
            output = self.pipeline.take(record)
            self.store.add(output.rows, output.entries)
            self.alarms.take(output.entries)
            if record.kind == Kind.RECEIVED:
                self._after_bytes(record, output)
        if records:
            self._carry_out()
            self.on_change()

    def _after_bytes(self, record: Record, output: Output) -> None:
        rx_s = self.pipeline.rx_s(record.mono_ns)
        if output.batch is not None and output.batch.rows:
            self._link_became(self.watch.on_packet(rx_s))
        restarted = any(e.topic == "restart" and e.text for e in output.entries)
        if restarted or self.link.boot_id != self.queue.boot_id:
            self.queue.on_boot_id(self.link.boot_id, self.now_s(), restarted)
        self._take_answers(output)
        if output.rows:
            self.queue.on_telemetry(self.now_s())

    def _take_answers(self, output: Output) -> None:
        roles = self.dictionary.roles
        names = ("boot_id", "counter", "stage", "reason")
        channels = [roles.get(f"answer.{name}") for name in names]
        if any(channel is None for channel in channels):
            return
        rows = output.rows.get(channels[0].packet)
        if rows is None:
            return
        for boot_id, counter, stage, reason in zip(*[rows.columns[c.name].tolist() for c in channels], strict=True):
            stage_text, reason_text = channels[2].text_of(stage), channels[3].text_of(reason) or f"reason {reason:g}"
            if stage_text is not None:
                self.queue.on_answer(int(boot_id), int(counter), stage_text, reason_text, self.now_s())

    def _link_became(self, state: LinkState | None) -> None:
        if state is None:
            return
        severity = "info" if state.state in ("up", "waiting") else "caution"
        body = {"state": state.state, "sentence": state.sentence, "port": self.bridge.url}
        self._note(Kind.LINK, "port", severity, state.sentence, body)
        self._note_link_alarm(state)
        if not self._closing:
            self.on_link(state)
        self.queue.on_link(state.state == "up", self.now_s())
        self._carry_out()

    def _note_link_alarm(self, state: LinkState) -> None:
        """A vehicle that was heard and is not any more is an alarm until it is heard again."""
        if state.state == "up" and self._link_alarm:
            self._link_alarm = False
            body = {"state": "cleared"}
            self._note(Kind.ALARM, "link lost", "info", "the vehicle is heard again", body)
        elif state.state not in ("up", "waiting") and self.watch.heard and not self._link_alarm and not self._closing:
            self._link_alarm = True
            advice = "Check radio, cable and antenna; treat every channel as armed."
            body = {"state": "raised", "advice": advice}
            self._note(Kind.ALARM, "link lost", "warning", f"link lost: {state.sentence}", body)

    def note(self, topic: str, key: str, severity: str, text: str, body: Mapping[str, object]) -> None:
        """Put a note under a topic of its own into the session; `pipeline.OWN_TOPICS` lists the topics there are."""
        note = {"topic": topic, "key": key, "severity": severity, "text": text, "body": dict(body)}
        self.intake.put(Kind.NOTE, self.clock.monotonic_ns(), note)

    def _note(self, kind: Kind, key: str, severity: str, text: str, body: Mapping[str, object]) -> None:
        topic = {"recording": "recording", "authority": "authority"}.get(key) if kind is Kind.LINK else None
        note: dict[str, object] = {"key": key, "severity": severity, "text": text, "body": dict(body)}
        if topic:
            note["topic"] = topic
        self.intake.put(kind, self.clock.monotonic_ns(), note)

    def _note_outcome(self, body: Mapping[str, object]) -> None:
        text = f"{body['title']} {body['args_text']}".rstrip() + f": {body['state_text']}"
        severity = "warning" if body["state"] in ("unknown", "failed") else "info"
        self._note(Kind.OUTCOME, str(body["id"]), severity, text, body)

    def _note_permit(self, view: PermitView) -> None:
        why = f": {view.reason}" if view.reason else ""
        self.note("permit", view.id, "info", f"{view.title} {PERMIT_TEXT[view.state]}{why}", view.as_dict())

    # ------------------------------------------------------------ the queue's actions

    def _carry_out(self) -> None:
        for action in self.queue.take_actions():
            if isinstance(action, Changed):
                self._note_outcome(action.view.as_dict())
            elif isinstance(action, PermitChanged):
                self._note_permit(action.view)
            elif isinstance(action, Prepare):
                task = asyncio.create_task(self._prepare(action))
                self._tasks.add(task)
                task.add_done_callback(self._tasks.discard)
            else:
                self._transmit(action)

    async def _prepare(self, action: Prepare) -> None:
        """Counter, frame, durable intent: in this order, and only then may bytes leave."""
        try:
            counter = await self._take_counter(action.must_be_durable)
            frame = self.link.send(action.command, action.args, counter)
            intent = {**action.intent, "counter": counter, "frame": frame.hex()}
            await asyncio.to_thread(self._record_intent, intent, action.must_be_durable)
        except (KeyProblem, OurMistake, RecorderFailed) as error:
            self.queue.on_prepare_failed(action.id, str(error), self.now_s())
        else:
            self._look_at_clocks()  # the machine may have slept while the disk was waited for
            self.queue.on_prepared(action.id, counter, frame, self.now_s())
        self._carry_out()

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
        reading = self.reading("uplink.last_counter", self.now_s())
        return int(reading.value) if reading is not None and isfinite(reading.value) else 0

    def _record_intent(self, intent: Mapping[str, object], must_be_durable: bool) -> None:
        timeout_s = DISK_ANSWERS_WITHIN_S if must_be_durable else SAFE_ALL_WAITS_FOR_DISK_S
        try:
            self.recorder.append_synced(Kind.INTENT, self.clock.monotonic_ns(), intent, timeout_s)
        except RecorderFailed:
            if must_be_durable:
                raise

    def _transmit(self, action: Transmit) -> None:
        def on_done(problem: str | None) -> None:
            if problem is None:
                self.intake.put(Kind.SENT, self.clock.monotonic_ns(), action.frame)
            self._loop.call_soon_threadsafe(self._written, action.id, problem)

        self.bridge.send(action.frame, on_done, urgent=action.urgent)

    def _written(self, id: str, problem: str | None) -> None:
        self.queue.on_written(id, problem, self.now_s())
        self._carry_out()

    # ------------------------------------------------------------ time

    async def _tick_forever(self) -> None:
        while True:
            await asyncio.sleep(TICK_S)
            self._look_at_clocks()
            now_s = self.now_s()
            self._link_became(self.watch.tick(now_s))
            self._authority_changed(
                self.authority.tick(now_s), "the operator's page went silent: nobody holds command authority"
            )
            self.queue.tick(now_s)
            self._carry_out()

    def _look_at_clocks(self) -> None:
        """A machine that slept must not wake up armed, and a stepped wall clock is noted (nothing depends on it)."""
        monotonic_ns = self.clock.monotonic_ns()
        slept_s = (self.clock.boottime_ns() - monotonic_ns - self._suspended_ns) / NS_PER_S
        stepped_s = (self.clock.wall_ns() - monotonic_ns - self._wall_ns) / NS_PER_S
        if slept_s > CLOCK_JUMP_S:
            self._suspended_ns += round(slept_s * NS_PER_S)
            self.queue.disarm("the computer slept", self.now_s())
            self._note(Kind.CLOCK, "sleep", "warning", f"the computer slept for {slept_s:.0f} s", {"slept_s": slept_s})
        if abs(stepped_s - max(slept_s, 0.0)) > CLOCK_JUMP_S:
            self._note(Kind.CLOCK, "wall", "info", f"the wall clock was set by {stepped_s:+.1f} s", {"stepped_s": stepped_s})
        if abs(stepped_s) > CLOCK_JUMP_S:
            self._wall_ns += round(stepped_s * NS_PER_S)


def _text(value: object) -> str:
    """Return a name from a request, made fit to be recorded and shown; anything but a text is nothing."""
    return "".join(c for c in value[:40] if c.isprintable()) if isinstance(value, str) else ""


def _arguments(value: object) -> dict[str, object]:
    """Return command arguments from a request: numbers by name; all else becomes a text, which the queue refuses."""
    if value is None or value == {}:
        return {}
    if not isinstance(value, Mapping):
        return {"args": "not a table"}
    return {_text(name)[:20]: _argument(number) for name, number in list(value.items())[:16]}


def _argument(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e15:  # not NaN either
        return value
    return value[:20] if isinstance(value, str) else f"a {type(value).__name__}"
