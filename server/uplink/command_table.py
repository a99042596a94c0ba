"""All commands of one session, and what is to be done for them. Mechanism only: who may do what is decided elsewhere.

A command changes its state here and nowhere else. What the caller has to carry out is gathered in order: `take_actions`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from protocol.commands import Command, Condition, Hazard
from protocol.dictionary import Dictionary
from server.uplink import rules
from server.uplink.addressee import Addressee
from server.uplink.command_entry import (
    Action,
    Changed,
    CommandView,
    PendingCommand,
    PermitChanged,
    Prepare,
    Transmit,
    command_view,
)
from server.uplink.command_state import ENDED, UNSENT, Event, State, step
from server.uplink.permits import PermitView
from server.uplink.two_acts import TwoActs

KEPT_ENDED = 64  # our choice: more than late answers may still come to; the recording keeps all


class CommandTable:
    """The commands, oldest first, by number."""

    def __init__(self, dictionary: Dictionary, two_acts: TwoActs, addressee: Addressee, first_id: int) -> None:
        self._dictionary = dictionary
        self._two_acts = two_acts
        self._addressee = addressee
        self._next_id = first_id
        self._entries: dict[str, PendingCommand] = {}
        self._actions: list[Action] = []
        self.link_up = False
        self.boot_id: int | None = None  # which start of the vehicle commands are addressed to; None before it is heard

    # ------------------------------------------------------------ looking

    @property
    def commands(self) -> Collection[PendingCommand]:
        """All commands that are still known."""
        return self._entries.values()

    @property
    def safing(self) -> PendingCommand | None:
        """The safe all that is waiting or being sent."""
        return rules.safing_of(self.commands)

    def get(self, id: str) -> PendingCommand | None:
        """Return the command of that number."""
        return self._entries.get(id)

    def numbered(self, counter: int) -> PendingCommand | None:
        """Return the command that was sent under that counter."""
        return next((entry for entry in self.commands if entry.counter == counter and counter), None)

    def armed(self, command: str) -> PendingCommand | None:
        """Return the armed command of that name: it is not in its own way."""
        armed = (entry for entry in self.commands if entry.state is State.ARMED and entry.command.name == command)
        return next(armed, None)

    def view(self, entry: PendingCommand) -> CommandView:
        """Return how a command looks now."""
        return command_view(entry, self._two_acts.needs_another(entry.command.hazard))

    def admitted(self, command: str, args: Mapping[str, object], operator: str, now_s: float) -> Command | str:
        """Return the command this person may ask for now, or why not."""
        described = rules.asked_for(self._dictionary, command, args)
        if isinstance(described, str) or described.safes_all:
            return described
        return self.why_not_now(operator) or self.why_not_addressed(described.hazard, now_s) or described

    def why_not_now(self, operator: str) -> str | None:
        """Return why this person can command nothing at this moment, or None."""
        return rules.why_not_now(
            operator,
            holder=self._two_acts.holder,
            boot_id=self.boot_id,
            link_up=self.link_up,
            commands=self.commands,
        )

    def why_not_addressed(self, hazard: Hazard, now_s: float) -> str | None:
        """I19: return why no command of that hazard can be addressed to the vehicle as it is known now, or None."""
        return self._addressee.why_not(hazard, now_s, self.boot_id)

    def why_not_alone(self, command: Command | None, own: PendingCommand | None = None) -> str | None:
        """Return which other command is in the way of this one (of a whole plan: None), or None."""
        return rules.why_not_alone(command, own, self.commands)

    def interlocks(self, command: Command) -> tuple[Condition, ...]:
        """Return what must hold before a command may leave, to the vehicle as it is known now."""
        return rules.interlocks_of(self._dictionary, command, is_rehearsal_build=self._addressee.is_rehearsal_build)

    # ------------------------------------------------------------ changing

    def take_id(self, letter: str) -> str:
        """Return a number never used before in this session; commands and plans count together."""
        self._next_id += 1
        return f"{letter}{self._next_id - 1}"

    def add(self, command: Command, args: Mapping[str, object], operator: str, state: State, now_s: float) -> PendingCommand:
        """Put a command in, armed or waiting to be sent; whoever arms one tells of it when it is complete."""
        two_acts = ("asked",) if command.hazard == "routine" else ("asked", "armed", "confirmed")
        verified = ("verified",) if command.effects else ()
        needs = (*two_acts, "sent", "accepted", "completed", *verified)
        numbers = rules.numbers_of(command, args)
        entry = PendingCommand(self.take_id("c"), command, numbers, operator, state, {"asked": now_s}, needs, since_s=now_s)
        self._entries[entry.id] = entry
        self._forget_old()
        if state is not State.ARMED:
            self.changed(entry)
        return entry

    def apply(self, entry: PendingCommand, event: Event, now_s: float, reason: str | None = None) -> bool:
        """The one place where a command changes its state; False when the table of states has no such pair."""
        following = step(entry.state, event)
        if following is None:
            return False
        if reason is not None or following not in (entry.state, State.UNKNOWN):
            entry.reason = reason  # what was said of an earlier state is not true of the new one
        if following is not entry.state:
            entry.since_s = now_s
            entry.state = following
            entry.given_up = entry.given_up or following is State.UNKNOWN
        self.changed(entry)
        return True

    def disarm(self, why: str, now_s: float, also_safe_all: bool = False) -> None:
        """I4: drop everything unsent and stop repeating what was sent; safe all alone goes on unless told otherwise."""
        for entry in list(self.commands):
            if entry.command.safes_all and not also_safe_all:
                continue
            if entry.state in UNSENT or entry.state in (State.SENT, State.ACCEPTED):
                self.apply(entry, Event.DISARM, now_s, why)
                self._actions = [a for a in self._actions if not (isinstance(a, Transmit) and a.id == entry.id)]

    def drop_planned(self, permit: str, why: str, now_s: float) -> None:
        """Drop what was queued under a permit and has not left."""
        for entry in self.commands:
            if entry.permit == permit and entry.state in UNSENT:
                self.apply(entry, Event.DISARM, now_s, why)

    def _forget_old(self) -> None:
        closed = (e for e in self.commands if e.state in ENDED or e.overdue or e.state is State.UNKNOWN)
        ended = [e.id for e in closed if not e.preparing]
        for id in ended[: max(0, len(ended) - KEPT_ENDED)]:
            del self._entries[id]

    # ------------------------------------------------------------ what the caller carries out

    def take_actions(self) -> list[Action]:
        """Return what is to be done, in order, and forget it."""
        actions, self._actions = self._actions, []
        return actions

    def changed(self, entry: PendingCommand) -> None:
        """Have a command's new view recorded and shown."""
        self._actions.append(Changed(self.view(entry)))

    def permit_changed(self, view: PermitView) -> None:
        """Have a permit's new view recorded and shown."""
        self._actions.append(PermitChanged(view))

    def advance(self, now_s: float) -> None:
        """Start the next waiting command when the air is free; safe all does not wait for the air."""
        waiting = [e for e in self.commands if e.state is State.QUEUED and not e.preparing]
        urgent = [e for e in waiting if e.command.safes_all]
        # On wire version 2 safe all is addressed to no start: it need not wait until one is heard.
        if self.boot_id is None and not (urgent and self._dictionary.is_bound):
            return
        if urgent:
            if urgent[0].reason is None or now_s - urgent[0].since_s >= self._dictionary.uplink.resend_after_s:
                self._prepare(urgent[0], now_s)
        elif waiting and not any((e.preparing or e.state is State.SENT) and not e.is_probe for e in self.commands):
            self._prepare(waiting[0], now_s)

    def transmit(self, entry: PendingCommand, now_s: float) -> None:
        """Have its frame sent: the first time, or again, byte for byte."""
        entry.sends += 1
        entry.last_sent_s = now_s
        entry.steps.setdefault("sent", now_s)
        self.apply(entry, Event.WRITE, now_s)
        self._actions.append(Transmit(entry.id, entry.frame, urgent=entry.command.safes_all))

    def _prepare(self, entry: PendingCommand, now_s: float) -> None:
        entry.preparing = True
        entry.reason = None
        entry.since_s = now_s
        entry.boot_id = self.boot_id
        intent = {
            "id": entry.id,
            "command": entry.command.name,
            "args": entry.args,
            "operator": entry.operator,
            "hazard": entry.command.hazard,
            "boot_id": self.boot_id,
            "confirmed_by": entry.confirmed_by,
            "permit": entry.permit,
            "acts": dict(entry.steps),
        }
        self._actions.append(
            Prepare(entry.id, entry.command.name, entry.args, intent, must_be_durable=not entry.command.safes_all)
        )
