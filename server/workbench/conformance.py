"""A vehicle on the bench against WIRE.md: what it sends, and what it does with commands of every kind.

Only routine commands are asked for, and only one: `ping` unless another is named. Every other frame must be refused or
dropped by a vehicle that keeps the rules. No I/O here but through `port`: `write(bytes)`, and `read()` that returns what
has arrived, waiting a fraction of a second at most.
"""

from __future__ import annotations

import math
import statistics
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Protocol

from protocol.checksum import append_crc
from protocol.commands import HAZARD_DISTANCE, Command, build_command_frame
from protocol.dictionary import Dictionary
from protocol.events import (
    BytesSkipped,
    FrameDamaged,
    PacketReceived,
    PacketRepeated,
    PacketUnknown,
    SequenceGap,
    VehicleRestarted,
)
from protocol.fields import Channel
from protocol.framing import decode_frame, encode_frame
from protocol.link import NEED_DATA, Link

OK, FAULT, OPEN = "ok", "FAULT", "not seen"
RATE_TOLERANCE = 0.1  # common practice, no source
SILENCE_S = 1.0  # so long a frame that must not be answered is watched
ANSWER_ROLES = tuple(f"answer.{name}" for name in ("boot_id", "counter", "stage", "reason"))


class Port(Protocol):
    """The bench's end of the radio."""

    def write(self, data: bytes) -> object:
        """Send."""

    def read(self) -> bytes:
        """Return what has arrived, after a short wait at most."""


@dataclass(frozen=True)
class CheckLine:
    """One line of the table: what was looked at, the verdict, what was seen."""

    name: str
    verdict: str
    seen: str


@dataclass(frozen=True)
class Answer:
    """One answer of the vehicle and when it arrived."""

    boot_id: int
    counter: int
    stage: str
    reason: str
    at_s: float


@dataclass
class Tally:
    """What was heard of one packet type: how many, lost, vehicle time of first and last."""

    heard: int = 0
    lost: int = 0
    first_ms: int = 0
    last_ms: int = 0

    def rate_hz(self) -> float | None:
        """Return packets sent per second of vehicle time, or None from fewer than three."""
        span_s = (self.last_ms - self.first_ms) / 1000.0
        return (self.heard + self.lost - 1) / span_s if self.heard >= 3 and span_s > 0 else None


@dataclass
class Bench:
    """Listens to a vehicle, asks it, and writes the table. `now` is a clock in seconds, `take_counter` gives a number
    never used before."""

    port: Port
    dictionary: Dictionary
    key: bytes
    take_counter: Callable[[], int]
    now: Callable[[], float]
    tallies: dict[str, Tally] = field(default_factory=dict)
    answers: list[Answer] = field(default_factory=list)
    damaged: dict[str, int] = field(default_factory=dict)
    unknown: set[int] = field(default_factory=set)
    latest: dict[str, float] = field(default_factory=dict)
    outside: dict[str, str] = field(default_factory=dict)
    bytes_heard: int = 0
    frames: int = 0
    repeated: int = 0
    restarts: int = 0
    answer_times_s: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._link = Link(self.dictionary, self.key)
        channels = [self.dictionary.roles.get(role) for role in ANSWER_ROLES]
        self._answer_channels = [channel for channel in channels if channel is not None]

    # ------------------------------------------------------------ hearing

    def listen(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        """Hear for a time, or until something has been heard."""
        end = self.now() + seconds
        while self.now() < end and not until():
            data = self.port.read()
            self.bytes_heard += len(data)
            self._link.receive_data(data)
            while (event := self._link.next_event()) is not NEED_DATA:
                self._take(event)

    def _take(self, event: object) -> None:
        match event:
            case PacketReceived():
                self._take_packet(event)
            case FrameDamaged():
                self.damaged[event.reason] = self.damaged.get(event.reason, 0) + 1
            case BytesSkipped():
                self.damaged["too long"] = self.damaged.get("too long", 0) + 1
            case PacketUnknown():
                self.unknown.add(event.apid)
            case SequenceGap():
                self._tally(event.packet.name).lost += event.missing or 0
            case PacketRepeated():
                self.repeated += 1
            case VehicleRestarted():
                self.restarts += 1
                self.tallies.clear()

    def _tally(self, packet: str) -> Tally:
        return self.tallies.setdefault(packet, Tally())

    def _take_packet(self, event: PacketReceived) -> None:
        self.frames += 1
        tally = self._tally(event.packet.name)
        if not tally.heard:
            tally.first_ms, tally.lost = event.time_ms, 0
        tally.heard += 1
        tally.last_ms = event.time_ms
        for channel, value in zip(event.packet.channels, event.values, strict=True):
            if not isinstance(value, str):
                self.latest[channel.path] = value
                self._look_at(channel, value)
        if self._answers_can_be_heard and event.packet.name == self._answer_channels[0].packet:
            self._take_answer(event)

    @property
    def _answers_can_be_heard(self) -> bool:
        return len(self._answer_channels) == len(ANSWER_ROLES)

    def _look_at(self, channel: Channel, value: float) -> None:
        if not math.isfinite(value):
            self.outside[channel.path] = f"{channel.path} is {value}"
        elif channel.range is not None and not channel.range[0] <= value <= channel.range[1]:
            self.outside[channel.path] = f"{channel.path} is {value:g}, expected {channel.range[0]:g}..{channel.range[1]:g}"
        elif channel.values and channel.text_of(value) is None:
            self.outside[channel.path] = f"{channel.path} is {value:g}, which has no meaning"

    def _take_answer(self, event: PacketReceived) -> None:
        names = [channel.name for channel in event.packet.channels]
        values = [event.values[names.index(channel.name)] for channel in self._answer_channels]
        boot_id, counter, stage, reason = (float(value) for value in values)
        stage_text = self._answer_channels[2].text_of(stage) or f"stage {stage:g}"
        reason_text = self._answer_channels[3].text_of(reason) or f"reason {reason:g}"
        self.answers.append(Answer(int(boot_id), int(counter), stage_text, reason_text, self.now()))

    # ------------------------------------------------------------ what it sends

    def downlink_lines(self) -> Iterator[CheckLine]:
        """Judge what has been heard so far."""
        framing = {"bad stuffing", "too long"} & set(self.damaged)
        heard = f"{self.frames} packets, {self.bytes_heard} bytes"
        if not self.frames:
            yield CheckLine("framing", FAULT, f"no packet in {self.bytes_heard} bytes: check speed, wiring and dictionary")
            return
        yield CheckLine("framing", FAULT if framing else OK, heard + self._said(framing))
        crc = {"bad checksum"} & set(self.damaged)
        yield CheckLine("checksum", FAULT if crc else OK, self._said(crc).lstrip(", ") or "none wrong")
        header = set(self.damaged) - framing - crc
        text = self._said(header) + (f", APIDs not in the dictionary: {sorted(self.unknown)}" if self.unknown else "")
        yield CheckLine("header", FAULT if header or self.unknown else OK, text.lstrip(", ") or "as described")
        lost = sum(tally.lost for tally in self.tallies.values())
        yield CheckLine(
            "sequence", OK if not lost and not self.repeated else FAULT, f"{lost} lost, {self.repeated} repeated"
        )
        yield self._hash_line()
        yield from self._rate_lines()
        yield CheckLine(
            "ranges", FAULT if self.outside else OK, "; ".join(self.outside.values()) or "all within what is expected"
        )

    def _said(self, reasons: set[str]) -> str:
        return "".join(f", {self.damaged[reason]} {reason}" for reason in sorted(reasons))

    def _hash_line(self) -> CheckLine:
        channel = self.dictionary.roles.get("startup.dictionary_hash")
        told = self.latest.get(channel.path) if channel is not None else None
        ours = f"{self.dictionary.hash32:08x}"
        if told is None:
            return CheckLine("dictionary", OPEN, "no start-up packet heard; restart the vehicle while this listens")
        if int(told) == self.dictionary.hash32:
            return CheckLine("dictionary", OK, f"hash {ours} on both ends")
        return CheckLine("dictionary", FAULT, f"the vehicle has hash {int(told):08x}, this dictionary is {ours}")

    def _rate_lines(self) -> Iterator[CheckLine]:
        for packet in self.dictionary.packets.values():
            if packet.rate_hz <= 0.0:
                continue
            rate = self.tallies.get(packet.name, Tally()).rate_hz()
            if rate is None:
                yield CheckLine(f"rate {packet.name}", OPEN, f"hardly heard, expected {packet.rate_hz:g} /s")
            else:
                near = abs(rate / packet.rate_hz - 1.0) <= RATE_TOLERANCE
                yield CheckLine(
                    f"rate {packet.name}", OK if near else FAULT, f"{rate:.1f} /s, expected {packet.rate_hz:g} /s"
                )

    # ------------------------------------------------------------ what it does with commands

    def command_lines(self, command: Command, patience_s: float = 3.0) -> Iterator[CheckLine]:
        """Ask and judge. `command` must be a routine one whose arguments, if any, may all be at their least."""
        if not self._answers_can_be_heard:
            yield CheckLine("commands", OPEN, "the dictionary has no packet with the roles answer.*")
            return
        if self._link.boot_id is None:
            yield CheckLine("commands", OPEN, "the vehicle has not told its boot id, so nothing can be addressed to it")
            return
        args = command.pack_args({arg.name: math.ceil(arg.low) if arg.scale == 1.0 else arg.low for arg in command.args})
        early = self.take_counter()
        frame = self._frame(self.take_counter(), command.code, args)
        first = self._ask(frame, patience_s, ("completed", "failed", "refused"))
        yield self._judge("command accepted", first, ["accepted none", "completed none"])
        before = self._executed()
        yield self._judge("command repeated", self._ask(frame, patience_s, ("completed",)), first)
        yield self._unmoved(before)
        yield self._refused("counter replayed", self._frame(early, command.code, args), "old counter", patience_s)
        wrong = self._frame(self.take_counter(), command.code, args + b"\0")
        yield self._refused("wrong arguments", wrong, "out of range", patience_s)
        unused = unused_code(self.dictionary)
        if unused is None:
            yield CheckLine("unknown command", OPEN, "the dictionary leaves no code far enough from the hazardous ones")
        else:
            frame = self._frame(self.take_counter(), unused, b"")
            yield self._refused("unknown command", frame, "unknown command", patience_s)
        other = self._frame(self.take_counter(), command.code, args, self._link.boot_id ^ 1)
        yield self._refused("other boot id", other, "other boot", patience_s)
        yield self._ignored("wrong tag", _with_wrong_tag(self._frame(self.take_counter(), command.code, args)))
        yield self._ignored("damaged command", _with_wrong_crc(self._frame(self.take_counter(), command.code, args)))
        yield self._times()

    def _frame(self, counter: int, code: int, args: bytes, boot_id: int | None = None) -> bytes:
        told = self._link.boot_id if boot_id is None else boot_id
        assert told is not None, "no command is asked for before the vehicle has told its boot id"
        return build_command_frame(self.key, self.dictionary.uplink.apid, told, counter, code, args)

    def _ask(self, frame: bytes, patience_s: float, last: tuple[str, ...]) -> list[str]:
        """Send a frame, wait for an answer that is the last; return "stage reason" of each answer to its counter."""
        boot_id, counter = struct.unpack_from(">HI", _content(frame), 6)
        start, asked_s = len(self.answers), self.now()

        def mine() -> list[Answer]:
            return [a for a in self.answers[start:] if (a.boot_id, a.counter) == (boot_id, counter)]

        self.port.write(frame)
        self.listen(patience_s, until=lambda: any(answer.stage in last for answer in mine()))
        if mine():
            self.answer_times_s.append(mine()[0].at_s - asked_s)
        return [f"{answer.stage} {answer.reason}" for answer in mine()]

    def _judge(self, name: str, answers: list[str], wanted: list[str]) -> CheckLine:
        seen = ", ".join(answers) or "no answer"
        return CheckLine(name, OK if answers and answers == wanted else FAULT, seen)

    def _refused(self, name: str, frame: bytes, reason: str, patience_s: float) -> CheckLine:
        return self._judge(name, self._ask(frame, patience_s, ("refused", "completed")), [f"refused {reason}"])

    def _ignored(self, name: str, frame: bytes) -> CheckLine:
        before = len(self.answers)
        self.port.write(frame)
        self.listen(SILENCE_S)
        heard = [f"{answer.stage} {answer.reason}" for answer in self.answers[before:]]
        return CheckLine(name, FAULT if heard else OK, ", ".join(heard) or "no answer, as it should be")

    def _executed(self) -> float | None:
        channel = self.dictionary.roles.get("uplink.frames_good")
        if channel is None:
            return None
        self.listen(SILENCE_S)
        return self.latest.get(channel.path)

    def _unmoved(self, before: float | None) -> CheckLine:
        after = self._executed()
        if before is None or after is None:
            return CheckLine("repeat not obeyed", OPEN, "no field with the role uplink.frames_good to see it by")
        moved = after != before
        return CheckLine("repeat not obeyed", FAULT if moved else OK, f"frames accepted: {before:g}, then {after:g}")

    def _times(self) -> CheckLine:
        if not self.answer_times_s:
            return CheckLine("answer time", OPEN, "no answer")
        middle, worst = statistics.median(self.answer_times_s), max(self.answer_times_s)
        soon = worst < self.dictionary.uplink.resend_after_s
        text = f"median {middle * 1000:.0f} ms, worst {worst * 1000:.0f} ms"
        return CheckLine(
            "answer time", OK if soon else FAULT, text + ("" if soon else ": later than the station sends again")
        )


def unused_code(dictionary: Dictionary) -> int | None:
    """Return a code no command has, as far from every hazardous one as hazardous ones are from the rest."""
    for code in range(1, 0xFF):
        distances = [(code ^ c.code).bit_count() for c in dictionary.commands.values() if c.hazard == "hazardous"]
        if code not in dictionary.command_by_code and min(distances, default=8) >= HAZARD_DISTANCE:
            return code
    return None


def _content(frame: bytes) -> bytes:
    """Return what one of our own frames holds."""
    content = decode_frame(frame[:-1])
    assert content is not None
    return content


def _with_wrong_tag(frame: bytes) -> bytes:
    packet = bytearray(_content(frame)[:-2])
    packet[-1] ^= 1
    return encode_frame(append_crc(bytes(packet)))


def _with_wrong_crc(frame: bytes) -> bytes:
    content = bytearray(_content(frame))
    content[-1] ^= 1
    return encode_frame(bytes(content))


def table_text(lines: list[CheckLine]) -> str:
    """Return the lines as a table of plain text."""
    wide = max(len(line.name) for line in lines)
    return "\n".join(f"{line.verdict:8}  {line.name:{wide}}  {line.seen}" for line in lines)
