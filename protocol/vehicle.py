"""The vehicle's half of the wire, pure: frames down; commands up, checked, executed once, answered.

Rules (WIRE.md, "What the vehicle does with a command"):
- a frame that is damaged, carries a wrong tag or is not addressed to this start of the vehicle is never executed;
- the counter only grows: a value above the last one is executed once and remembered with its answers;
- the same value again returns the same answers (as new packets, with the next sequence counts) and executes nothing;
  any other old value is refused.

The flight computer of the twin and the tests use this class; the generated firmware keeps the same rules.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass

from protocol.checksum import append_crc
from protocol.commands import CommandFrame, open_command_frame
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from protocol.fields import Packet
from protocol.framing import FrameSplitter, encode_frame
from protocol.packets import COUNT_MODULUS, TIME, TIME_MODULUS_MS, telemetry_header

ANSWERS_KEPT = 16


@dataclass(frozen=True, slots=True)
class Order:
    """A command to execute now: authentic, addressed to this start, never seen before."""

    counter: int
    command: str
    args: Mapping[str, float]
    code: int


@dataclass(frozen=True, slots=True)
class Repeat:
    """A command seen before: execute nothing, send these stored answers again."""

    counter: int
    frames: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Rejected:
    """An uplink frame that is not executed. `answer` is set where the wire's rules want a refusal sent."""

    reason: str
    answer: bytes | None = None


class VehicleLink:
    """One start of a vehicle: its sequence counts and its command memory."""

    def __init__(self, dictionary: Dictionary, key: bytes, boot_id: int) -> None:
        self.dictionary = dictionary
        self.boot_id = boot_id
        self.last_counter = 0
        self.frames_good = 0
        self.frames_bad = 0
        self._key = key
        self._splitter = FrameSplitter()
        self._counts = dict.fromkeys(dictionary.packets, 0)
        self._answers: OrderedDict[int, list[tuple[int, str, str]]] = OrderedDict()

    def frame(self, packet: str, vehicle_ms: int, values: Mapping[str, object]) -> bytes:
        """Return the complete frame of one packet at vehicle time `vehicle_ms`.

        `values` are engineering values by channel name; enum channels take their text or index. Raises ValueRefused.
        """
        described = self.dictionary.packets[packet]
        return self.frame_of_fields(described, vehicle_ms, described.pack(values))

    def frame_of_fields(self, packet: Packet, vehicle_ms: int, fields: bytes) -> bytes:
        """Return the frame of already packed field bytes, taking the packet's next sequence count."""
        count = self._counts[packet.name]
        self._counts[packet.name] = (count + 1) % COUNT_MODULUS
        body = TIME.pack(vehicle_ms % TIME_MODULUS_MS) + fields
        return encode_frame(append_crc(telemetry_header(packet.apid, count, len(body)) + body))

    def receive(self, data: bytes, vehicle_ms: int = 0) -> list[Order | Repeat | Rejected]:
        """Take uplink bytes as they come; return what each completed frame means, in order."""
        out: list[Order | Repeat | Rejected] = []
        for encoded, dropped in self._splitter.feed(data):
            if dropped:
                self.frames_bad += 1
                out.append(Rejected("bytes skipped"))
            else:
                out.append(self._judge(open_command_frame(self._key, self.dictionary.uplink.apid, encoded), vehicle_ms))
        return out

    def answer(self, order: Order, stage: str, reason: str, vehicle_ms: int) -> bytes:
        """Return the answer frame for `order`, remembered so that a repeat gets the same answer."""
        return self._remember(order.counter, order.code, stage, reason, vehicle_ms)

    def _judge(self, frame: CommandFrame | str, vehicle_ms: int) -> Order | Repeat | Rejected:
        if isinstance(frame, str):
            self.frames_bad += 1
            return Rejected(frame)
        if frame.boot_id != self.boot_id:
            self.frames_bad += 1
            return Rejected("other boot", self._refusal(frame, "other boot", vehicle_ms))
        if frame.counter in self._answers:
            answers = self._answers[frame.counter]
            frames = [self._answer_frame(self.boot_id, frame.counter, *answer, vehicle_ms) for answer in answers]
            return Repeat(frame.counter, tuple(frames))
        if frame.counter <= self.last_counter:
            self.frames_bad += 1
            return Rejected("old counter", self._refusal(frame, "old counter", vehicle_ms))
        return self._accept(frame, vehicle_ms)

    def _accept(self, frame: CommandFrame, vehicle_ms: int) -> Order | Rejected:
        """Burn the counter whether or not the command makes sense, so that no frame can ever be tried twice."""
        self.frames_good += 1
        self.last_counter = frame.counter
        self._answers[frame.counter] = []
        while len(self._answers) > ANSWERS_KEPT:
            self._answers.popitem(last=False)
        command = self.dictionary.command_by_code.get(frame.code)
        if command is None:
            return self._refuse(frame, "unknown command", vehicle_ms)
        try:
            args = command.unpack_args(frame.args)
        except ValueRefused:
            return self._refuse(frame, "out of range", vehicle_ms)
        return Order(frame.counter, command.name, args, frame.code)

    def _refuse(self, frame: CommandFrame, reason: str, vehicle_ms: int) -> Rejected:
        return Rejected(reason, self._remember(frame.counter, frame.code, "refused", reason, vehicle_ms))

    def _remember(self, counter: int, code: int, stage: str, reason: str, vehicle_ms: int) -> bytes:
        if counter in self._answers:
            self._answers[counter].append((code, stage, reason))
        return self._answer_frame(self.boot_id, counter, code, stage, reason, vehicle_ms)

    def _refusal(self, frame: CommandFrame, reason: str, vehicle_ms: int) -> bytes:
        return self._answer_frame(frame.boot_id, frame.counter, frame.code, "refused", reason, vehicle_ms)

    def _answer_frame(self, boot_id: int, counter: int, code: int, stage: str, reason: str, vehicle_ms: int) -> bytes:
        values = {"boot_id": boot_id, "counter": counter, "code": code, "stage": stage, "reason": reason}
        return self.frame("answer", vehicle_ms, values)
