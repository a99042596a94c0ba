"""What the C library needs to know of a dictionary: members, scales and limits, found once and given small numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from protocol.commands import Argument, Command
from protocol.dictionary import Dictionary
from protocol.fields import BITS_CODES, INTEGER_RANGES, Channel, Packet
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
    shift: int
    size: int


def integer_type(type_: str) -> str:
    """Return the C type of an unscaled integer."""
    return f"{'u' if type_[0] == 'u' else ''}int{type_[1:]}_t"


def _bits_type(width: int) -> str:
    return "uint8_t" if width <= 8 else "uint16_t" if width <= 16 else "uint32_t"


class Layout:
    """The tables of one dictionary. Raises FirmwareProblem when made from one that no firmware can be built for."""

    def __init__(self, dictionary: Dictionary) -> None:
        if dictionary.framing is not None:
            raise FirmwareProblem(f"{dictionary.name} has a framing of its own; the firmware speaks Blockhouse's wire.")
        if not dictionary.is_bound:
            raise FirmwareProblem(f"{dictionary.name} is of wire version 1, the firmware speaks version 2: {MOVE}.")
        self.dictionary = dictionary
        self.scales: list[tuple[float, float]] = []
        self.limits: list[tuple[float, float, float, float, float]] = []
        self.packets = sorted(dictionary.packets.values(), key=lambda packet: packet.apid)
        self.commands = sorted(dictionary.command_by_code.values(), key=lambda command: command.code)
        self.hears = bool(self.commands) or "answer" in dictionary.packets  # else it only sends, and has no receiver
        if self.hears:
            _check_answer(dictionary)
        self.names = Names(dictionary, [("stage", text) for text in STAGES] + [("reason", text) for text in REASONS])
        self.members = {packet.name: list(self._members(packet)) for packet in self.packets}
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
        arguments = sum(len(command.args) for command in self.commands)
        if max(len(self.scales), len(self.limits), arguments, len(self.packets), len(self.commands)) >= TABLE_MAX:
            raise FirmwareProblem(f"{dictionary.name} is too large: the firmware counts its tables in one byte.")

    def _members(self, packet: Packet) -> Iterator[Member]:
        names = member_names(channel.name for channel in packet.channels)
        for field in packet.fields:
            for place, channel in enumerate(field.channels, 1):
                name = names[channel.name]
                if field.type in BITS_CODES:
                    width = channel.mask.bit_length()
                    last = "1" if place == len(field.channels) else "0"
                    yield Member(channel, name, _bits_type(width), f"BH_{field.type.upper()}", last, channel.shift, width)
                elif channel.kind == "text":
                    yield Member(channel, name, "const char *", "BH_TEXT", "BH_PLAIN", 0, int(field.type[4:]))
                else:
                    yield self._number_member(channel, name, field.type)

    def _number_member(self, channel: Channel, name: str, type_: str) -> Member:
        wire = f"BH_{type_.upper()}"
        if type_ not in INTEGER_RANGES:
            return Member(channel, name, "float" if type_ == "f32" else "double", wire, "BH_PLAIN", 0, 0)
        if not channel.linear:
            return Member(channel, name, integer_type(type_), wire, "BH_PLAIN", 0, 0)
        pair = (channel.scale, channel.offset)
        if pair not in self.scales:
            self.scales.append(pair)
        return Member(channel, name, "double", wire, str(self.scales.index(pair)), 0, 0)

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
