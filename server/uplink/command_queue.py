"""The command queue: every command's way from a person's act to proof by telemetry. No I/O; time is an argument.

The caller hands in acts, answers, telemetry and the time (session seconds), and carries out the actions it is given, in
order:

    Prepare    take a counter that was never used (stored and synced), build the frame, write the intent to the session
               and sync it; then call `on_prepared` or `on_prepare_failed`
    Transmit   hand exactly these bytes to the port, then call `on_written`
    Changed    record and show the command's new view

The table of states is in `command_state`. What this file adds is who may do what, when, and in which order; the
invariants it keeps (I1-I18) are listed in DEVELOPERS.md with the test of each.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from protocol.commands import Command
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from server.telemetry.conditions import Check, Readings, check_conditions, effect_shown
from server.uplink.command_entry import (
    Action,
    Changed,
    CommandView,
    PendingCommand,
    PermitChanged,
    Prepare,
    Reply,
    Transmit,
    command_view,
)
from server.uplink.command_state import ENDED, STATE_TEXT, UNSENT, Event, State, step
from server.uplink.permit_desk import PermitDesk
from server.uplink.permits import PermitState, PermitView
from server.uplink.two_acts import CONFIRM_LATEST_S, FirstAct, TwoActs

TIME_TO_LIVE_S = 3.0
QUEUED_AT_MOST_S = 3.0
WAITING_AT_MOST = 8
KEPT_ENDED = 64
ANSWERS = {"accepted": Event.ACCEPT, "refused": Event.REFUSE, "completed": Event.COMPLETE, "failed": Event.FAIL}
# The vehicle says of these that it did not execute *this copy*. An earlier copy may have been executed and forgotten
# (a firing that browns the vehicle out is answered "other boot" when it is sent again), so they are no outcome.
NO_OUTCOME = ("old counter", "other boot")
# A format of the vehicle's own has no counter that makes a repeat harmless and no answer to wait for: everything is sent
# once, but for safe all, which does no harm when it is done again.
UNANSWERED_SENDS = 1
UNANSWERED_SAFE_ALLS = 5
UNANSWERED = "this vehicle does not answer commands; look at what its telemetry shows"


class CommandQueue:
    """All commands of one session. One instance per live session; a replay has none."""

    def __init__(
        self,
        dictionary: Dictionary,
        readings: Readings,
        first_id: int = 1,
        *,
        two_person: bool = False,
        seat_of: Callable[[str], str | None] = lambda operator: operator,
    ) -> None:
        """`two_person` and `seat_of` as for `TwoActs`."""
        self._dictionary = dictionary
        self._two_acts = TwoActs(two_person, seat_of)
        self._actions: list[Action] = []
        tell = lambda view: self._actions.append(PermitChanged(view))  # noqa: E731
        self.permits = PermitDesk(dictionary, readings, self._two_acts, tell)
        self._rules = dictionary.uplink
        self._readings = readings
        self._next_id = first_id
        self._entries: dict[str, PendingCommand] = {}
        self.link_up = False
        self.boot_id: int | None = None

    @property
    def holder(self) -> str | None:
        """Who holds command authority."""
        return self._two_acts.holder

    # ------------------------------------------------------------ acts of a person

    def submit(self, command: str, args: Mapping[str, object], operator: str, now_s: float) -> Reply:
        """Ask for a routine command: one act."""
        described = self._dictionary.commands.get(command)
        if described is not None and described.safes_all:
            return self.safe_all(operator, now_s)
        refused = self._refusal(command, args, operator)
        if refused:
            return refused
        if described.hazard != "routine":
            return Reply(False, f"{described.title} needs two acts: get it ready, then confirm")
        entry = self._add(described, args, operator, State.QUEUED, now_s)
        self._advance(now_s)
        return Reply(True, "waiting to be sent" if entry.state is State.QUEUED else "", entry.id)

    def arm(self, command: str, args: Mapping[str, object], operator: str, now_s: float) -> Reply:
        """First act for a guarded or hazardous command."""
        refused = self._refusal(command, args, operator)
        if refused:
            return refused
        described = self._dictionary.commands[command]
        if described.hazard == "routine":
            return Reply(False, f"{described.title} needs one act only")
        busy = self._why_not_alone(described, None) or self.permits.why_busy()
        if busy:
            return Reply(False, busy)
        checks = self.checks(command, args, now_s)
        unmet = [check for check in checks if not check.met]
        if unmet:
            return Reply(False, f"not ready: {unmet[0].title} ({unmet[0].value_text})", None, tuple(checks))
        entry = self._add(described, args, operator, State.ARMED, now_s)
        entry.first = self._two_acts.first(operator, described.hazard, now_s)
        entry.steps["armed"] = now_s
        self._changed(entry)
        return Reply(True, f"{described.title} is ready, confirm within {CONFIRM_LATEST_S:.0f} s", entry.id, tuple(checks))

    def confirm(self, id: str, command: str, args: Mapping[str, object], operator: str, now_s: float) -> Reply:
        """Second act: the same command, the same arguments, the same person, not too soon, not too late."""
        self.tick(now_s)
        entry = self._entries.get(id)
        if entry is None or entry.state is not State.ARMED or entry.first is None:
            return Reply(False, "nothing is ready under that number; get it ready again")
        wrong = self._two_acts.why_not(entry.first, operator, now_s, is_same=_is_same(entry, command, args))
        if wrong:
            return Reply(False, wrong)
        busy = self._why_not_alone(entry.command, entry)
        if busy:
            return Reply(False, busy)
        unmet = self._unmet(entry, now_s)
        if unmet:
            return Reply(False, f"not sent: {unmet}", id)
        entry.steps["confirmed"] = now_s
        entry.extra["confirmed_by"] = operator
        self._apply(entry, Event.CONFIRM, now_s)
        self._advance(now_s)
        return Reply(True, f"{entry.command.title} confirmed", id)

    def cancel(self, id: str, operator: str, now_s: float) -> Reply:
        """Take back a command of which no byte has left."""
        entry = self._entries.get(id)
        if entry is None:
            return Reply(False, "there is no such command")
        if entry.command.safes_all:
            return Reply(False, f"{entry.command.title} is not taken back", id)
        if entry.state not in UNSENT:
            return Reply(False, f"too late to cancel: {entry.command.title} is {STATE_TEXT[entry.state]}", id)
        self._apply(entry, Event.CANCEL, now_s, f"by {operator}")
        self._advance(now_s)
        return Reply(True, "cancelled before sending", id)

    def safe_all(self, operator: str, now_s: float) -> Reply:
        """Make everything safe: one act, next out, everything unsent is dropped, repeats until the vehicle answers."""
        command = next((c for c in self._dictionary.commands.values() if c.safes_all), None)
        self.disarm("safe all", now_s)
        if command is None:
            return Reply(False, "this vehicle's dictionary has no command that safes all; use the arming key")
        running = self._safing()
        if running is not None:
            return Reply(True, "safe all is already being sent until the vehicle answers", running.id)
        entry = self._add(command, {}, operator, State.QUEUED, now_s)
        self._advance(now_s)
        if self.boot_id is None:
            return Reply(True, "safe all waits until the vehicle is first heard; use the arming key", entry.id)
        return Reply(True, "safe all is being sent until the vehicle answers", entry.id)

    def checks(self, command: str, args: Mapping[str, object], now_s: float) -> list[Check]:
        """Look at every interlock of a command as of now, and whether another command is in the way."""
        described = self._dictionary.commands[command]
        checks = check_conditions(self._dictionary, described.interlocks, args, self._readings, now_s)
        if described.hazard == "routine":
            return checks
        busy = self._why_not_alone(described, self._armed_entry(command)) or self.permits.why_busy()
        return [*checks, Check("alone", "No other command is ready or under way", busy is None, busy or "none")]

    # ------------------------------------------------------------ permits: two acts for a written plan

    def arm_permit(
        self, title: str, allowed: Sequence[tuple[str, Mapping[str, float]]], operator: str, now_s: float
    ) -> Reply:
        """First act for a plan: every command in it named and counted, the vehicle in ground test."""
        refused = self.why_not_now(operator) or self._why_not_alone(None, None)
        if refused:
            return Reply(False, refused)
        reply = self.permits.arm(f"p{self._next_id}", title, allowed, operator, now_s)
        self._next_id += reply.ok
        return reply

    def confirm_permit(self, id: str, operator: str, now_s: float) -> Reply:
        """Second act: opens the permit."""
        self.tick(now_s)
        permit = self.permits.get(id, PermitState.ARMED)
        if permit is None:
            return Reply(False, "no plan is ready under that number; get it ready again")
        return self.permits.confirm(permit, operator, now_s)

    def first_act(self, operator: str, now_s: float) -> FirstAct:
        """Keep the first act for a plan of routine commands, which needs no permit."""
        return self._two_acts.first(operator, "routine", now_s)

    def why_no_second_act(self, first: FirstAct, operator: str, now_s: float) -> str | None:
        """Return why a plan of routine commands does not begin by this act, or None."""
        return self._two_acts.why_not(first, operator, now_s) or self.why_not_now(operator)

    def cancel_permit(self, id: str, operator: str, now_s: float) -> Reply:
        """Take a plan back; what has been sent has been sent."""
        if self.permits.get(id) is None:
            return Reply(False, "there is no such plan")
        self.end_permit(id, f"cancelled by {operator}", now_s)
        return Reply(True, "the plan has ended", id)

    def end_permit(self, id: str, why: str, now_s: float) -> None:
        """End a plan and drop what it has not sent yet."""
        self.permits.end(id, why, now_s)
        for entry in self._entries.values():
            if entry.extra.get("permit") == id and entry.state in UNSENT:
                self._apply(entry, Event.DISARM, now_s, why)

    def send_permitted(self, id: str, command: str, args: Mapping[str, float], now_s: float) -> Reply:
        """Send one command of a confirmed plan; every interlock holds as always."""
        self.tick(now_s)
        permit = self.permits.get(id, PermitState.OPEN)
        if permit is None:
            return Reply(False, self.permits.why_not_open(id))
        refused = self._refusal(command, args, permit.first.operator)
        if refused:
            return refused
        described = self._dictionary.commands[command]
        busy = self._why_not_alone(described, None)
        if busy:
            return Reply(False, busy)
        conditions = (*described.interlocks, *self.permits.conditions())
        checks = check_conditions(self._dictionary, conditions, args, self._readings, now_s)
        unmet = next((check for check in checks if not check.met), None)
        if unmet:
            return Reply(False, f"not sent: {unmet.title} ({unmet.value_text})")
        if not permit.use(command, args, now_s):
            return Reply(False, "the plan that was confirmed does not hold this command (again)")
        entry = self._add(described, args, permit.first.operator, State.QUEUED, now_s)
        entry.extra.update(permit=permit.id, confirmed_by=permit.confirmed_by)
        if "armed" in entry.needs:
            entry.steps.update(armed=permit.first.at_s, confirmed=permit.confirmed_s)
        self._advance(now_s)
        return Reply(True, "", entry.id)

    def permit(self, id: str) -> PermitView | None:
        """Return how a plan's permit looks now, or None when there is none of that number."""
        return self.permits.view(id)

    # ------------------------------------------------------------ what the station reports back

    def on_prepared(self, id: str, counter: int, frame: bytes, now_s: float) -> None:
        """The intent is durable: check everything once more, then send."""
        entry = self._entries.get(id)
        if entry is None:
            return
        self._tick_entry(entry, now_s)
        entry.preparing = False
        if entry.state is not State.QUEUED:
            self._advance(now_s)
            return
        entry.counter, entry.frame = counter, frame
        unmet = self._unmet(entry, now_s)
        if unmet:
            self._apply(entry, Event.BLOCK, now_s, f"{unmet} at the moment of sending")
            self._advance(now_s)
            return
        entry.first_sent_s = now_s
        self._transmit(entry, now_s)

    def on_prepare_failed(self, id: str, sentence: str, now_s: float) -> None:
        """No counter, no frame or no durable record: nothing is sent."""
        entry = self._entries.get(id)
        if entry is None:
            return
        entry.preparing = False
        if entry.state is State.QUEUED and not entry.command.safes_all:
            self._apply(entry, Event.BLOCK, now_s, sentence)
        elif entry.state is State.QUEUED:
            entry.since_s, entry.reason = now_s, sentence
            self._changed(entry)
        self._advance(now_s)

    def on_written(self, id: str, problem: str | None, now_s: float) -> None:
        """The port took the bytes, or said it did not: then they may have left all the same."""
        entry = self._entries.get(id)
        if problem is not None and entry is not None and entry.state in (State.SENT, State.UNKNOWN):
            entry.reason = f"{problem}; it may have left all the same"
            self._changed(entry)

    def on_answer(self, boot_id: int, counter: int, stage: str, reason: str, now_s: float) -> bool:
        """Take an answer of the vehicle; tell whether it belonged to a command of ours and changed something."""
        entry = next((e for e in self._entries.values() if e.counter == counter and counter), None)
        if entry is None or boot_id != entry.extra.get("boot_id"):
            return False
        event = ANSWERS.get(stage)
        if stage == "refused" and reason in NO_OUTCOME:
            return self._take_doubt(entry, reason, now_s)
        if event is None or step(entry.state, event) is None:
            return False
        if stage in ("accepted", "completed"):
            entry.steps.setdefault(stage, now_s)
            entry.steps.setdefault("accepted", now_s)
        changed = self._apply(entry, event, now_s, None if reason == "none" else reason)
        self.on_telemetry(now_s)
        self._advance(now_s)
        return changed

    def on_telemetry(self, now_s: float) -> None:
        """Look whether telemetry now shows the effect of what the vehicle says it has done."""
        for entry in self._entries.values():
            if entry.state is not State.COMPLETED or entry.extra.get("boot_id") != self.boot_id:
                continue  # what another start of the vehicle shows proves nothing about this command
            since_s = max(entry.since_s, entry.first_sent_s)
            if effect_shown(self._dictionary, entry.command, entry.args, entry.counter, self._readings, now_s, since_s):
                entry.steps["verified"] = now_s
                self._apply(entry, Event.SHOW, now_s)

    def on_holder(self, operator: str | None, now_s: float) -> None:
        """Command authority went to `operator`, or to nobody; any change disarms."""
        if operator != self.holder:
            self.disarm("command authority changed", now_s)
        self._two_acts.holder = operator

    def on_link(self, up: bool, now_s: float) -> None:
        """The downlink was found or lost; losing it disarms."""
        if self.link_up and not up:
            self.disarm("link lost", now_s)
        self.link_up = up

    def on_boot_id(self, boot_id: int | None, now_s: float, restarted: bool = False) -> None:
        """The vehicle told which start it is; another one than before disarms and closes all that was under way.

        `restarted` tells that it restarted even if its boot id is the same or not yet known (its clock fell back, or it
        restarted twice in one chunk of bytes).
        """
        known, self.boot_id = self.boot_id, boot_id
        if known is None and not restarted:
            self._advance(now_s)
        elif boot_id != known or restarted:
            safing = self._safing()
            self.disarm("the vehicle restarted", now_s, also_safe_all=True)
            if safing is not None:
                self.safe_all(safing.operator, now_s)

    def disarm(self, why: str, now_s: float, also_safe_all: bool = False) -> None:
        """Drop everything unsent and stop repeating what was sent; safe all alone goes on unless told otherwise."""
        self._two_acts.disarm()
        self.permits.end_all(why, now_s)
        for entry in list(self._entries.values()):
            if entry.command.safes_all and not also_safe_all:
                continue
            if entry.state in UNSENT or entry.state in (State.SENT, State.ACCEPTED):
                self._apply(entry, Event.DISARM, now_s, why)
                self._actions = [a for a in self._actions if not (isinstance(a, Transmit) and a.id == entry.id)]

    def tick(self, now_s: float) -> None:
        """Let time pass: arms expire, silence is noticed, unanswered frames are sent again."""
        for entry in list(self._entries.values()):
            self._tick_entry(entry, now_s)
        self.permits.tick(now_s)
        self.on_telemetry(now_s)
        self._advance(now_s)

    def take_actions(self) -> list[Action]:
        """Return what is to be done, in order, and forget it."""
        actions, self._actions = self._actions, []
        return actions

    def view(self, id: str) -> CommandView | None:
        """Return how one command looks now, or None when it is not (or no longer) known."""
        entry = self._entries.get(id)
        return None if entry is None else self._view(entry)

    def views(self) -> list[CommandView]:
        """Return how all commands look now, oldest first."""
        return [self._view(entry) for entry in self._entries.values()]

    # ------------------------------------------------------------ inside

    def _refusal(self, command: str, args: Mapping[str, object], operator: str) -> Reply | None:
        described = self._dictionary.commands.get(command)
        if described is None:
            return Reply(False, f"the dictionary has no command '{command}'")
        try:
            described.pack_args(args)
        except ValueRefused as error:
            return Reply(False, str(error))
        if described.hazard == "hazardous" and not self._dictionary.may_command_hazards:
            risk = "its format cannot authenticate a command, and its dictionary's owner has not accepted that risk"
            return Reply(False, f"{described.title} is hazardous: {risk}")
        refused = None if described.safes_all else self.why_not_now(operator)
        return Reply(False, refused) if refused else None

    def why_not_now(self, operator: str) -> str | None:
        """Return why nothing can be commanded at this moment by this person, or None."""
        if operator != self.holder:
            holder = f"{self.holder} holds" if self.holder else "nobody holds"
            return f"you do not hold command authority ({holder} it); take it first"
        if self.boot_id is None:
            return "the vehicle has not been heard yet, so no command can be addressed to it"
        if not self.link_up:
            return "the downlink is lost; nothing is kept for later, ask again when the vehicle is heard"
        if self._safing() is not None:
            return "safe all is being sent; wait for the vehicle's answer"
        if sum(entry.state in UNSENT for entry in self._entries.values()) >= WAITING_AT_MOST:
            return "too many commands are waiting"
        return None

    def _armed_entry(self, command: str) -> PendingCommand | None:
        """Return the armed command of that name: it is not in its own way."""
        armed = (e for e in self._entries.values() if e.state is State.ARMED and e.command.name == command)
        return next(armed, None)

    def _unmet(self, entry: PendingCommand, now_s: float) -> str | None:
        """Return the first interlock not met, in words; safe all has none, whatever the dictionary says."""
        if entry.command.safes_all:
            return None
        conditions = entry.command.interlocks
        if "permit" in entry.extra:
            conditions = (*conditions, *self.permits.conditions())
        checks = check_conditions(self._dictionary, conditions, entry.args, self._readings, now_s)
        return next((f"{check.title} ({check.value_text})" for check in checks if not check.met), None)

    def _take_doubt(self, entry: PendingCommand, reason: str, now_s: float) -> bool:
        """The vehicle refused a copy in a way that tells nothing of earlier copies; safe all is asked anew."""
        sentence = f"the vehicle answers '{reason}'; an earlier copy may have been executed"
        changed = self._apply(entry, Event.DOUBT, now_s, sentence)
        if changed and entry.command.safes_all and self._safing() is None:
            again = self._add(entry.command, {}, entry.operator, State.QUEUED, now_s)
            again.reason = f"the vehicle answered '{reason}' to the one before"  # with a reason it waits a while
            self._changed(again)
        self._advance(now_s)
        return changed

    def _why_not_alone(self, command: Command | None, own: PendingCommand | None) -> str | None:
        """A guarded or hazardous command is never queued behind another and never shares the air."""
        for entry in self._entries.values():
            if entry is own:
                continue
            if entry.state is State.ARMED:
                return f"{entry.command.title} is ready; confirm or cancel it first"
            if entry.preparing or entry.state in (State.QUEUED, State.SENT):
                return f"{entry.command.title} is under way; wait for its answer"
            hazardous = command is None or command.hazard == "hazardous"
            if hazardous and entry.command.hazard == "hazardous" and entry.in_flight:
                return f"{entry.command.title} is not finished; only one hazardous command at a time"
        return None

    def _safing(self) -> PendingCommand | None:
        alive = (State.QUEUED, State.SENT)
        return next((e for e in self._entries.values() if e.command.safes_all and e.state in alive), None)

    def _add(
        self, command: Command, args: Mapping[str, object], operator: str, state: State, now_s: float
    ) -> PendingCommand:
        numbers = {arg.name: float(args[arg.name]) if arg.scale != 1.0 else args[arg.name] for arg in command.args}
        two_acts = ("asked",) if command.hazard == "routine" else ("asked", "armed", "confirmed")
        verified = ("verified",) if command.effects else ()
        needs = (*two_acts, "sent", "accepted", "completed", *verified)
        entry = PendingCommand(
            f"c{self._next_id}", command, numbers, operator, state, {"asked": now_s}, needs, since_s=now_s
        )
        self._next_id += 1
        self._entries[entry.id] = entry
        self._forget_old()
        if state is not State.ARMED:
            self._changed(entry)
        return entry

    def _forget_old(self) -> None:
        closed = (e for e in self._entries.values() if e.state in ENDED or e.overdue or e.state is State.UNKNOWN)
        ended = [e.id for e in closed if not e.preparing]
        for id in ended[: max(0, len(ended) - KEPT_ENDED)]:
            del self._entries[id]

    def _advance(self, now_s: float) -> None:
        """Start the next waiting command when the air is free; safe all does not wait for the air."""
        waiting = [e for e in self._entries.values() if e.state is State.QUEUED and not e.preparing]
        if not waiting or self.boot_id is None:
            return
        urgent = [e for e in waiting if e.command.safes_all]
        if urgent:
            if urgent[0].reason is None or now_s - urgent[0].since_s >= self._rules.resend_after_s:
                self._prepare(urgent[0], now_s)
        elif not any(e.preparing or e.state is State.SENT for e in self._entries.values()):
            self._prepare(waiting[0], now_s)

    def _prepare(self, entry: PendingCommand, now_s: float) -> None:
        entry.preparing = True
        entry.reason = None
        entry.since_s = now_s
        entry.extra["boot_id"] = self.boot_id
        intent = {
            "id": entry.id,
            "command": entry.command.name,
            "args": entry.args,
            "operator": entry.operator,
            "hazard": entry.command.hazard,
            "boot_id": self.boot_id,
            "confirmed_by": entry.extra.get("confirmed_by"),
            "permit": entry.extra.get("permit"),
            "acts": dict(entry.steps),
        }
        self._actions.append(
            Prepare(entry.id, entry.command.name, entry.args, intent, must_be_durable=not entry.command.safes_all)
        )

    def _transmit(self, entry: PendingCommand, now_s: float) -> None:
        entry.sends += 1
        entry.last_sent_s = now_s
        entry.steps.setdefault("sent", now_s)
        self._apply(entry, Event.WRITE, now_s)
        self._actions.append(Transmit(entry.id, entry.frame, urgent=entry.command.safes_all))

    def _tick_entry(self, entry: PendingCommand, now_s: float) -> None:
        waited = now_s - entry.since_s
        if entry.state is State.ARMED and entry.first is not None and entry.first.is_over(now_s):
            self._apply(entry, Event.TIME_OUT, now_s)
        elif entry.state is State.QUEUED and waited > QUEUED_AT_MOST_S and not entry.command.safes_all:
            self._apply(entry, Event.TIME_OUT, now_s, "it waited too long")
        elif entry.state in (State.SENT, State.ACCEPTED):
            self._tick_sent(entry, now_s)
        elif entry.state is State.COMPLETED and not entry.overdue and waited > self._rules.effect_within_s:
            entry.overdue = True
            if entry.command.effects:
                entry.reason = "the effect is not seen in telemetry"
                self._changed(entry)

    def _tick_sent(self, entry: PendingCommand, now_s: float) -> None:
        """Send again, byte for byte, while it is young; then say that the outcome is not known."""
        answered = self._dictionary.framing is None
        safing = entry.command.safes_all and entry.state is State.SENT
        safing = safing and (answered or entry.sends < UNANSWERED_SAFE_ALLS)
        young = now_s - entry.first_sent_s <= TIME_TO_LIVE_S and entry.sends < self._rules.sends_at_most
        young = young and not entry.given_up
        young = young and (answered or entry.sends < UNANSWERED_SENDS)
        if now_s - entry.last_sent_s >= self._rules.resend_after_s and (safing or young):
            unmet = self._unmet(entry, now_s)
            if unmet is None:
                self._transmit(entry, now_s)
                return
            if not (entry.reason or "").startswith("not sent again"):
                entry.reason = f"not sent again: {unmet}"
                self._changed(entry)
        patience = self._rules.effect_within_s if entry.state is State.ACCEPTED else TIME_TO_LIVE_S
        if not safing and now_s - max(entry.since_s, entry.first_sent_s) > patience:
            self._apply(entry, Event.TIME_OUT, now_s, None if answered else UNANSWERED)

    def _apply(self, entry: PendingCommand, event: Event, now_s: float, reason: str | None = None) -> bool:
        """The one place where a command changes its state."""
        following = step(entry.state, event)
        if following is None:
            return False
        if reason is not None or following not in (entry.state, State.UNKNOWN):
            entry.reason = reason  # what was said of an earlier state is not true of the new one
        if following is not entry.state:
            entry.since_s = now_s
            entry.state = following
            entry.given_up = entry.given_up or following is State.UNKNOWN
        self._changed(entry)
        return True

    def _changed(self, entry: PendingCommand) -> None:
        self._actions.append(Changed(self._view(entry)))

    def _view(self, entry: PendingCommand) -> CommandView:
        return command_view(entry, self._two_acts.needs_another(entry.command.hazard))


def _is_same(entry: PendingCommand, command: str, args: Mapping[str, object]) -> bool:
    """Tell whether a confirm names what was armed; a true or a text that merely equals a number is not the number."""
    try:
        entry.command.pack_args(args)
    except ValueRefused:
        return False
    return command == entry.command.name and dict(args) == entry.args
