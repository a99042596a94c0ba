"""What the C library needs to know of a dictionary: members, scales and limits, found once and given small numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from protocol.commands import Argument, Command
from protocol.dictionary import Dictionary
from protocol.fields import Channel, Field, Packet
from protocol.rehearsal import REASONS as REHEARSAL_REASONS
from protocol.rehearsal import REHEARSAL_NAME, firing_channels
from protocol.wire_types import BITS_TYPES, BOOL, INTEGER_RANGES, bits_of, is_little, plain_type, text_size
from server.firmware.names import Names, member_names
from server.problems import Problem

ANSWER_FIELDS = {"boot_id": "u32", "counter": "u32", "code": "u8", "stage": "u8", "reason": "u8"}
STAGES = ("accepted", "refused", "completed", "failed")
REASONS = (
    "none", "out of range", "old counter", "other boot", "unknown command", "other dictionary", "too late", "not stored",
)  # fmt: skip
MOVE = (
    "write wire = 2 under [dictionary] and vehicle_id in place of apid under [uplink]; in the packet 'answer' make boot_id "
    "u32 and add the reasons 'other dictionary', 'too late' and 'not stored'; take out the boot ids of other packets, the "
    "dictionary's hash and the code of the command that safes all, which belong to the wire"
)
Scales = list[tuple[float, float]]  # scale and offset by their number
TABLE_MAX = 255  # the tables count in one byte, BH_PLAIN is 255
PERIOD_MAX_MS = 2**31 - 1  # times are compared by the sign of a 32-bit difference


class FirmwareProblem(Problem):
    """No firmware can be made of this dictionary; the text is one plain sentence, `where` the place of the file."""

    def __init__(self, text: str, where: str = "dictionary") -> None:
        super().__init__(text)
        self.where = where


@dataclass(frozen=True)
class Member:
    """One member of a packet's struct and its line in the field table."""

    channel: Channel
    name: str
    c_type: str
    type: str
    number: str
    how: str
    size: int
    array: tuple[str, int, int] | None = None  # an element of one: its member, place and length

    @property
    def declaration(self) -> str:
        """The member as its struct declares it; empty but for the first element of an array."""
        if self.array is not None and self.array[1] > 0:
            return ""
        length = f"[{self.array[2]}]" if self.array is not None else f"[{self.size}]" if self.channel.is_bytes else ""
        space = "" if self.c_type.endswith("*") else " "
        return f"{self.c_type}{space}{self.name}{length};"


def integer_type(type_: str) -> str:
    """Return the C type of an unscaled integer; 24 bits go into 32."""
    bits = bits_of(type_)
    return f"{'u' if type_[0] == 'u' else ''}int{32 if bits == 24 else bits}_t"


def _bits_type(width: int, signed: bool) -> str:
    return f"{'' if signed else 'u'}int{8 if width <= 8 else 16 if width <= 16 else 32}_t"


def wire_name(type_: str) -> str:
    """Return the library's constant for a type."""
    plain = plain_type(type_)
    name = "TEXT" if plain.startswith("text") else "BYTES" if plain.startswith("bytes") else plain.upper()
    return f"BH_{name} | BH_LITTLE" if is_little(type_) else f"BH_{name}"


def in_order(dictionary: Dictionary) -> list[Packet]:
    """Return the packets by their numbers in the library: by APID, but that of rehearsal last.

    Firmware for flight has none, and the numbers of the others are the same in both.
    """
    own = REHEARSAL_NAME if dictionary.rehearsal is not None else None
    return sorted(dictionary.packets.values(), key=lambda packet: (packet.name == own, packet.apid))


class Layout:
    """The tables of one dictionary. Raises FirmwareProblem when made from one that no firmware can be built for."""

    def __init__(self, dictionary: Dictionary, float_members: bool = False) -> None:
        """`float_members`: scaled values are floats in the structs, not doubles."""
        self.float_members = float_members
        if dictionary.framing is not None:
            raise FirmwareProblem(f"{dictionary.name} has a framing of its own; the firmware speaks Blockhouse's wire.")
        if not dictionary.is_bound:
            raise FirmwareProblem(f"{dictionary.name} is of wire version 1, the firmware speaks version 2: {MOVE}.")
        self.dictionary = dictionary
        self.scales: Scales = []
        self.limits: list[tuple[float, float, float, float, float]] = []
        self.stimulus_scales: Scales = []
        self.packets = in_order(dictionary)
        self.stimuli = sorted(dictionary.stimuli.values(), key=lambda stimulus: stimulus.apid)
        self.lateral, self.recovery = firing_channels(dictionary.roles)
        self.commands = sorted(dictionary.command_by_code.values(), key=lambda command: command.code)
        self.hears = bool(self.commands) or "answer" in dictionary.packets  # else it only sends, and has no receiver
        if self.hears:
            _check_answer(dictionary)
        reasons = [("reason", text) for text in (*REASONS, *REHEARSAL_REASONS)]
        self.names = Names(dictionary, [("stage", text) for text in STAGES] + reasons)
        self.members = {packet.name: list(self._members(packet, self.scales)) for packet in self.packets}
        self.stimulus_members = {one.name: list(self._members(one, self.stimulus_scales)) for one in self.stimuli}
        self._arguments = {command.name: member_names(arg.name for arg in command.args) for command in self.commands}
        for command in self.commands:
            for arg in command.args:
                self.limits_number(arg)
        for packet in self.packets:
            if len(self.members[packet.name]) > TABLE_MAX:
                where = f"packet.{packet.name}.fields"
                counted = f"the packet '{packet.name}' has {len(self.members[packet.name])} channels"
                raise FirmwareProblem(
                    f"{dictionary.name} is too large: {counted}, the firmware counts to {TABLE_MAX}.", where
                )
        if max((len(members) for members in self.stimulus_members.values()), default=0) > TABLE_MAX:
            raise FirmwareProblem(f"{dictionary.name} is too large: a stimulus has too many channels.", "stimulus")
        arguments = sum(len(command.args) for command in self.commands)
        if (
            max(
                len(self.scales),
                len(self.stimulus_scales),
                len(self.limits),
                arguments,
                len(self.packets),
                len(self.commands),
            )
            >= TABLE_MAX
        ):
            raise FirmwareProblem(f"{dictionary.name} is too large: the firmware counts its tables in one byte.")

    def _members(self, packet: Packet, scales: Scales) -> Iterator[Member]:
        wanted = [field.array[0] if field.array else c.name for field in packet.fields for c in field.channels]
        names = member_names(dict.fromkeys(wanted))
        for field in packet.fields:
            for place, channel in enumerate(field.channels, 1):
                name = names[field.array[0] if field.array else channel.name]
                if field.type in BITS_TYPES:
                    yield self._group_member(scales, field, channel, name, place == len(field.channels))
                elif channel.kind == "text":
                    size, c_type = text_size(field.type), "uint8_t" if channel.is_bytes else "const char *"
                    yield Member(channel, name, c_type, wire_name(field.type), "BH_PLAIN", "0", size)
                else:
                    yield self._number_member(scales, field, channel, name)

    def _group_member(self, scales: Scales, field: Field, channel: Channel, name: str, is_last: bool) -> Member:
        width = channel.mask.bit_length()
        how = " | ".join([str(channel.shift)] + ["BH_LAST"] * is_last + ["BH_SIGNED"] * channel.signed)
        c_type, number = self._scaled(scales, channel, _bits_type(width, channel.signed))
        return Member(channel, name, c_type, wire_name(field.type), number, how, width)

    def _number_member(self, scales: Scales, field: Field, channel: Channel, name: str) -> Member:
        plain = plain_type(field.type)
        if plain == BOOL:
            kind = "bool"
        elif plain in INTEGER_RANGES:
            kind = integer_type(plain)
        else:
            kind = "double" if plain == "f64" else "float"
        c_type, number = self._scaled(scales, channel, kind)
        return Member(channel, name, c_type, wire_name(field.type), number, "0", 0, field.array)

    def _scaled(self, scales: Scales, channel: Channel, c_type: str) -> tuple[str, str]:
        """Return a member's C type and the number of its scale."""
        if not channel.linear:
            return c_type, "BH_PLAIN"
        pair = (channel.scale, channel.offset)
        if pair not in scales:
            scales.append(pair)
        return "float" if self.float_members else "double", str(scales.index(pair))

    def needs(self) -> dict[str, bool]:
        """Return which parts of the library this dictionary's fields need, by their macros."""
        fields = [field for packet in self.packets for field in packet.fields]
        plain = {plain_type(field.type) for field in fields}
        groups = [channel for field in fields for channel in field.channels if channel.mask]
        wide = [field for field in fields if field.type.startswith(("u64", "i64"))]
        return {
            "BH_FLOAT_MEMBERS": self.float_members,
            "BH_HAS_24": bool(plain & {"u24", "i24"}),
            "BH_HAS_SCALED_64": any(field.channels[0].linear for field in wide),
            "BH_HAS_HALF": "f16" in plain,
            "BH_HAS_LITTLE": any(is_little(field.type) for field in fields),
            "BH_HAS_NUMBER_GROUPS": any(channel.signed or channel.linear for channel in groups),
        }

    def limits_number(self, arg: Argument) -> int:
        """Return the number of an argument's limits in `limits`."""
        entry = (arg.scale, arg.low, arg.high, arg.ratio, arg.driven_max or 0.0)
        if entry not in self.limits:
            self.limits.append(entry)
        return self.limits.index(entry)

    def argument_name(self, command: Command, arg: Argument) -> str:
        """Return an argument's member in the struct of its command."""
        return self._arguments[command.name][arg.name]

    def argument_type(self, arg: Argument) -> str:
        """Return the C type of an argument's member: its own for whole unscaled numbers, double for all else."""
        plain = arg.type in INTEGER_RANGES and arg.scale == 1.0
        return integer_type(arg.type) if plain else "double"

    def periods(self) -> Iterator[tuple[Packet, int]]:
        """Yield the packets that are sent regularly with their period in ms."""
        for packet in self.packets:
            if packet.rate_hz > 0.0:
                yield packet, min(max(1, round(1000.0 / packet.rate_hz)), PERIOD_MAX_MS)


def _check_answer(dictionary: Dictionary) -> None:
    answer = dictionary.packets.get("answer")
    if answer is None:
        raise FirmwareProblem(f"{dictionary.name} has commands but no packet 'answer' to answer them with.", "command")
    found = {field.name: field.type for field in answer.fields}
    plain = not any(channel.linear for channel in answer.channels)
    if found != ANSWER_FIELDS or not plain:
        wanted = ", ".join(f"{name} {type_}" for name, type_ in ANSWER_FIELDS.items())
        text = f"The packet 'answer' of {dictionary.name} must have exactly the plain fields {wanted}."
        raise FirmwareProblem(text, "packet.answer.fields")
    for name, needed in (("stage", STAGES), ("reason", REASONS)):
        missing = [text for text in needed if text not in answer.channel(name).values]
        if missing:
            text = f"The field '{name}' of the packet 'answer' has no value '{missing[0]}'."
            raise FirmwareProblem(text, f"packet.answer.{name}")
