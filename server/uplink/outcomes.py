"""What became of a command that was sent: the vehicle's answers, its signed word on Safe all, and what telemetry shows.

No I/O; time is an argument (session seconds). What is sent, and when, is the queue's.
"""

from __future__ import annotations

from protocol.dictionary import Dictionary
from server.telemetry.conditions import Readings, effect_shown
from server.uplink.addressee import Addressee
from server.uplink.command_entry import PendingCommand
from server.uplink.command_state import Event, State, step
from server.uplink.command_table import CommandTable
from server.uplink.round_trip import RoundTrips

ANSWERS = {"accepted": Event.ACCEPT, "refused": Event.REFUSE, "completed": Event.COMPLETE, "failed": Event.FAIL}
# The vehicle says of these that it did not execute *this copy*. An earlier copy may have been executed and forgotten
# (a firing that browns the vehicle out is answered "other boot" when it is sent again), so they are no outcome.
NO_OUTCOME = ("old counter", "other boot")
# A vehicle answers a number it has had before with what it said then, whatever is asked under it now.
NUMBER_TAKEN = "the vehicle answers for another command under this number; another station uses this command key"
# The vehicle's word on Safe all names a number that a later command has left behind.
NUMBER_OVERTAKEN = "the vehicle carried out a Safe all of this number, maybe before what it took since; it is asked anew"


def _told_of(boot_id: int | None) -> int | None:
    """Return what an answer of wire version 2 tells of a start id: its lower 32 bits."""
    return None if boot_id is None else boot_id & 0xFFFF_FFFF


class Outcomes:
    """Applies what is heard to the commands of one table."""

    def __init__(
        self, dictionary: Dictionary, readings: Readings, table: CommandTable, trips: RoundTrips, addressee: Addressee
    ) -> None:
        self._dictionary = dictionary
        self._addressee = addressee
        self._readings = readings
        self._table = table
        self._trips = trips

    def on_answer(self, boot_id: int, counter: int, stage: str, reason: str, now_s: float, code: int | None = None) -> bool:
        """Take an answer of the vehicle; tell whether it belonged to a command of ours and changed something.

        `code` is the command it answers, None where no field tells it.
        """
        entry = self._table.numbered(counter)
        if entry is None or not self._is_from(entry, boot_id):
            return False
        if code is not None and code != entry.command.code:
            # Safe all is obeyed under every number, and repeats until it is answered itself.
            return not entry.command.safes_all and self._table.apply(entry, Event.DOUBT, now_s, NUMBER_TAKEN)
        return self._take(entry, stage, reason, now_s)

    def _take(self, entry: PendingCommand, stage: str, reason: str, now_s: float) -> bool:
        if not entry.answered:
            entry.answered = True
            self._trips.note(entry.first_sent_s, now_s)
        event = ANSWERS.get(stage)
        if stage == "refused" and reason in NO_OUTCOME:
            return self._take_doubt(entry, reason, now_s)
        if event is None or step(entry.state, event) is None:
            return False
        if stage in ("accepted", "completed"):
            entry.steps.setdefault(stage, now_s)
            entry.steps.setdefault("accepted", now_s)
        changed = self._table.apply(entry, event, now_s, None if reason == "none" else reason)
        self.on_telemetry(now_s)
        self._table.advance(now_s)
        return changed

    def on_safed(self, counter: int, last_counter: int, now_s: float) -> None:
        """The signed identity packet says that Safe all number `counter` was carried out (0: none yet).

        Where a command of a higher number was taken, that may have been an earlier Safe all of this number (lost counters,
        copies of one key), before whatever was armed since: then it is asked anew, above that number.
        """
        entry = self._table.numbered(counter) if counter else None
        if entry is None or not entry.command.safes_all:
            return
        if last_counter == counter and entry.state in (State.SENT, State.ACCEPTED, State.UNKNOWN):
            self._take(entry, "completed", "none", now_s)
        elif entry.state is State.SENT:
            self._doubt(entry, NUMBER_OVERTAKEN, "the number of the one before was used already", now_s)

    def on_telemetry(self, now_s: float) -> None:
        """Look whether telemetry now shows the effect of what the vehicle says it has done."""
        if self._addressee.why_misread is not None:
            return
        for entry in self._table.commands:
            is_of_this_start = entry.boot_id == self._table.boot_id or self._is_for_any_start(entry)
            if entry.state is not State.COMPLETED or not is_of_this_start:
                continue  # what another start of the vehicle shows proves nothing about this command
            since_s = max(entry.since_s, entry.first_sent_s)
            if effect_shown(self._dictionary, entry.command, entry.args, entry.counter, self._readings, now_s, since_s):
                entry.steps["verified"] = now_s
                self._table.apply(entry, Event.SHOW, now_s)

    def _is_for_any_start(self, entry: PendingCommand) -> bool:
        return self._dictionary.is_bound and entry.command.safes_all

    def _is_from(self, entry: PendingCommand, boot_id: int) -> bool:
        """Tell whether an answer comes from the start a command was addressed to; on wire version 2 it tells 32 bits."""
        if self._is_for_any_start(entry):
            signed = self._addressee.heard  # a start that was never addressed, heard nor signed for is a stranger's
            known = (entry.boot_id, self._table.boot_id, None if signed is None else signed.said.boot_id)
            return boot_id in map(_told_of, known)
        if self._dictionary.is_bound:
            return boot_id == _told_of(entry.boot_id)
        return entry.boot_id == boot_id

    def _take_doubt(self, entry: PendingCommand, reason: str, now_s: float) -> bool:
        """The vehicle refused a copy in a way that tells nothing of earlier copies; safe all is asked anew."""
        sentence = f"the vehicle answers '{reason}'; an earlier copy may have been executed"
        return self._doubt(entry, sentence, f"the vehicle answered '{reason}' to the one before", now_s)

    def _doubt(self, entry: PendingCommand, sentence: str, why_again: str, now_s: float) -> bool:
        changed = self._table.apply(entry, Event.DOUBT, now_s, sentence)
        if changed and entry.command.safes_all and self._table.safing is None:
            again = self._table.add(entry.command, {}, entry.operator, State.QUEUED, now_s)
            again.reason = why_again  # with a reason it waits a while
            self._table.changed(again)
        self._table.advance(now_s)
        return changed
