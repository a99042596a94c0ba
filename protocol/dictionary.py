"""The dictionary: all that is known of one vehicle's wire; decoder, page, command desk and documentation are made from it.

It comes from a TOML file, which `protocol.dictionary_file` reads and checks.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from hashlib import sha256

from protocol.commands import Argument, Command, Condition
from protocol.fields import Channel, Packet
from protocol.foreign.framing_rules import FramingRules
from protocol.identity import IDENTITY_NAME
from protocol.rehearsal import KINDS, REHEARSAL_NAME, RehearsalRules

# Channels that tell one start of the vehicle from the next on wire version 1; on version 2 the identity packet does.
BOOT_ROLES = ("startup.boot_id", "boot_id")

PLACE = re.compile(r"\[[^\]]*\]")
ARMING_ROLE = re.compile(r"(channel|recovery)\[[^\]]*\]\.(armed|fired)")


@dataclass(frozen=True)
class UplinkRules:
    """How commands are sent: APID, time between identical sends, number of sends, time for the effect to show.

    `vehicle_id` is the identity commands are bound to on wire version 2, 0 on version 1, which knows none;
    `risk_accepted` tells that the owner of a vehicle of version 1 lets hazardous commands through all the same. `answers`
    is False where the file says that the vehicle answers no command.
    """

    apid: int
    resend_after_s: float
    sends_at_most: int
    effect_within_s: float
    vehicle_id: int = 0
    answers: bool = True
    risk_accepted: bool = False


@dataclass(frozen=True)
class FlightRules:
    """What must hold on the way up, each None where the vehicle has no such rule; the station alarms, it does not act.

    `tilt_max` in rad between nose and vertical, while the motor burns and then while it flies faster than `tilt_speed_min`
    (m/s): near the top every nose falls over. `height_max` in m above the pad.
    """

    tilt_max: float | None = None
    tilt_speed_min: float = 15.0
    height_max: float | None = None


@dataclass(frozen=True)
class RadioRules:
    """What the radio cannot: frames longer than `frame_max` bytes (0: it takes any), and hearing while it sends.

    The vehicle is silent for `listen_for_s` every `listen_every_s` (0: it need not be).
    """

    frame_max: int = 0
    listen_every_s: float = 0.0
    listen_for_s: float = 0.0

    @property
    def sends(self) -> float:
        """Share of the time in which the vehicle may send."""
        return 1.0 - self.listen_for_s / self.listen_every_s if self.listen_every_s else 1.0


@dataclass(frozen=True)
class Dictionary:
    """Everything the station knows about one vehicle's wire."""

    name: str
    version: str
    vehicle: str
    description: str
    modem_baud: int
    text: str
    packets: Mapping[str, Packet]
    commands: Mapping[str, Command]
    interlocks: Mapping[str, Condition]
    uplink: UplinkRules
    framing: FramingRules | None = None  # None: our own wire, commands authenticated and answered
    flight_rules: FlightRules = FlightRules()
    wire: int = 1
    radio: RadioRules = RadioRules()
    stimuli: Mapping[str, Packet] = field(default_factory=dict)
    rehearsal: RehearsalRules | None = None

    @property
    def is_bound(self) -> bool:
        """Tell whether its commands are bound to vehicle, start, dictionary and time: wire version 2."""
        return self.wire >= 2

    @property
    def may_command_hazards(self) -> bool:
        """Tell whether hazardous commands may be sent at all: bound (wire version 2), or at a risk the owner has stated."""
        if self.framing is not None:
            return self.framing.risk_accepted
        return self.is_bound or self.uplink.risk_accepted

    def arms(self, command: Command) -> bool:
        """Tell whether a command arms or fires a channel, by the effects it names, whatever hazard it states."""
        return any(ARMING_ROLE.fullmatch(effect.role) and self._may_be_set(effect) for effect in command.effects)

    def _may_be_set(self, effect: Condition) -> bool:
        """Tell whether an effect on a flag is other than "off"; what an argument decides may be."""
        operands = effect.operand if isinstance(effect.operand, list) else [effect.operand]
        channels = [self.roles[role] for role in self.roles_matching(PLACE.sub("[*]", effect.role))]
        for operand in operands:
            index = channels[0].values.index(operand) if channels and operand in channels[0].values else operand
            if effect.comparison != "at_most" and index != 0:
                return True
        return False

    @property
    def wires_own(self) -> tuple[str, ...]:
        """Packets that belong to the wire, not to this dictionary."""
        if not self.is_bound:
            return ()
        return (IDENTITY_NAME,) if self.rehearsal is None else (IDENTITY_NAME, REHEARSAL_NAME)

    @cached_property
    def packet_by_apid(self) -> dict[int, Packet]:
        """Packets by APID."""
        return {packet.apid: packet for packet in self.packets.values()}

    @cached_property
    def command_by_code(self) -> dict[int, Command]:
        """Commands by code; a Safe all that belongs to the wire has none."""
        return {command.code: command for command in self.commands.values() if command.code}

    @cached_property
    def roles(self) -> dict[str, Channel]:
        """Channels by role."""
        return {c.role: c for packet in self.packets.values() for c in packet.channels if c.role}

    @cached_property
    def hash32(self) -> int:
        """First 32 bits of SHA-256 over all that decides the bytes; comments and wording do not count."""
        return int.from_bytes(sha256("\n".join(self._wire_lines()).encode()).digest()[:4], "big")

    def _wire_lines(self) -> list[str]:
        lines = [self.framing.wire_line()] if self.framing is not None else []
        if self.is_bound:
            lines.append(f"wire {self.wire}")
        for packet in sorted(self.packets.values(), key=lambda p: p.apid):
            if packet.name in self.wires_own:
                continue  # belongs to the wire
            foreign = f" {packet.tag!r} {packet.time!r} {packet.count!r}" if self.framing is not None else ""
            lines += [f"packet {packet.apid} {packet.name}{foreign}", *_channel_lines(packet)]
        for command in sorted(self.command_by_code.values(), key=lambda c: c.code):
            args = " ".join(self._argument_word(a) for a in command.args)
            lines.append(
                f"command {command.code} {command.name} {args}" + (f" {command.template}" if command.template else "")
            )
        if not self.is_bound:
            lines.append(f"uplink {self.uplink.apid}")
        return lines + list(self._rehearsal_lines())

    def _rehearsal_lines(self) -> Iterator[str]:
        if self.rehearsal is None:
            return
        for stimulus in sorted(self.stimuli.values(), key=lambda packet: packet.apid):
            yield f"stimulus {stimulus.apid} {stimulus.name}"
            yield from _channel_lines(stimulus)
        yield f"step {self.rehearsal.step}"
        for kind in KINDS:
            yield from (f"rehearsal {kind} {c.code}" for c in self.commands.values() if c.rehearsal == kind)

    def _argument_word(self, arg: Argument) -> str:
        word = f"{arg.name}:{arg.type}:{arg.scale!r}"
        return f"{word}:{arg.low!r}:{arg.high!r}:{arg.values}" if self.is_bound else word

    def roles_matching(self, pattern: str) -> list[str]:
        """Return the roles a pattern with [*] stands for, in order; a plain role stands for itself if present."""
        if "[*]" not in pattern:
            return [pattern] if pattern in self.roles else []
        head, tail = map(re.escape, pattern.split("[*]"))
        matches = re.compile(rf"{head}\[[^\]]+\]{tail}").fullmatch
        return [role for role in self.roles if matches(role)]


def _channel_lines(packet: Packet) -> Iterator[str]:
    for c in packet.channels:
        type_ = packet.fields[c.field_index].type
        yield f"{c.name} {type_} {c.shift} {c.mask} {c.scale!r} {c.offset!r} {c.values}" + " signed" * c.signed
