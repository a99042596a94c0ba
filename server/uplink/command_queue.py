"""The command queue: every command's way from a person's act to proof by telemetry. No I/O; time is an argument.

The caller hands in acts, answers, telemetry and the time (session seconds), and carries out the actions it is given, in
order:

    Prepare    take a counter that was never used (stored and synced), build the frame, write the intent to the session
               and sync it; then call `on_prepared` or `on_prepare_failed`
    Transmit   hand exactly these bytes to the port, then call `on_written`
    Changed    record and show the command's new view

The table of states is in `command_state`, what is refused in `rules`, what became of a command in `outcomes`, the window
of the second act in `two_acts`, plans in `permit_desk`. What this file adds is what happens when: on an act, a report, or
the passing of time. The invariants it keeps (I1-I20) stand in INVARIANTS.md beside it, each with its test.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from protocol.dictionary import Dictionary
from protocol.identity import Identity
from server.telemetry.conditions import FRESH_S, Check, Readings, check_conditions
from server.uplink import rules
from server.uplink.addressee import Addressee
from server.uplink.command_entry import Action, CommandView, PendingCommand, Reply
from server.uplink.command_state import Event, State
from server.uplink.command_table import CommandTable
from server.uplink.outcomes import Outcomes
from server.uplink.permit_desk import PermitDesk
from server.uplink.round_trip import ASKED_BY, RoundTrips
from server.uplink.two_acts import CONFIRM_LATEST_S, TwoActs

# Our choice. Three sends 0.8 s apart, as our dictionary has them, need 1.6 s, and the last one must have time to be
# answered. A copy that leaves later would come to a vehicle that has moved on from what the person saw.
TIME_TO_LIVE_S = 3.0
# Our choice: as long as another command ahead may take until its outcome is known. What then still waits was confirmed
# over something that is no longer on the screen.
QUEUED_AT_MOST_S = 3.0
# A format of the vehicle's own has no counter that makes a repeat harmless and no answer to wait for: everything is sent
# once, but for safe all, which does no harm when it is done again. Five times is our choice: without an answer nothing
# tells when to stop, and at a loss of one half 31 of 32 get through.
UNANSWERED_SENDS = 1
UNANSWERED_SAFE_ALLS = 5
UNANSWERED = "this vehicle does not answer commands; look at what its telemetry shows"


def blind_safe_all(dictionary: Dictionary) -> str:
    """Return how often safe all is sent to a vehicle that is not heard, in words; "" where there is no such command."""
    if not any(command.safes_all for command in dictionary.commands.values()):
        return ""
    every_s = dictionary.uplink.resend_after_s
    if dictionary.framing is None:
        return f"every {every_s:g} s until it answers"
    return f"{UNANSWERED_SAFE_ALLS} times, {every_s:g} s apart"


class CommandQueue:
    """All commands of one session. One instance per live session; a replay has none."""

    def __init__(
        self,
        dictionary: Dictionary,
        readings: Readings,
        addressee: Addressee,
        first_id: int = 1,
        *,
        two_person: bool = False,
        seat_of: Callable[[str], str | None] = lambda operator: operator,
    ) -> None:
        """`addressee` says to whom commands go; `two_person` and `seat_of` as for `TwoActs`."""
        self._dictionary = dictionary
        self._readings = readings
        self._addressee = addressee
        self._wire = dictionary.uplink
        self._two_acts = TwoActs(two_person, seat_of)
        self._table = CommandTable(dictionary, self._two_acts, addressee, first_id)
        self._late = False
        self.trips = RoundTrips(dictionary, readings)
        self._outcomes = Outcomes(dictionary, readings, self._table, self.trips, addressee)
        self.permits = PermitDesk(dictionary, readings, self._two_acts, self._table, self.trips, self.tick)

    @property
    def holder(self) -> str | None:
        """Who holds command authority."""
        return self._two_acts.holder

    @property
    def link_up(self) -> bool:
        """Whether the vehicle is heard."""
        return self._table.link_up

    @property
    def boot_id(self) -> int | None:
        """Which start of the vehicle commands are addressed to, None before it is heard."""
        return self._table.boot_id

    @property
    def era(self) -> int:
        """How often something has disarmed."""
        return self._two_acts.era

    # ------------------------------------------------------------ acts of a person

    def submit(self, command: str, args: Mapping[str, object], operator: str, now_s: float) -> Reply:
        """Ask for a routine command: one act."""
        named = self._dictionary.commands.get(command)
        if named is not None and named.safes_all:
            return self.safe_all(operator, now_s)
        described = self._table.admitted(command, args, operator, now_s)
        if isinstance(described, str):
            return Reply(False, described)
        if described.hazard != "routine":
            return Reply(False, f"{described.title} needs two acts: get it ready, then confirm")
        entry = self._table.add(described, args, operator, State.QUEUED, now_s)
        self._table.advance(now_s)
        return Reply(True, "waiting to be sent" if entry.state is State.QUEUED else "", entry.id)

    def arm(self, command: str, args: Mapping[str, object], operator: str, now_s: float) -> Reply:
        """First act for a guarded or hazardous command."""
        described = self._table.admitted(command, args, operator, now_s)
        if isinstance(described, str):
            return Reply(False, described)
        if described.hazard == "routine":
            return Reply(False, f"{described.title} needs one act only")
        busy = self._table.why_not_alone(described) or self.permits.why_busy()
        if busy:
            return Reply(False, busy)
        checks = self.checks(command, rules.numbers_of(described, args), now_s)
        unmet = rules.first_unmet(checks)
        if unmet:
            return Reply(False, f"not ready: {unmet}", None, tuple(checks))
        entry = self._table.add(described, args, operator, State.ARMED, now_s)
        entry.first = self._two_acts.first(operator, described.hazard, now_s)
        entry.steps["armed"] = now_s
        self._table.changed(entry)
        return Reply(True, f"{described.title} is ready, confirm within {CONFIRM_LATEST_S:.0f} s", entry.id, tuple(checks))

    def confirm(self, id: str, command: str, args: Mapping[str, object], operator: str, now_s: float) -> Reply:
        """Second act: the same command, the same arguments, the same person, not too soon, not too late."""
        self.tick(now_s)
        entry = self._table.get(id)
        if entry is None or entry.state is not State.ARMED or entry.first is None:
            return Reply(False, "nothing is ready under that number; get it ready again")
        refused = self._two_acts.why_not(entry.first, operator, now_s, is_same=rules.is_same(entry, command, args))
        refused = refused or self._table.why_not_alone(entry.command, entry)
        if refused:
            return Reply(False, refused)
        unmet = self._unmet(entry, now_s)
        if unmet:
            return Reply(False, f"not sent: {unmet}", id)
        entry.steps["confirmed"] = now_s
        entry.confirmed_by = operator
        self._table.apply(entry, Event.CONFIRM, now_s)
        self._table.advance(now_s)
        return Reply(True, f"{entry.command.title} confirmed", id)

    def cancel(self, id: str, operator: str, now_s: float) -> Reply:
        """Take back a command of which no byte has left."""
        entry = self._table.get(id)
        if entry is None:
            return Reply(False, "there is no such command")
        refused = rules.why_not_cancelled(entry)
        if refused:
            return Reply(False, refused, id)
        self._table.apply(entry, Event.CANCEL, now_s, f"by {operator}")
        self._table.advance(now_s)
        return Reply(True, "cancelled before sending", id)

    def allow_unbound(self, operator: str, now_s: float) -> Reply:
        """The operator's word that routine commands may go to a vehicle whose commands are bound to nothing."""
        if self._dictionary.is_bound:
            return Reply(False, "commands to this vehicle are bound; nothing needs to be allowed")
        if operator != self.holder:
            return Reply(False, "you do not hold command authority; take it first")
        self._addressee.allows_unbound = True
        return Reply(True, "routine commands are allowed in this session, although nothing binds them to vehicle and time")

    def safe_all(self, operator: str, now_s: float) -> Reply:
        """Make everything safe: one act, next out, everything unsent is dropped, repeats until the vehicle answers."""
        command = next((c for c in self._dictionary.commands.values() if c.safes_all), None)
        self.disarm("safe all", now_s)
        if command is None:
            return Reply(False, "this vehicle's dictionary has no command that safes all; use the arming key")
        entry = self._table.safing
        if entry is None:
            entry = self._table.add(command, {}, operator, State.QUEUED, now_s)
            self._table.advance(now_s)
        ends = "until the vehicle answers"
        if self._dictionary.framing is not None:
            ends = f"{UNANSWERED_SAFE_ALLS} times in all; this vehicle does not answer commands"
        return Reply(True, rules.safing_words(entry, self.boot_id is None and not self._dictionary.is_bound, ends), entry.id)

    def checks(self, command: str, args: Mapping[str, float], now_s: float) -> list[Check]:
        """Look at every interlock of a command as of now, and whether another command is in the way."""
        described = self._dictionary.commands[command]
        checks = check_conditions(self._dictionary, self._table.interlocks(described), args, self._readings, now_s)
        if described.hazard == "routine":
            return checks
        unknown = self._table.why_not_addressed(described.hazard, now_s)
        known = Check("addressee", "The vehicle and its dictionary are known", unknown is None, unknown or "heard")
        busy = self._table.why_not_alone(described, self._table.armed(command)) or self.permits.why_busy()
        checks += self.trips.checks(now_s)
        return [*checks, known, Check("alone", "No other command is ready or under way", busy is None, busy or "none")]

    def ask_for_trip(self, now_s: float) -> bool:
        """Send the station's own ping, if the air is free and the holder of authority could command; tell whether it was."""
        ping, holder = self.trips.ping, self.holder
        busy = any(e.preparing or e.state in (State.QUEUED, State.SENT) for e in self._table.commands)
        if ping is None or holder is None or busy:
            return False
        if self._table.why_not_now(holder) or self._table.why_not_addressed(ping.hazard, now_s):
            return False
        entry = self._table.add(ping, {}, ASKED_BY, State.QUEUED, now_s)
        entry.is_probe = True
        self._table.advance(now_s)
        return True

    # ------------------------------------------------------------ what the station reports back

    def on_prepared(self, id: str, counter: int, frame: bytes, now_s: float) -> None:
        """The intent is durable: check everything once more, then send."""
        entry = self._table.get(id)
        if entry is None:
            return
        self._tick_entry(entry, now_s)
        entry.preparing = False
        if entry.state is not State.QUEUED:
            self._table.advance(now_s)
            return
        entry.counter, entry.frame = counter, frame
        if entry.is_probe:
            self.trips.why_unsent = None
        unmet = self._unmet(entry, now_s)
        if unmet:
            self._table.apply(entry, Event.BLOCK, now_s, f"{unmet} at the moment of sending")
            self._table.advance(now_s)
            return
        entry.first_sent_s = now_s
        self._table.transmit(entry, now_s)

    def on_prepare_failed(self, id: str, sentence: str, now_s: float) -> None:
        """No counter, no frame or no durable record: nothing is sent."""
        entry = self._table.get(id)
        if entry is None:
            return
        entry.preparing = False
        if entry.is_probe:
            self.trips.why_unsent = sentence
        if entry.state is State.QUEUED and not entry.command.safes_all:
            self._table.apply(entry, Event.BLOCK, now_s, sentence)
        elif entry.state is State.QUEUED:
            entry.since_s, entry.reason = now_s, sentence
            self._table.changed(entry)
        self._table.advance(now_s)

    def on_written(self, id: str, problem: str | None, now_s: float) -> None:
        """The port took the bytes, or said why not; the problem tells where they may have left all the same."""
        entry = self._table.get(id)
        if entry is None:
            return
        earlier, entry.write_problem = entry.write_problem, problem
        entry.written += problem is None
        if entry.state not in (State.SENT, State.UNKNOWN):
            return
        news = problem is not None or (entry.command.safes_all and entry.written == 1)
        if problem is not None:
            entry.reason = problem
        elif earlier is not None and entry.reason == earlier and entry.state is State.SENT:
            entry.reason, news = None, True  # the port takes it now
        if news:
            self._table.changed(entry)

    def on_answer(self, boot_id: int, counter: int, stage: str, reason: str, now_s: float, code: int | None = None) -> bool:
        """Take an answer of the vehicle; tell whether it belonged to a command of ours and changed something."""
        return self._outcomes.on_answer(boot_id, counter, stage, reason, now_s, code)

    def on_identity(self, said: Identity, vehicle_ms: int, now_s: float) -> None:
        """The vehicle said who it is, and which Safe all it has carried out: that needs no dictionary to be understood."""
        self._addressee.on_identity(said, vehicle_ms, now_s)
        heard = self._addressee.heard
        if heard is not None and heard.said is said:
            self._outcomes.on_safed(said.safed_counter, said.last_counter, now_s)

    def on_telemetry(self, now_s: float) -> None:
        """Look whether telemetry now shows the effect of what the vehicle says it has done."""
        self._outcomes.on_telemetry(now_s)

    def on_holder(self, operator: str | None, now_s: float) -> None:
        """Command authority went to `operator`, or to nobody; any change disarms."""
        if operator != self.holder:
            self.disarm("command authority changed", now_s)
        self._two_acts.holder = operator

    def on_link(self, up: bool, now_s: float) -> None:
        """The downlink was found or lost; losing it disarms."""
        if self.link_up and not up:
            self.disarm("link lost", now_s)
            self.trips.forget()
        self._table.link_up = up

    def on_lag(self, lag_s: float, now_s: float) -> None:
        """What was heard last was `lag_s` old; the moment it becomes too old to decide on, that disarms."""
        was_late, self._late = self._late, lag_s > FRESH_S
        if self._late and not was_late:
            self.disarm("the downlink lags", now_s)

    def on_boot_id(self, boot_id: int | None, now_s: float, restarted: bool = False) -> None:
        """The vehicle told which start it is; another one than before disarms and closes all that was under way.

        `restarted` tells that it restarted even if its boot id is the same or not yet known (its clock fell back, or it
        restarted twice in one chunk of bytes).
        """
        known, self._table.boot_id = self.boot_id, boot_id
        if known is None and not restarted:
            self._table.advance(now_s)
        elif boot_id != known or restarted:
            safing = rules.safing_of(self._table.commands, or_accepted=True)
            self.trips.forget()
            self.disarm("the vehicle restarted", now_s, also_safe_all=True)
            if safing is not None:
                self.safe_all(safing.operator, now_s)

    def disarm(self, why: str, now_s: float, also_safe_all: bool = False) -> None:
        """Drop everything unsent and stop repeating what was sent; safe all alone goes on unless told otherwise."""
        self._two_acts.disarm()
        self.permits.end_all(why, now_s)
        self._table.disarm(why, now_s, also_safe_all)

    def tick(self, now_s: float) -> None:
        """Let time pass: arms expire, silence is noticed, unanswered frames are sent again."""
        for entry in list(self._table.commands):
            self._tick_entry(entry, now_s)
        self.permits.tick(now_s)
        self.on_telemetry(now_s)
        self._table.advance(now_s)

    # ------------------------------------------------------------ what is to be done, and how it looks

    def take_actions(self) -> list[Action]:
        """Return what is to be done, in order, and forget it."""
        return self._table.take_actions()

    def view(self, id: str) -> CommandView | None:
        """Return how one command looks now, or None when it is not (or no longer) known."""
        entry = self._table.get(id)
        return None if entry is None else self._table.view(entry)

    def views(self) -> list[CommandView]:
        """Return how all commands look now, oldest first."""
        return [self._table.view(entry) for entry in self._table.commands]

    # ------------------------------------------------------------ inside

    def _unmet(self, entry: PendingCommand, now_s: float) -> str | None:
        """Return the first interlock not met, in words; safe all has none, whatever the dictionary says."""
        if entry.command.safes_all:
            return None
        conditions = self._table.interlocks(entry.command)
        if entry.permit is not None:
            conditions = (*conditions, *self.permits.conditions())
        checks = check_conditions(self._dictionary, conditions, entry.args, self._readings, now_s)
        if entry.command.hazard != "routine":
            checks += self.trips.checks(now_s, with_trip=entry.permit is None)
        return rules.first_unmet(checks) or self._table.why_not_addressed(entry.command.hazard, now_s)

    def _tick_entry(self, entry: PendingCommand, now_s: float) -> None:
        waited = now_s - entry.since_s
        if entry.state is State.ARMED and entry.first is not None and entry.first.is_over(now_s):
            self._table.apply(entry, Event.TIME_OUT, now_s)
        elif entry.state is State.QUEUED and waited > QUEUED_AT_MOST_S and not entry.command.safes_all:
            self._table.apply(entry, Event.TIME_OUT, now_s, "it waited too long")
        elif entry.state in (State.SENT, State.ACCEPTED):
            self._tick_sent(entry, now_s)
        elif entry.state is State.COMPLETED and not entry.overdue and waited > self._wire.effect_within_s:
            entry.overdue = True
            if entry.command.effects:
                entry.reason = self._addressee.why_misread or "the effect is not seen in telemetry"
                self._table.changed(entry)

    def _tick_sent(self, entry: PendingCommand, now_s: float) -> None:
        """Send again, byte for byte, while it is young; then say that the outcome is not known."""
        answered = self._dictionary.framing is None
        safing = entry.command.safes_all and entry.state is State.SENT
        safing = safing and (answered or entry.sends < UNANSWERED_SAFE_ALLS)
        young = now_s - entry.first_sent_s <= TIME_TO_LIVE_S and entry.sends < self._wire.sends_at_most
        young = young and not entry.given_up
        young = young and (answered or entry.sends < UNANSWERED_SENDS)
        if now_s - entry.last_sent_s >= self._wire.resend_after_s and (safing or young):
            unmet = self._unmet(entry, now_s)
            if unmet is None:
                self._table.transmit(entry, now_s)
                return
            if not (entry.reason or "").startswith("not sent again"):
                entry.reason = f"not sent again: {unmet}"
                self._table.changed(entry)
        patience = self._wire.effect_within_s if entry.state is State.ACCEPTED else TIME_TO_LIVE_S
        if not safing and now_s - max(entry.since_s, entry.first_sent_s) > patience:
            self._table.apply(entry, Event.TIME_OUT, now_s, None if answered else UNANSWERED)
