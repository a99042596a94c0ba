"""Getting the flight computer into a rehearsal and out of it, and playing stimuli to it, one answered before the next.

Only a computer that says it is a rehearsal build, of this vehicle and this dictionary, signed with this key, is asked.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping, Sequence

from protocol.commands import Command
from protocol.dictionary import Dictionary
from protocol.events import PacketReceived
from protocol.identity import BUILDS, IDENTITY_NAME, Identity
from protocol.link import NEED_DATA, Link
from protocol.rehearsal import REHEARSAL_NAME, STIMULI_STOPPED
from protocol.stimulus import StimulusEncoder
from server.problems import Problem
from server.rehearsal.answers import Answer, AnswerReader
from server.rehearsal.tape import Tape
from server.rehearsal.wires import Wire

VALID_MS = 5000  # as long as the station itself gives a command
HEARD_WITHIN_S = 5.0  # identity comes every second
ANSWERED_WITHIN_S = 1.0
TRIES = 3
STEP_ANSWERED_WITHIN_S = 5.0  # longer than any keep-alive time: who stood still shows by how the rehearsal ended
STOOD_STILL_SHARE = 0.5  # of the keep-alive time: the computer's clock need not be ours
LEFT_S = 0.3
HEARD = 4096
STARTED_WITHIN_S = 5.0
GROUND_TEST = "ground test"
WHY = {
    "not wired": "To the vehicle this port is a radio; a rehearsal needs its cable.",
    "not in this build": "It was compiled for flight.",
    "not in ground test": "By what it measures it does not lie on a bench.",
    "continuity": "Something is connected to a firing channel: take igniters and charges out.",
}
NOT_ASKED = "Nothing was asked of it."


class RehearsalProblem(Problem):
    """A rehearsal cannot begin or go on; the text is one plain sentence."""


class Refused(RehearsalProblem):
    """A command was not carried out; the text is one plain sentence."""


class Ended(RehearsalProblem):
    """The flight computer ended the rehearsal by itself; `why` as it told it."""

    def __init__(self, why: str) -> None:
        super().__init__(f"The flight computer has ended the rehearsal: {why}.")
        self.why = why


class StoodStill(Ended):
    """It ended for want of stimuli, and rightly: for `seconds` nothing crossed the cable. It says nothing of the computer.

    A machine with too much to do stops the sender or the program for as long as this; a program that hangs looks the same.
    """

    def __init__(self, why: str, seconds: float) -> None:
        super().__init__(f"{why}, and for {seconds:.2f} s nothing was sent or answered")


class Conversation:
    """One flight computer at the other end of a wire. `now` is a clock in s, `take_counter` gives a number never used."""

    def __init__(
        self,
        dictionary: Dictionary,
        key: bytes,
        wire: Wire,
        take_counter: Callable[[], int],
        now: Callable[[], float],
    ) -> None:
        if dictionary.rehearsal is None or not dictionary.stimuli:
            raise RehearsalProblem(f"{dictionary.name} describes no stimuli, so it cannot be rehearsed.")
        self.dictionary = dictionary
        self._keep_alive_s = dictionary.rehearsal.keep_alive_s
        self._key, self._wire, self._take_counter, self._now = key, wire, take_counter, now
        self._link = Link(dictionary, key)
        self.identity: Identity | None = None
        self._identity_ms = 0
        self._identity_at_s = 0.0
        self._signed = False
        self._answered: dict[int, list[tuple[str, str]]] = {}
        self._heard: deque[tuple[float, int]] = deque(maxlen=HEARD)  # when packets came, their time by its clock, ms
        self._benched = False
        self.restart: Callable[[], None] | None = None  # starts the computer anew, where that can be done
        self._since_us = 0
        self.phase = ""  # as it last said outside a rehearsal
        self._simulators: tuple[int, ...] = ()  # lateral channels that were said to have one
        self._unsaid: tuple[int, ...] = ()  # those of them that this start of the computer was not told
        self._encoder: StimulusEncoder | None = None
        self.reader = AnswerReader(dictionary)
        self.firmware = ""
        self.session = 0
        self.number = 0  # of the last stimulus sent
        self.delays_s: list[float] = []
        self._sent_s = math.inf  # when the last stimulus went
        self._gap_s = 0.0  # between it and the one before
        self._told_off = False
        self.tape: Tape | None = None  # where what crosses the cable is kept meanwhile
        names = dictionary.packets["answer"].channel_names
        self._answer_places = tuple(names.index(name) for name in ("counter", "stage", "reason"))
        self._answer_texts = tuple(dictionary.packets["answer"].channel(name).values for name in ("stage", "reason"))
        state = dictionary.packets[REHEARSAL_NAME]
        self._states, self._endings = (state.channel(name).values for name in ("state", "ended"))

    # ------------------------------------------------------------ before and after

    def meet(self) -> Identity:
        """Listen until it has said who it is; raises RehearsalProblem when it is not whom a rehearsal is for."""
        self._listen(HEARD_WITHIN_S, lambda: self.identity is not None)
        said = self.identity
        if said is None:
            raise RehearsalProblem(f"Nothing that says who it is was heard within {HEARD_WITHIN_S:g} s. {NOT_ASKED}")
        if not self._signed:
            raise RehearsalProblem(f"It holds another command key than this station. {NOT_ASKED}")
        ours = self.dictionary.uplink.vehicle_id
        if said.vehicle_id != ours:
            raise RehearsalProblem(f"This is vehicle {said.vehicle_id}, the dictionary is for vehicle {ours}. {NOT_ASKED}")
        if said.dictionary_hash != self.dictionary.hash32:
            told, here = f"{said.dictionary_hash:08x}", f"{self.dictionary.hash32:08x}"
            raise RehearsalProblem(f"It was built from dictionary {told}, this one is {here}. {NOT_ASKED}")
        if said.build != BUILDS.index("rehearsal"):
            raise RehearsalProblem(f"This is a flight build, which obeys no stimuli. {NOT_ASKED}")
        return said

    @property
    def rehearses(self) -> bool:
        """Whether a rehearsal has begun and was not ended."""
        return self._encoder is not None

    def pace(self, seconds: float) -> float:
        """Listen so long; return how many seconds pass on the vehicle's clock in one of ours, 0 when too little is heard."""
        self._listen(LEFT_S, lambda: False)  # what has waited to be read is no measure
        self._heard.clear()
        begun_s = self._now()
        self._listen(seconds, lambda: False)
        early = [one for one in self._heard if one[0] < begun_s + seconds / 3.0]
        late = [one for one in self._heard if one[0] > begun_s + seconds / 1.5]
        if not early or not late:
            return 0.0
        # Of each those that came with the least delay: it is never negative, and great where this computer is busy.
        promptest = [min(some, key=lambda one: one[0] - one[1] / 1000.0) for some in (early, late)]
        (first_s, first_ms), (last_s, last_ms) = promptest
        return (last_ms - first_ms) / 1000.0 / (last_s - first_s)

    def begin_anew(self, time_us: int) -> None:
        """Start the computer anew, and its rehearsal, in which `time_us` of the flight is the beginning."""
        if self.restart is None:
            raise RehearsalProblem("Only a program and an emulated board can be started anew.")
        self.identity, self._encoder, self._benched = None, None, False
        self._link = Link(self.dictionary, self._key)
        self.restart()
        self._unsaid = self._simulators
        self.meet()
        self._enter(False)
        self._since_us = time_us

    def begin(self) -> None:
        """Ground test, then the rehearsal; one that has left a rehearsal may be in ground test still, so ask at once."""
        self._enter(True)

    def acknowledge(self, channels: Sequence[int]) -> None:
        """Have these lateral channels said to have a simulator, no igniter, before the next rehearsal; each once a start."""
        self._simulators = self._unsaid = tuple(channels)

    def _enter(self, is_new: bool) -> None:
        def ask() -> int:
            if self.tape is not None and is_new:
                self.tape.kept.clear()  # what came before is no part of the rehearsal
            return self.command(_of_kind(self.dictionary, "enter"), {})

        try:
            self.session = ask() if self._benched else 0
        except Refused:
            self.session = 0
        if not self.session:
            self._go_to_the_bench()
            for channel in self._unsaid:
                self.command(_of_kind(self.dictionary, "simulator"), {"channel": float(channel)})
            self._unsaid = ()  # said once: it runs out by the computer's clock, and a person says it again
            self.session = ask()
        self._benched = False
        self._encoder = StimulusEncoder(self.dictionary, self.dictionary.uplink.vehicle_id, self.session)
        self.number = self._since_us = 0
        self._sent_s, self._gap_s = math.inf, 0.0
        self.reader = AnswerReader(self.dictionary)

    def _go_to_the_bench(self) -> None:
        """Ask for ground test; a computer that has just started refuses it until it is through with that."""
        bench = ground_test_command(self.dictionary)
        end = self._now() + STARTED_WITHIN_S
        while bench is not None:
            try:
                self.command(*bench)
                return
            except Refused:
                if self._now() > end:
                    raise
                self._listen(0.3, lambda: False)

    def leave(self) -> None:
        """End the rehearsal; what the computer has ended already is left alone."""
        if self._encoder is not None:
            self._encoder = None
            self._identity_ms, self._identity_at_s = self.reader.vehicle_ms, self._now()  # its clock went as it was played
            self._told_off = False
            self.command(_of_kind(self.dictionary, "leave"), {})
            if self.tape is not None:  # a recording says itself that the rehearsal is over
                self._listen(ANSWERED_WITHIN_S, lambda: self._told_off)
            self._benched = True
            if self._heard:  # and goes by itself again, from a time that only its answer tells
                self._identity_at_s, self._identity_ms = self._heard[-1]

    def close(self) -> None:
        """Let go of the wire."""
        self._wire.close()

    # ------------------------------------------------------------ playing

    def play(self, stimuli: Sequence[tuple[str, int, Sequence[float]]], wait_s: float = STEP_ANSWERED_WITHIN_S) -> Answer:
        """Send stimuli of one moment, (name, time in us, values), the last of them the step; return the step's answer.

        Raises Ended when the computer ends the rehearsal (StoodStill, where it had to), RehearsalProblem when it does not
        answer in time.
        """
        sent_s = self.send(stimuli)
        answer = self.answer(wait_s)
        self.delays_s.append(self._now() - sent_s)
        return answer

    def send(self, stimuli: Sequence[tuple[str, int, Sequence[float]]]) -> float:
        """Send stimuli of one moment; returns when, by the clock in s."""
        encoder = self._encoder
        if encoder is None:
            raise RehearsalProblem("No rehearsal has begun.")
        data = b"".join([encoder.frame(name, max(0, time_us - self._since_us), values) for name, time_us, values in stimuli])
        self.number = encoder.number
        now = self._now()
        self._gap_s, self._sent_s = max(0.0, now - self._sent_s), now
        if self.tape is not None:
            self.tape.time_us = stimuli[-1][1]
        self._write(data)
        return now

    def answer(self, wait_s: float) -> Answer:
        """Wait for the answer to the last step sent."""
        end = self._now() + wait_s
        while True:
            left = max(0.0, end - self._now())
            answer = self.hear(left)
            if answer is not None:
                return answer
            if not left:
                raise RehearsalProblem(f"No answer to stimulus {self.number} within {wait_s:g} s.")

    def hear(self, wait_s: float) -> Answer | None:
        """Wait for bytes so long at most; return the answer to the last step sent when it is among what they complete.

        Raises Ended when the computer ends the rehearsal.
        """
        found = None
        for answer in self.reader.take(self._read(wait_s)):
            self._still_on(answer)
            if answer.number >= self.number:
                found = answer
        return found

    def _still_on(self, answer: Answer) -> None:
        places = self.reader.state_places
        if self._states[int(answer.state[places["state"]])] != "rehearsing" and self.number:
            self._encoder = None
            why = self._endings[int(answer.state[places["ended"]])]
            still_s = max(self._gap_s, self._now() - self._sent_s)
            if why == STIMULI_STOPPED and still_s >= STOOD_STILL_SHARE * self._keep_alive_s:
                raise StoodStill(why, still_s)
            raise Ended(why)

    def _write(self, data: bytes) -> None:
        self._wire.write(data)
        if self.tape is not None:
            self.tape.keep(True, data)

    def _read(self, wait_s: float) -> bytes:
        data = self._wire.read(wait_s)
        if data and self.tape is not None:
            self.tape.keep(False, data)
        return data

    # ------------------------------------------------------------ commands

    def command(self, command: Command, args: Mapping[str, float]) -> int:
        """Ask for something, repeat it while nothing answers, wait until it is done; returns its counter."""
        counter = self._take_counter()
        frame = self._link.send(command.name, args, counter, self._vehicle_ms() + VALID_MS)
        for _ in range(TRIES):
            self._write(frame)
            self._listen(ANSWERED_WITHIN_S, lambda: counter in self._answered)
            if counter in self._answered:
                break
        else:
            raise RehearsalProblem(f"{command.title}: no answer.")
        self._listen(ANSWERED_WITHIN_S * TRIES, lambda: self._answered[counter][-1][0] != "accepted")
        stage, reason = self._answered[counter][-1]
        if stage != "completed":
            told = f"{command.title}: {stage}" + (f", {reason}." if reason != "none" else ".")
            raise Refused(f"{told} {WHY[reason]}" if reason in WHY else told)
        return counter

    def _vehicle_ms(self) -> int:
        return self._identity_ms + round((self._now() - self._identity_at_s) * 1000.0)

    def _listen(self, seconds: float, until: Callable[[], bool]) -> None:
        end = self._now() + seconds
        while not until() and (left := end - self._now()) > 0.0:
            data = self._read(min(left, 0.2))
            if data:
                self._link.receive_data(data, self._now())
                while (event := self._link.next_event()) is not NEED_DATA:
                    if isinstance(event, PacketReceived):
                        self._take(event)

    def _take(self, event: PacketReceived) -> None:
        self._heard.append((self._now(), event.time_ms))
        if event.packet.name == IDENTITY_NAME:
            self.identity = Identity.of(event.values)
            self._identity_ms, self._identity_at_s = event.time_ms, self._now()
            self._signed = self.identity.signed_by(self._key, event.time_ms)
        elif event.packet.name == REHEARSAL_NAME:
            place = event.packet.channel_names.index("state")
            self._told_off = self._states[int(event.values[place])] == "off"
        elif event.packet.name == "answer":
            counter, stage, reason = (int(event.values[place]) for place in self._answer_places)
            stages, reasons = self._answer_texts
            self._answered.setdefault(counter, []).append((stages[stage], reasons[reason]))
        elif (phase := self.dictionary.roles.get("vehicle_phase")) is not None and event.packet.name == phase.packet:
            self.phase = str(phase.text_of(float(event.values[event.packet.channel_names.index(phase.name)])))
        elif event.packet.name == "startup" and "firmware" in event.packet.channel_names:
            self.firmware = str(event.values[event.packet.channel_names.index("firmware")])


def check_simulators(dictionary: Dictionary, channels: Sequence[int]) -> None:
    """Raise RehearsalProblem for a channel of which no simulator can be acknowledged: recovery, and what is not there."""
    if channels:
        (channel,) = _of_kind(dictionary, "simulator").args
        low, high = round(channel.low), round(channel.high)
        wrong = next((number for number in channels if not low <= number <= high), None)
        if wrong is not None:
            told = f"for lateral channels {low} to {high}, never for recovery; {wrong} is none of them"
            raise RehearsalProblem(f"Simulators are acknowledged {told}.")


def ground_test_command(dictionary: Dictionary) -> tuple[Command, dict[str, float]] | None:
    """Return the command, with its arguments, whose effect is that the vehicle says it is in ground test."""
    for command in dictionary.commands.values():
        for effect in command.effects:
            if effect.role == "vehicle_phase" and len(command.args) <= 1:
                for value in (0.0, 1.0) if command.args else (0.0,):
                    args = {command.args[0].name: value} if command.args else {}
                    if effect.operand_for(args) == GROUND_TEST:
                        return command, args
    return None


def _of_kind(dictionary: Dictionary, kind: str) -> Command:
    for command in dictionary.commands.values():
        if command.rehearsal == kind:
            return command
    raise RehearsalProblem(f"{dictionary.name} has no command for: {kind}.")
