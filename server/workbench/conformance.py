"""A vehicle on the bench against WIRE.md: what it sends, and what it does with commands of every kind.

Only routine commands are asked for, and only one: `ping` unless another is named; and on version 2 of the wire Safe all.
Every other frame must be refused or dropped by a vehicle that keeps the rules. Nothing is asked of a vehicle that is not
the one of the dictionary. No I/O here but through `port`: `write(bytes)`, and `read()` that returns what has arrived,
waiting a fraction of a second at most.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Protocol

from protocol.commands import Command
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
from protocol.framing import DELIMITER
from protocol.identity import IDENTITY_NAME, Identity
from protocol.link import NEED_DATA, Link
from protocol.packets import TIME_MODULUS_MS
from server.workbench.attempts import (
    FAR_MS,
    LATE_MS,
    OTHER_START,
    Attempt,
    Signer,
    unused_code,
    with_wrong_crc,
    with_wrong_tag,
)
from server.workbench.check_lines import FAULT, OK, OPEN, CheckLine
from server.workbench.speaker import Speaker, who_lines

RATE_TOLERANCE = 0.1  # common practice, no source
SILENCE_S = 1.0  # so long a frame that must not be answered is watched
AGREED = "accepted none"
DONE = "completed none"
ANSWER_ROLES = tuple(f"answer.{name}" for name in ("boot_id", "counter", "stage", "reason"))


class Port(Protocol):
    """The bench's end of the radio."""

    def write(self, data: bytes) -> object:
        """Send."""

    def read(self) -> bytes:
        """Return what has arrived, after a short wait at most."""


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
    identity: Speaker | None = None
    starts: dict[int, int] = field(default_factory=dict)  # the id told by each start that was heard
    leads: bool = False  # whether a frame began with a zero of its own
    answer_times_s: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._link = Link(self.dictionary, self.key)
        self._last_byte = b""
        channels = [self.dictionary.roles.get(role) for role in ANSWER_ROLES]
        self._answer_channels = [channel for channel in channels if channel is not None]

    # ------------------------------------------------------------ hearing

    def listen(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        """Hear for a time, or until something has been heard."""
        end = self.now() + seconds
        while self.now() < end and not until():
            data = self.port.read()
            self.bytes_heard += len(data)
            self.leads |= DELIMITER * 2 in self._last_byte + data
            self._last_byte = data[-1:] or self._last_byte
            self._link.receive_data(data, self.now())
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
        if event.packet.name == IDENTITY_NAME and self.dictionary.is_bound:
            said, ms = Identity.of(event.values), event.time_ms % TIME_MODULUS_MS
            self.identity = Speaker(said, said.signed_by(self.key, ms), ms, self.now())
        if self._link.boot_id is not None and not event.late:
            self.starts[self._link.epoch] = self._link.boot_id
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
        yield from who_lines(self)
        yield from self._rate_lines()
        yield CheckLine(
            "ranges", FAULT if self.outside else OK, "; ".join(self.outside.values()) or "all within what is expected"
        )

    def _said(self, reasons: set[str]) -> str:
        return "".join(f", {self.damaged[reason]} {reason}" for reason in sorted(reasons))

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
        why_not = self._why_not_asked()
        if why_not is not None:
            yield CheckLine("commands", OPEN, why_not)
            return
        signer = Signer(self.dictionary, self.key, self._link.boot_id or 0, self._vehicle_ms)
        args = command.pack_args({arg.name: math.ceil(arg.low) if arg.scale == 1.0 else arg.low for arg in command.args})

        def attempt(code: int = command.code, args: bytes = args, counter: int | None = None, **bound: int) -> Attempt:
            return signer.command(self.take_counter() if counter is None else counter, code, args, **bound)

        early = self.take_counter()
        asked = attempt()
        first = self._ask(asked, patience_s, ("completed", "failed", "refused"))
        yield self._judge("command accepted", first, [AGREED, DONE])
        before = self._executed()
        yield self._judge("command repeated", self._ask(asked, patience_s, ("completed",)), first)
        yield self._unmoved(before)
        yield self._refused("counter replayed", attempt(counter=early), "old counter", patience_s)
        yield self._refused("wrong arguments", attempt(args=args + b"\0"), "out of range", patience_s)
        unused = unused_code(self.dictionary)
        if unused is None:
            yield CheckLine("unknown command", OPEN, "the dictionary leaves no code far enough from the hazardous ones")
        else:
            yield self._refused("unknown command", attempt(unused, b""), "unknown command", patience_s)
        yield self._refused("other start", attempt(boot_id=signer.boot_id ^ OTHER_START), "other boot", patience_s)
        if self.dictionary.is_bound:
            other = self.dictionary.hash32 ^ 1
            yield self._refused("other dictionary", attempt(dictionary_hash=other), "other dictionary", patience_s)
            yield self._refused("too late", attempt(valid_ms=-LATE_MS), "too late", patience_s)
            yield self._refused("valid for too long", attempt(valid_ms=FAR_MS), "too late", patience_s)
            yield self._ignored("other vehicle", attempt(vehicle_id=self.dictionary.uplink.vehicle_id ^ 1).frame)
        yield self._ignored("wrong tag", with_wrong_tag(attempt()))
        yield self._ignored("damaged command", with_wrong_crc(attempt()))
        if self.dictionary.is_bound:
            yield from self._safe_all_lines(signer, early, patience_s)
        yield self._times()

    def _safe_all_lines(self, signer: Signer, early: int, patience_s: float) -> Iterator[CheckLine]:
        """Safe all is obeyed each time it is heard; one of an earlier start is known by its old counter only."""
        newest = signer.safe_all(self.take_counter())
        wanted = [AGREED, DONE]
        yield self._judge("Safe all", self._ask(newest, patience_s, ("completed",)), wanted)
        yield self._judge("Safe all repeated", self._ask(newest, patience_s, ("completed",)), wanted)
        self.listen(2.0 * SILENCE_S, until=lambda: self._safed_counter() == newest.counter)
        told = self._safed_counter()
        said = f"the vehicle says that it carried out {told}, asked was {newest.counter}"
        yield CheckLine("Safe all told", OK if told == newest.counter else FAULT, said)
        yield self._judge(
            "Safe all of an earlier start", self._ask(signer.safe_all(early), patience_s, ("completed", "refused")), wanted
        )

    def _safed_counter(self) -> int:
        return self.identity.said.safed_counter if self.identity is not None else 0

    def _why_not_asked(self) -> str | None:
        if not self._answers_can_be_heard:
            return "the dictionary has no packet with the roles answer.*"
        if self._link.boot_id is None:
            return "the vehicle has not told its boot id, so nothing can be addressed to it"
        if self.dictionary.is_bound and (self.identity is None or not self.identity.is_signed):
            return "it is not known whether the vehicle holds this station's key, so nothing can be addressed to it"
        if self.dictionary.is_bound and self._link.boot_id == 0:
            return "the vehicle has no start id, so nothing but Safe all can be addressed to it"
        if FAULT in {line.verdict for line in who_lines(self) if line.name in ("identity", "dictionary")}:
            return "the vehicle or its dictionary is another or not known, so the codes may mean other things to it"
        return None

    def _vehicle_ms(self) -> int:
        """Return the vehicle's clock by the last identity packet, a little behind by the link's delay."""
        assert self.identity is not None, "on version 2 nothing is asked before the vehicle has said who it is"
        return round(self.identity.vehicle_ms + (self.now() - self.identity.at_s) * 1000.0)

    def _ask(self, attempt: Attempt, patience_s: float, last: tuple[str, ...]) -> list[str]:
        """Send a frame, wait for an answer that is the last; return "stage reason" of each answer to its counter."""
        start, asked_s = len(self.answers), self.now()

        def mine() -> list[Answer]:
            return [a for a in self.answers[start:] if attempt.is_answered_by(a.boot_id, a.counter)]

        self.port.write(attempt.frame)
        self.listen(patience_s, until=lambda: any(answer.stage in last for answer in mine()))
        if mine():
            self.answer_times_s.append(mine()[0].at_s - asked_s)
        return [f"{answer.stage} {answer.reason}" for answer in mine()]

    def _judge(self, name: str, answers: list[str], wanted: list[str]) -> CheckLine:
        seen = ", ".join(answers) or "no answer"
        return CheckLine(name, OK if answers and answers == wanted else FAULT, seen)

    def _refused(self, name: str, attempt: Attempt, reason: str, patience_s: float) -> CheckLine:
        return self._judge(name, self._ask(attempt, patience_s, ("refused", "completed")), [f"refused {reason}"])

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
