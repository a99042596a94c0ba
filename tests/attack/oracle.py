"""Judges what the vehicles did with the bytes they heard. Shares no code with the queue or the wire.

Frames and answers are read from WIRE.md alone, the dictionaries' tables from their TOML text. The oracle is told what left
a station, which bytes each radio of each vehicle heard and when, and what the vehicle did; everything it finds wrong is
counted in `faults` by the names of `FAULTS`, what reached a check is counted in `seen`.
"""

from __future__ import annotations

import hashlib
import hmac
import struct
import tomllib
from binascii import crc_hqx
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

COMMAND, SAFE_ALL, ANSWER = 2045, 2046, 28
LABELS = {COMMAND: b"BH2 command", SAFE_ALL: b"BH2 safe all"}
TAG = 16
OBEYED_FOR_S = 5.0  # after it was made
ROUNDING_S = 0.01
RUN_MAX = 255
SAFES = "safe_all"
# The vehicle says of these that it did not execute this copy, and of earlier ones nothing.
NO_OUTCOME = ("old counter", "other boot")
FAULTS = (
    "executed twice",
    "executed late",
    "executed by the wrong vehicle or start",
    "executed something else than was asked",
    "executed after a newer one",
    "executed what no station sent",
    "wrong outcome shown",
    "Safe all refused",
    "left for a vehicle that did not say so",
)


def unstuffed(run: bytes) -> bytes | None:
    """Undo COBS; None where a code byte points beyond the end."""
    pieces, at = [], 0
    while at < len(run):
        code = run[at]
        if at + code > len(run):
            return None
        pieces.append(run[at + 1 : at + code])
        at += code
    return b"\0".join(pieces)


class Words:
    """What a dictionary's text says of commands and answers: names, arguments, stages and reasons."""

    def __init__(self, text: str, told: int) -> None:
        """`told` is the dictionary's hash, by which frames name it."""
        raw = tomllib.loads(text)
        self.told = told
        self.vehicle = raw["uplink"]["vehicle_id"]
        self.commands = {c["code"]: (name, c.get("args", [])) for name, c in raw["command"].items() if "code" in c}
        self.hazardous = {name for name, c in raw["command"].items() if c["hazard"] == "hazardous"}
        fields = {f["name"]: f.get("values", []) for f in raw["packet"]["answer"]["fields"]}
        self.stages, self.reasons = fields["stage"], fields["reason"]

    def asked(self, code: int, data: bytes) -> tuple[str, tuple[float, ...]]:
        """Return the name and the argument values of a command's bytes."""
        name, args = self.commands[code]
        values, at = [], 0
        for arg in args:
            size = int(arg["type"][1:]) // 8
            raw = int.from_bytes(data[at : at + size], "big", signed=arg["type"][0] == "i")
            values.append(raw * arg.get("scale", 1))
            at += size
        assert at == len(data), "argument bytes left over"
        return name, tuple(values)


@dataclass(frozen=True, slots=True)
class Left:
    """A frame of a station as an outsider reads it, and when it was made (s)."""

    vehicle: int
    counter: int
    made_s: float
    boot: int = 0
    told: int = 0  # hash of the dictionary
    valid_until: int = 0
    command: str = SAFES
    args: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer frame as an outsider reads it."""

    boot: int
    counter: int
    stage: str
    reason: str


@dataclass(frozen=True, slots=True)
class Heard:
    """What a radio heard and when; `stores`: whether a counter can be stored then.

    `whole` is what stands between the zeros of a frame that must be understood, `marred`: although something is about it.
    """

    now_s: float
    radio: int
    data: bytes
    stores: bool
    whole: bytes
    marred: bool


@dataclass
class Start:
    """One start of one vehicle: who it is, by which dictionary it reads, what it was seen to do."""

    vehicle: int
    boot: int
    words: Words
    number: int
    pending: dict[int, bytes] = field(default_factory=dict)  # by radio: heard since the last zero
    executed: set[int] = field(default_factory=set)
    newest: int = 0  # highest counter executed, of Safe all too
    first_heard: dict[int, tuple[int, str]] = field(default_factory=dict)  # by counter: radio, what came of it


@dataclass
class Oracle:
    """The judge of a whole campaign."""

    key: bytes
    vehicles: tuple[int, ...]
    dictionaries: dict[int, Words]  # by hash
    ours: int  # hash of the station's dictionary
    faults: Counter[str] = field(default_factory=Counter)
    examples: dict[str, str] = field(default_factory=dict)
    seen: Counter[str] = field(default_factory=Counter)
    left: dict[bytes, Left] = field(default_factory=dict)  # by the bytes between the zeros
    _by_counter: dict[int, Left] = field(default_factory=dict)
    _executed: set[int] = field(default_factory=set)  # counters
    _told: dict[int, str] = field(default_factory=dict)  # counter: completed or refused

    def fault(self, name: str, example: str) -> None:
        """Count one."""
        assert name in FAULTS
        self.faults[name] += 1
        self.examples.setdefault(name, example)

    # ------------------------------------------------------------ what leaves

    def leaves(self, frame: bytes, vehicle: int, command: str, args: Iterable[float], now_s: float) -> Left:
        """Take a frame that leaves a station for the first time; it must read as what was asked."""
        run = frame.strip(b"\0")
        left = self.read(run, now_s)
        assert left is not None and left.vehicle == vehicle, "a station's frame does not read as one for its vehicle"
        given = tuple(args)
        same = len(given) == len(left.args) and all(abs(a - b) < 1e-4 for a, b in zip(given, left.args, strict=True))
        if left.command != command or not same:
            self.fault("executed something else than was asked", f"{command} {given} left as {left}")
        if left.counter in self._by_counter:
            self.fault("wrong outcome shown", f"counter {left.counter} names two commands")
        self.left[run] = self._by_counter[left.counter] = left
        self.seen["frames that left"] += 1
        return left

    def read(self, run: bytes, now_s: float) -> Left | None:
        """Read the bytes between two zeros by WIRE.md; None for what no vehicle may look at."""
        packet = self._packet(run)
        if packet is None:
            return None
        apid, signed = int.from_bytes(packet[:2], "big") & 0x7FF, packet[:-TAG]
        for vehicle in self.vehicles:
            content = LABELS[apid] + vehicle.to_bytes(4, "big") + signed
            if hmac.digest(self.key, content, hashlib.sha256)[:TAG] == packet[-TAG:]:
                break
        else:
            return None
        if apid == SAFE_ALL:
            return Left(vehicle, int.from_bytes(signed[6:], "big"), now_s)
        boot, told, counter, until, code = struct.unpack(">QIIIB", signed[6:27])
        return Left(vehicle, counter, now_s, boot, told, until, *self.dictionaries[told].asked(code, signed[27:]))

    def _packet(self, run: bytes) -> bytes | None:
        content = unstuffed(run)
        if content is None or len(content) < 28 or crc_hqx(content, 0xFFFF):
            return None
        first, count, length = struct.unpack(">HHH", content[:6])
        if first not in (0x1000 | COMMAND, 0x1000 | SAFE_ALL) or count < 0xC000 or length + 1 != len(content) - 8:
            return None
        return content[:-2]

    # ------------------------------------------------------------ what a vehicle hears and does

    def heard(self, start: Start, heard: Heard, did: list[Did | Answer]) -> None:
        """Judge what a start of a vehicle did (`Did` and `Answer`, in order) when one of its radios heard bytes."""
        radio, data, now_s, stores = heard.radio, heard.data, heard.now_s, heard.stores
        *runs, start.pending[radio] = (start.pending.get(radio, b"") + data).split(b"\0")
        genuine = []
        for run in filter(None, runs):
            left = self.left.get(run) if len(run) <= RUN_MAX else None
            if left is None:
                self.seen["dropped: junk, damaged or forged"] += 1
            elif left.vehicle != start.vehicle:
                self.seen["dropped: for another vehicle"] += 1
            else:
                genuine.append(left)
        executed = [item for item in did if isinstance(item, Did)]
        answers = [item for item in did if isinstance(item, Answer)]
        for item in executed:
            self._judge(start, item, now_s)
        whole = self.left.get(heard.whole)
        if whole is not None and whole.vehicle == start.vehicle:
            self.seen["frames behind junk or beside a lost zero"] += heard.marred
            if whole not in genuine and whole.command == SAFES:
                self.fault("Safe all refused", f"{whole} not heard behind junk by vehicle {start.vehicle}")
        for left in genuine:
            own = [a for a in answers if a.counter == left.counter]
            obeyed = any(item.counter == left.counter for item in executed)
            if left.command == SAFES:
                self._judge_safe_all(start, left, stores, obeyed)
            else:
                self._count(start, left, radio, own, obeyed)
            if start.words.told == left.told:  # a board with other words is out of the station's earshot
                for answer in own:
                    self.tells(start.boot, answer, left)

    def _judge(self, start: Start, did: Did, now_s: float) -> None:
        left = self._by_counter.get(did.counter)
        what = f"{did} by vehicle {start.vehicle} start {start.number} at {now_s:.2f}, of {left}"
        if left is None:
            self.fault("executed what no station sent", what)
            return
        if did.command == SAFES == left.command:
            start.newest = max(start.newest, did.counter)
            self._executed.add(did.counter)
            return
        if did.counter in self._executed:
            self.fault("executed twice", what)
        if now_s - left.made_s > OBEYED_FOR_S + ROUNDING_S:
            self.fault("executed late", what)
        if left.vehicle != start.vehicle or left.boot != start.boot:
            self.fault("executed by the wrong vehicle or start", what)
        same = all(abs(a - b) < 1e-4 for a, b in zip(did.args, left.args, strict=False))
        if left.told != start.words.told or left.command != did.command or len(did.args) != len(left.args) or not same:
            self.fault("executed something else than was asked", what)
        if did.counter < start.newest:
            self.fault("executed after a newer one", what)
        if self._told.get(did.counter) == "refused":
            self.fault("wrong outcome shown", f"refused was told before: {what}")
        start.newest = max(start.newest, did.counter)
        start.executed.add(did.counter)
        self._executed.add(did.counter)
        self.seen["executed"] += 1
        self.seen["executed, hazardous"] += did.command in start.words.hazardous

    def _judge_safe_all(self, start: Start, left: Left, stores: bool, obeyed: bool) -> None:
        self.seen["Safe all heard"] += 1
        self.seen["Safe all heard while stores fail"] += not stores
        self.seen["Safe all heard by another dictionary"] += start.words.told != self.ours
        self.seen["Safe all heard again"] += left.counter in start.first_heard
        self.seen["Safe all heard with an old counter"] += left.counter < start.newest
        start.first_heard.setdefault(left.counter, (0, SAFES))
        if not obeyed:
            self.fault("Safe all refused", f"{left} by vehicle {start.vehicle} start {start.number}, stores {stores}")

    def _count(self, start: Start, left: Left, radio: int, answers: list[Answer], obeyed: bool) -> None:
        """Count which check a genuine command reached."""
        first = start.first_heard.get(left.counter)
        reason = "obeyed" if obeyed else answers[0].reason if answers and answers[0].stage == "refused" else "answered again"
        if not obeyed and not answers:
            reason = "nothing"
        if first is not None and not obeyed and reason not in NO_OUTCOME:
            self.seen["repeat: answered again"] += 1
            self.seen["repeat by the other radio: answered again"] += first[0] != radio
            self.seen["repeat of what was not stored: refused again"] += first[1] == "not stored"
        elif first is None and not obeyed:
            self.seen[f"refused: {reason}"] += 1
        elif first is not None and not obeyed:
            self.seen[f"refused: {reason}, heard before"] += 1
        if reason not in NO_OUTCOME:
            start.first_heard.setdefault(left.counter, (radio, reason))

    def tells(self, boot: int, answer: Answer, left: Left) -> None:
        """Judge what an answer tells a station of its command."""
        if answer.stage == "completed" and left.counter not in self._executed:
            self.fault("wrong outcome shown", f"completed and never executed: {left}")
        if answer.stage == "refused" and answer.reason not in NO_OUTCOME and left.boot == boot:
            self._told[left.counter] = "refused"
            if left.counter in self._executed:
                self.fault("wrong outcome shown", f"refused and executed: {left}")

    def forget_before(self, counter: int) -> None:
        """Forget the bytes of old frames: nobody sends them again."""
        old = [(run, left.counter) for run, left in self.left.items() if left.counter < counter]
        for run, number in old:
            del self.left[run], self._by_counter[number]

    def of(self, counter: int) -> Left | None:
        """Return what left under a counter, None when that is forgotten."""
        return self._by_counter.get(counter)

    def is_executed(self, counter: int) -> bool:
        """Tell whether any vehicle executed what a counter names."""
        return counter in self._executed


@dataclass(frozen=True, slots=True)
class Did:
    """A vehicle obeyed: a counter and what it took it for, by its own dictionary."""

    counter: int
    command: str
    args: tuple[float, ...]


def answer_reader(words: Words) -> Callable[[bytes], Answer]:
    """Return a reader of answer frames, from WIRE.md alone."""

    def read(frame: bytes) -> Answer:
        content = unstuffed(frame.strip(b"\0"))
        assert content is not None and crc_hqx(content, 0xFFFF) == 0
        assert int.from_bytes(content[:2], "big") & 0x7FF == ANSWER
        boot, counter, _, stage, reason = struct.unpack(">IIBBB", content[10:-2])
        return Answer(boot, counter, words.stages[stage], words.reasons[reason])

    return read
