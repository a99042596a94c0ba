"""Bench trials on a live station: for the page's Try and for `blockhouse trial` alike.

`TrialDesk` keeps the plans and at most one trial. Its two acts are those of the command queue's permit: arm the written
plan, then confirm it by another act within the short window. A plan of routine commands needs no permit, and so no
ground test; it takes the same two acts all the same. Stopping is one act of anyone who is signed in, and makes safe.

Everything is kept in the session: the acts as acts; that a plan is armed, its progress and its result as notes of the
topic "trial", so that page and replay see a trial as they see all else, in the journal.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from protocol.errors import DictionaryError
from server.live.station import Station
from server.recording.records import Kind
from server.trials.asks import Disarm, SafeAll, Send
from server.trials.plan import TrialPlan, check_cycles, parse_plan, sample_plans
from server.trials.result import TrialResult, result_of
from server.trials.score import Progress
from server.trials.state import State, TrialStanding, is_bad
from server.trials.trial import Trial
from server.uplink.command_entry import Reply
from server.uplink.command_queue import CommandQueue
from server.uplink.command_state import UNSENT
from server.uplink.command_state import State as CommandState
from server.uplink.permits import PermitState
from server.uplink.two_acts import CONFIRM_LATEST_S, FirstAct

TOPIC = "trial"
POLL_S = 0.02  # our choice: a small part of the time between two packets, so that times are measured no coarser than those
NOTE_EVERY_S = 0.25  # our choice: a person follows no faster
CLOSED_WITHIN_S = 1.0  # our choice: safe all's way there and back, without keeping the program from ending
IN_THE_WAY = UNSENT | {CommandState.SENT}
ASKED_ANEW = (CommandState.UNKNOWN, CommandState.ABANDONED, CommandState.REFUSED, CommandState.FAILED)


@dataclass
class Armed:
    """A plan of which the first act is done."""

    id: str
    plan: TrialPlan
    cycles: int
    permit: str | None
    first: FirstAct


@dataclass
class Running:
    """A trial under way and what it waits for."""

    id: str
    trial: Trial
    operator: str
    permit: str | None
    begun_s: float
    command: str | None = None
    waiting: Send | None = None  # until nobody else's command is in the way
    safing: str | None = None
    noted: Progress | None = None
    noted_s: float = -1.0


def known_plans(station: Station) -> tuple[dict[str, TrialPlan], dict[str, str]]:
    """Return the plans that come along and fit this vehicle's dictionary, and why the others do not."""
    plans, problems = {}, {}
    for name, text in sample_plans().items():
        try:
            plans[name] = parse_plan(text, station.dictionary, f"{name}.toml")
        except DictionaryError as error:
            problems[name] = str(error)
    return plans, problems


class TrialDesk:
    """The bench trials of one live station, one at a time. Everything runs in the event loop."""

    def __init__(self, station: Station, plans: Mapping[str, TrialPlan], problems: Mapping[str, str] | None = None) -> None:
        self._station = station
        self.plans, self.problems = dict(plans), dict(problems or {})
        self._armed: Armed | None = None
        self._running: Running | None = None
        self._task: asyncio.Task[TrialResult] | None = None
        self._next_id = 1 + self._close_left_open()

    # ------------------------------------------------------------ acts

    def arm(self, operator: str, name: str, cycles: int) -> Reply:
        """First act: the plan, and how often."""
        plan = self.plans.get(name)
        if plan is None:
            return self._told(operator, "arm", name, Reply(False, f"there is no trial plan '{name}'"))
        try:
            check_cycles(plan, cycles)
        except DictionaryError as error:
            return self._told(operator, "arm", name, Reply(False, error.problem))
        if self._running is not None:
            return self._told(operator, "arm", name, Reply(False, "a trial is running; stop it first"))
        self._station.before_act()
        if plan.hazard() != "routine":
            self._station.trips.want()
        first = self._station.ask(lambda queue, now_s: queue.permits.arm_routine(operator, now_s))
        if isinstance(first, str):
            return self._told(operator, "arm", name, Reply(False, first))
        if self._armed is not None:
            self.cancel(operator)
        permit = None
        if plan.hazard() != "routine":
            sends = plan.sends(cycles)
            reply = self._station.ask(lambda queue, now_s: queue.permits.arm(plan.title, sends, operator, now_s))
            permit = self._station.ask(lambda queue, _: queue.permits.get(str(reply.id)))
            if permit is None:
                return self._told(operator, "arm", name, reply)
            first = permit.first
        self._armed = Armed(f"t{self._next_id}", plan, cycles, permit.id if permit else None, first)
        self._next_id += 1
        self._note_armed(self._armed, TrialStanding.ARMED)
        said = f"{plan.title} is ready, confirm within {CONFIRM_LATEST_S:.0f} s"
        return self._told(operator, "arm", name, Reply(True, said, self._armed.id))

    def confirm(self, operator: str, id: str) -> Reply:
        """Second act: the trial begins."""
        self._station.before_act()
        armed = self._armed
        if armed is None or armed.id != id:
            none = "no trial is ready under that number; get it ready again"
            return self._told(operator, "confirm", id, Reply(False, none))
        reply = self._confirmed(armed, operator)
        if reply.ok:
            self._station.trips.enough()
            self._armed = None
            trial = Trial(self._station.dictionary, armed.plan, armed.cycles, self._station)
            self._running = Running(armed.id, trial, armed.first.operator, armed.permit, self._station.now_s())
            self._task = asyncio.create_task(self._run(self._running))
        return self._told(operator, "confirm", id, Reply(reply.ok, reply.sentence, id))

    def cancel(self, operator: str) -> Reply:
        """Take an armed plan back: nothing has been sent."""
        armed, self._armed = self._armed, None
        if armed is None:
            return Reply(False, "no trial is ready")
        permit = armed.permit
        if permit is not None:
            self._station.ask(lambda queue, now_s: queue.permits.cancel(permit, operator, now_s))
        self._note_armed(armed, TrialStanding.CANCELLED)
        return self._told(operator, "cancel", armed.id, Reply(True, "cancelled before anything was sent", armed.id))

    def stop(self, operator: str) -> Reply:
        """Stop the running trial and make safe: one act, without authority."""
        running = self._running
        if running is None:
            return self.cancel(operator)
        running.trial.stop(f"stopped by {operator}", self._station.now_s())
        self._step(running)  # safe all leaves now, not at the next look
        return self._told(operator, "stop", running.id, Reply(True, "the trial stops and makes safe", running.id))

    async def close(self) -> None:
        """The station is closing: stop a running trial and give its safe all a moment to be seen."""
        running, task = self._running, self._task
        if running is None or task is None:
            return
        running.trial.stop("the station is closing", self._station.now_s())
        self._step(running)
        done, _ = await asyncio.wait([task], timeout=CLOSED_WITHIN_S)
        if not done:  # its result is kept all the same, and says that nobody has seen the vehicle safe
            task.cancel()
            self._note_result(running)

    def _confirmed(self, armed: Armed, operator: str) -> Reply:
        permit = armed.permit
        if permit is not None:
            return self._station.ask(lambda queue, now_s: queue.permits.confirm(permit, operator, now_s))
        refused = self._station.ask(lambda queue, now_s: queue.permits.confirm_routine(armed.first, operator, now_s))
        return Reply(False, refused) if refused else Reply(True, f"{armed.plan.title} confirmed")

    def _told(self, operator: str, act: str, what: str, reply: Reply) -> Reply:
        """Keep the act in the session."""
        body = {"act": f"trial {act}", "operator": operator, "trial": what, "ok": reply.ok, "sentence": reply.sentence}
        self._station.notes.act(operator, f"trial {act} {what}", reply, body)
        return reply

    # ------------------------------------------------------------ the page

    def answer(self, operator: str, request: Mapping[str, object]) -> dict[str, object]:
        """Return the reply to one request of the page: {"act": "arm" | "confirm" | "cancel" | "stop", ...}."""
        act = request.get("act")
        if act == "arm":
            cycles = request.get("cycles")
            if not isinstance(cycles, int) or isinstance(cycles, bool):
                return {"ok": False, "sentence": "the number of cycles must be a whole number", "id": None}
            reply = self.arm(operator, str(request.get("plan"))[:40], cycles)
        elif act == "confirm":
            reply = self.confirm(operator, str(request.get("id"))[:20])
        elif act == "cancel":
            reply = self.cancel(operator)
        elif act == "stop":
            reply = self.stop(operator)
        else:
            return {"ok": False, "sentence": "this request is not understood", "id": None}
        return {"ok": reply.ok, "sentence": reply.sentence, "id": reply.id}

    def list(self) -> dict[str, object]:
        """Return the plans as the page shows them, the least dangerous first, and why others do not fit this vehicle."""
        ordered = sorted(self.plans.values(), key=TrialPlan.danger)
        return {"plans": [plan_shape(plan) for plan in ordered], "problems": self.problems}

    async def finished(self) -> TrialResult | None:
        """Wait for the trial begun last; return its result, None when there was none."""
        return None if self._task is None else await self._task

    @property
    def progress(self) -> Progress | None:
        """Where the running trial is, None when none runs."""
        return None if self._running is None else self._running.trial.progress()

    # ------------------------------------------------------------ one trial

    async def _run(self, running: Running) -> TrialResult:
        station, trial = self._station, running.trial
        trial.begin(station.now_s())
        begun = f"Trial {running.id} begins: {trial.plan.title}, cycles: {trial.cycles}"
        self._note(running, station.now_s(), begun)
        try:
            while not trial.is_over:
                self._step(running)
                await asyncio.sleep(POLL_S)
        finally:
            self._running = None
            permit = running.permit
            if permit is not None:
                station.ask(lambda queue, now_s: queue.permits.end(permit, "the trial is over", now_s))
        return self._note_result(running)

    def _note_result(self, running: Running) -> TrialResult:
        trial, result = running.trial, result_of(running.trial)
        text = f"Trial {running.id} {trial.outcome}: {result['passed']} of {result['runs']} runs passed"
        text += f"; {trial.cause}" if trial.cause else ""
        self._note(running, self._station.now_s(), text, result)
        return result

    def _step(self, running: Running) -> None:
        """One look: what became of the permit, of the command under way, of safe all; then what is to be done."""
        station, trial = self._station, running.trial
        now_s = station.now_s()
        permit = station.permit(running.permit) if running.permit is not None else None
        if permit is not None and permit.state is PermitState.ENDED:
            trial.on_permit_ended(str(permit.reason), now_s)
        elif running.permit is None and station.authority.holder != running.operator:
            trial.on_permit_ended("command authority changed", now_s)
        view = station.command(running.command) if running.command is not None else None
        if view is not None:
            trial.on_command(view, now_s)
        if running.safing is not None:
            self._follow_safing(running, now_s)
        trial.tick(now_s)
        for action in trial.take_actions():
            if isinstance(action, SafeAll):
                running.waiting = None
                self._safe_all(running, now_s)
            elif isinstance(action, Disarm):
                self._asked(running, action, None)
            else:
                running.waiting, running.command = action, None
        if running.waiting is not None and trial.state is State.SENDING:
            self._send(running, running.waiting, now_s)
        self._note_progress(running, now_s)

    def _send(self, running: Running, send: Send, now_s: float) -> None:
        """Ask the queue; while a person's own command is on its way, wait for it."""
        if any(view.state in IN_THE_WAY for view in self._station.commands()):
            return
        running.waiting = None
        reply = self._asked(running, send, running.permit)
        running.command = reply.id if reply.ok else None
        running.trial.on_asked(reply.ok, reply.sentence, now_s)

    def _asked(self, running: Running, send: Send | Disarm, permit: str | None) -> Reply:
        """Ask the queue for one command, by the permit or as a routine one, and keep that in the session."""
        operator = running.operator

        def ask(queue: CommandQueue, now_s: float) -> Reply:
            if permit is not None:
                return queue.permits.send(permit, send.command, send.args, now_s)
            return queue.submit(send.command, send.args, operator, now_s)

        def note(reply: Reply) -> None:
            body = {
                "act": "trial send",
                "operator": operator,
                "trial": running.id,
                "command": send.command,
                "args": dict(send.args),
                "id": reply.id,
                "ok": reply.ok,
                "sentence": reply.sentence,
            }
            self._station.notes.put(Kind.ACT, operator, "info", "", body)

        return self._station.ask(ask, note)

    def _safe_all(self, running: Running, now_s: float) -> None:
        reply = self._station.act(running.operator, "safe_all", {})
        running.safing = reply.id if reply.ok else None
        if not reply.ok:
            running.trial.on_safing(None, reply.sentence, now_s)

    def _follow_safing(self, running: Running, now_s: float) -> None:
        """The queue asks anew, under a new number, when it is in doubt; follow it."""
        view = self._station.command(running.safing) if running.safing is not None else None
        if view is None or view.state in ASKED_ANEW:
            self._safe_all(running, now_s)
        else:
            running.trial.on_safing(view, "", now_s)

    # ------------------------------------------------------------ the session

    def _note_progress(self, running: Running, now_s: float) -> None:
        now = running.trial.progress()
        if now != running.noted and now_s - running.noted_s >= NOTE_EVERY_S:
            self._note(running, now_s)

    def _note(self, running: Running, now_s: float, text: str = "", result: TrialResult | None = None) -> None:
        trial = running.trial
        running.noted, running.noted_s = trial.progress(), now_s
        standing = TrialStanding.RUNNING if result is None else TrialStanding(str(result["outcome"]))
        body = {
            "id": running.id,
            "plan": _plan_head(trial.plan, trial.cycles),
            "operator": running.operator,
            "begun_rx": running.begun_s,
            "state": standing.value,
            "progress": running.noted,
            "result": result,
        }
        bad = is_bad(standing, result is None or result["safe"])
        self._station.notes.note(TOPIC, running.id, "warning" if bad else "info", text, body)

    def _note_armed(self, armed: Armed, standing: TrialStanding) -> None:
        body = {
            "id": armed.id,
            "plan": _plan_head(armed.plan, armed.cycles),
            "operator": armed.first.operator,
            "state": standing.value,
            "permit": armed.permit,
            "earliest_confirm_rx": armed.first.earliest_s,
            "expires_rx": armed.first.latest_s,
        }
        text = f"Trial {armed.id} {'ready' if standing is TrialStanding.ARMED else standing.value}: {armed.plan.title}"
        self._station.notes.note(TOPIC, armed.id, "info", text, body)

    def _close_left_open(self) -> int:
        """After a restart: no trial goes on; say so of the one that ran. Returns the greatest number used so far."""
        last = {entry["key"]: entry["body"] for entry in self._station.store.journal if entry["topic"] == TOPIC}
        for key, body in last.items():
            if body.get("state") == TrialStanding.RUNNING:
                text = f"Trial {key} ended: the station was restarted"
                self._station.notes.note(TOPIC, key, "warning", text, {**body, "state": TrialStanding.INTERRUPTED.value})
        return max((int(key[1:]) for key in last if key[1:].isdigit()), default=0)


def _plan_head(plan: TrialPlan, cycles: int) -> dict[str, object]:
    return {"name": plan.name, "title": plan.title, "hazard": plan.hazard(), "cycles": cycles}


def plan_shape(plan: TrialPlan) -> dict[str, object]:
    """Return what the page shows of a plan before it is armed."""
    return {
        "name": plan.name,
        "title": plan.title,
        "hazard": plan.hazard(),
        "cautions": plan.cautions(),
        "cycles": plan.cycles,
        "runs_per_cycle": len(plan.variants),
        "lines": plan.lines(),
    }
