"""The vehicle's half of the wire, pure: frames down; commands up, checked, executed once, answered.

Rules (WIRE.md, "What the vehicle does with a command"):
- a frame that is damaged, carries a wrong tag or is not addressed to this start of the vehicle is never executed;
- the counter only grows: a value above the last one is executed once and remembered with its answers;
- the same value again returns the same answers (as new packets, with the next sequence counts) and executes nothing;
  any other old value is refused;
- on wire version 2 a command by another dictionary or out of its time is refused too, and Safe all is obeyed each time it
  is heard, whatever else is wrong.

What commands were taken is one memory for the whole vehicle (`CommandMemory`), whatever number of radios hear them; each
radio has a `VehicleLink`, its own sequence counts. The flight computer of the twin and the tests use these classes; the
generated firmware keeps the same rules.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from protocol.bound import SAFE_ALL_CODE, BoundFrame, SafeAllFrame, is_in_time, open_bound_frame
from protocol.checksum import append_crc
from protocol.commands import CommandFrame, open_command_frame
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from protocol.fields import Packet
from protocol.framing import DELIMITER, FrameSplitter, encode_frame
from protocol.identity import IDENTITY_NAME, Identity
from protocol.packets import COUNT_MODULUS, TIME, TIME_MODULUS_MS, telemetry_header

ANSWERS_KEPT = 16
Store = Callable[[int], bool]  # keeps a counter; False when it could not
Said = tuple[int, str, str]  # code, stage, reason of an answer


@dataclass(frozen=True, slots=True)
class Order:
    """A command to execute now: authentic, addressed to this start, never seen before; Safe all each time it is heard."""

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


@dataclass(frozen=True, slots=True)
class Known:
    """A command taken before, with the answers given so far."""

    counter: int
    answers: tuple[Said, ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """A genuine command that is not obeyed, and the answer owed to it."""

    boot_id: int
    counter: int
    code: int
    reason: str


class CommandMemory:
    """What one start of a vehicle remembers of the commands it took, by whichever radio they came."""

    def __init__(
        self,
        dictionary: Dictionary,
        key: bytes,
        boot_id: int,
        *,
        vehicle_id: int | None = None,
        last_counter: int = 0,
        store: Store | None = None,
        late_ms: int = 0,
    ) -> None:
        """`vehicle_id` is the dictionary's where it is not given; `store` is called with each new counter first.

        `late_ms` is how long after its end a command is still obeyed: 0 but in a simulation faster than real time.
        """
        self.dictionary = dictionary
        self.boot_id = boot_id
        self.vehicle_id = dictionary.uplink.vehicle_id if vehicle_id is None else vehicle_id
        self.last_counter = last_counter
        self.safed_counter = 0
        self.frames_good = 0
        self.frames_bad = 0
        self.key = key
        self._store = store
        self._late_ms = late_ms
        self._safe_all = next((c.name for c in dictionary.commands.values() if c.safes_all), "safe_all")
        self._answers: OrderedDict[int, list[Said]] = OrderedDict()

    def judge(self, encoded: bytes, vehicle_ms: int) -> Order | Known | Refusal | str:
        """Judge one stuffed frame: what to obey, the answers to repeat, the refusal owed, or why it is dropped."""
        frame = self._open(encoded)
        if isinstance(frame, str):
            self.frames_bad += 1
            return frame
        if isinstance(frame, SafeAllFrame):
            return self._make_safe(frame.counter)
        nameless = self.dictionary.is_bound and frame.boot_id == 0  # it cannot tell this start from another
        if nameless or frame.boot_id != self.boot_id:
            self.frames_bad += 1
            return Refusal(frame.boot_id, frame.counter, frame.code, "other boot")
        if frame.counter in self._answers:
            return Known(frame.counter, tuple(self._answers[frame.counter]))
        if frame.counter <= self.last_counter:
            self.frames_bad += 1
            return Refusal(self.boot_id, frame.counter, frame.code, "old counter")
        return self._accept(frame, vehicle_ms)

    def _open(self, encoded: bytes) -> CommandFrame | BoundFrame | SafeAllFrame | str:
        if self.dictionary.is_bound:
            return open_bound_frame(self.key, self.vehicle_id, encoded)
        return open_command_frame(self.key, self.dictionary.uplink.apid, encoded)

    def remember(self, counter: int, code: int, stage: str, reason: str) -> None:
        """Keep an answer for repeats of its command."""
        if code == SAFE_ALL_CODE:  # never repeated: it is obeyed anew
            if stage == "completed":
                self.safed_counter = counter
        elif counter in self._answers:
            self._answers[counter].append((code, stage, reason))

    def identity(self, build: int) -> Identity:
        """Return what the identity packet says now."""
        told = self.dictionary.hash32
        return Identity(build, self.vehicle_id, told, self.boot_id, self.last_counter, self.safed_counter)

    def _make_safe(self, counter: int) -> Order:
        """Obey it always. What was sent before it must not come after it; that this is stored is a help, no condition."""
        self.frames_good += 1
        if counter > self.last_counter:
            self.last_counter = counter
            if self._store is not None:
                self._store(counter)
        return Order(counter, self._safe_all, {}, SAFE_ALL_CODE)

    def _accept(self, frame: CommandFrame | BoundFrame, vehicle_ms: int) -> Order | Refusal:
        """Burn the counter whether or not the command makes sense, so that no frame can ever be tried twice."""
        self.frames_good += 1
        self.last_counter = frame.counter
        self._answers[frame.counter] = []
        while len(self._answers) > ANSWERS_KEPT:
            self._answers.popitem(last=False)
        stored = self._store is None or self._store(frame.counter)
        if isinstance(frame, BoundFrame):
            if frame.dictionary_hash != self.dictionary.hash32:
                return self._refuse(frame, "other dictionary")
            if not is_in_time(frame.valid_until_ms, vehicle_ms, self._late_ms):
                return self._refuse(frame, "too late")
        if not stored:
            return self._refuse(frame, "not stored" if self.dictionary.is_bound else "none")
        command = self.dictionary.command_by_code.get(frame.code)
        if command is None:
            return self._refuse(frame, "unknown command")
        try:
            args = command.unpack_args(frame.args)
        except ValueRefused:
            return self._refuse(frame, "out of range")
        if command.rehearsal:  # this is a flight build: the twin and what stands in for a vehicle in tests
            return self._refuse(frame, "not in this build")
        return Order(frame.counter, command.name, args, frame.code)

    def _refuse(self, frame: CommandFrame | BoundFrame, reason: str) -> Refusal:
        self._answers[frame.counter].append((frame.code, "refused", reason))
        return Refusal(self.boot_id, frame.counter, frame.code, reason)


class VehicleLink:
    """One radio of one start of a vehicle: its sequence counts, and the vehicle's memory of commands."""

    def __init__(self, dictionary: Dictionary, key: bytes, boot_id: int, memory: CommandMemory | None = None) -> None:
        """`memory` is shared where the vehicle has more radios than one."""
        self.dictionary = dictionary
        self.memory = memory or CommandMemory(dictionary, key, boot_id)
        self._counts = dict.fromkeys(dictionary.packets, 0)
        self._splitter = FrameSplitter()
        self.refused = 0  # values that did not fit their field, and went out as the nearest that does

    @property
    def boot_id(self) -> int:
        """Identifier of this start."""
        return self.memory.boot_id

    @property
    def last_counter(self) -> int:
        """The last command counter taken."""
        return self.memory.last_counter

    @property
    def frames_good(self) -> int:
        """Uplink frames accepted."""
        return self.memory.frames_good

    @property
    def frames_bad(self) -> int:
        """Uplink frames dropped or refused."""
        return self.memory.frames_bad

    def frame(self, packet: str, vehicle_ms: int, values: Mapping[str, object]) -> bytes:
        """Return the frame of one packet at vehicle time `vehicle_ms`.

        `values` are engineering values by channel name; enum channels take their text or index. One that does not fit goes
        out as the nearest that does and is counted, so that one bad sensor does not silence a packet. Raises ValueRefused
        for a value that is missing or no number at all.
        """
        described = self.dictionary.packets[packet]
        fields, refused = described.pack_fitted(values)
        self.refused += refused
        return self.frame_of_fields(described, vehicle_ms, fields)

    def frame_of_fields(self, packet: Packet, vehicle_ms: int, fields: bytes) -> bytes:
        """Return the frame of already packed field bytes, taking the packet's next sequence count."""
        count = self._counts[packet.name]
        self._counts[packet.name] = (count + 1) % COUNT_MODULUS
        body = TIME.pack(vehicle_ms % TIME_MODULUS_MS) + fields
        return DELIMITER * packet.lead + encode_frame(append_crc(telemetry_header(packet.apid, count, len(body)) + body))

    def identity_frame(self, vehicle_ms: int, build: int = 0) -> bytes:
        """Return the frame that says who is speaking (wire version 2), signed for that time."""
        return self.frame(IDENTITY_NAME, vehicle_ms, self.memory.identity(build).values(self.memory.key, vehicle_ms))

    def receive(self, data: bytes, vehicle_ms: int = 0) -> list[Order | Repeat | Rejected]:
        """Take uplink bytes as they come; return what each completed frame means, in order."""
        out: list[Order | Repeat | Rejected] = []
        for encoded, dropped in self._splitter.feed(data):
            if dropped:
                self.memory.frames_bad += 1
                out.append(Rejected("bytes skipped"))
            else:
                out.append(self._taken(self.memory.judge(encoded, vehicle_ms), vehicle_ms))
        return out

    def answer(self, order: Order, stage: str, reason: str, vehicle_ms: int) -> bytes:
        """Return the answer frame for `order`, remembered so that a repeat gets the same answer."""
        self.memory.remember(order.counter, order.code, stage, reason)
        return self._answer_frame(self.boot_id, order.counter, (order.code, stage, reason), vehicle_ms)

    def _taken(self, judged: Order | Known | Refusal | str, vehicle_ms: int) -> Order | Repeat | Rejected:
        if isinstance(judged, str):
            return Rejected(judged)
        if isinstance(judged, Order):
            return judged
        if isinstance(judged, Known):
            frames = [self._answer_frame(self.boot_id, judged.counter, said, vehicle_ms) for said in judged.answers]
            return Repeat(judged.counter, tuple(frames))
        said = (judged.code, "refused", judged.reason)
        return Rejected(judged.reason, self._answer_frame(judged.boot_id, judged.counter, said, vehicle_ms))

    def _answer_frame(self, boot_id: int, counter: int, said: Said, vehicle_ms: int) -> bytes:
        code, stage, reason = said
        told = boot_id & 0xFFFF_FFFF if self.dictionary.is_bound else boot_id
        values = {"boot_id": told, "counter": counter, "code": code, "stage": stage, "reason": reason}
        return self.frame("answer", vehicle_ms, values)
