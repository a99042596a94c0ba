"""The dictionary: one TOML file from which decoder, page, command desk and documentation are made.

`load_dictionary` reads and checks it; every mistake is a `DictionaryError` naming file, table and key. The file format
is described by the Sandpiper default (`sandpiper.toml`) and in `WIRE.md`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from importlib import resources
from pathlib import Path

from protocol.command_tables import read_command, read_condition
from protocol.commands import Command, Condition
from protocol.errors import DictionaryError
from protocol.fields import Channel, Packet
from protocol.foreign import check_foreign
from protocol.framing_tables import FramingRules, read_framing
from protocol.packet_tables import BOOT_ROLES, read_apid, read_packet
from protocol.toml_table import TomlTable

FORMAT = 1
HAZARD_DISTANCE = 4


@dataclass(frozen=True)
class UplinkRules:
    """How commands are sent: APID, time between identical sends, number of sends, time for the effect to show."""

    apid: int
    resend_after_s: float
    sends_at_most: int
    effect_within_s: float


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

    @property
    def may_command_hazards(self) -> bool:
        """Tell whether hazardous commands may be sent at all: authenticated, or at a risk the owner has stated."""
        return self.framing is None or self.framing.risk_accepted

    @cached_property
    def packet_by_apid(self) -> dict[int, Packet]:
        """Packets by APID."""
        return {packet.apid: packet for packet in self.packets.values()}

    @cached_property
    def command_by_code(self) -> dict[int, Command]:
        """Commands by code."""
        return {command.code: command for command in self.commands.values()}

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
        for packet in sorted(self.packets.values(), key=lambda p: p.apid):
            foreign = f" {packet.tag!r} {packet.time!r} {packet.count!r}" if self.framing is not None else ""
            lines.append(f"packet {packet.apid} {packet.name}{foreign}")
            for c in packet.channels:
                type_ = packet.fields[c.field_index].type
                lines.append(f"{c.name} {type_} {c.shift} {c.mask} {c.scale!r} {c.offset!r} {c.values}")
        for command in sorted(self.commands.values(), key=lambda c: c.code):
            args = " ".join(f"{a.name}:{a.type}:{a.scale!r}" for a in command.args)
            lines.append(
                f"command {command.code} {command.name} {args}" + (f" {command.template}" if command.template else "")
            )
        lines.append(f"uplink {self.uplink.apid}")
        return lines

    def roles_matching(self, pattern: str) -> list[str]:
        """Return the roles a pattern with [*] stands for, in order; a plain role stands for itself if present."""
        if "[*]" not in pattern:
            return [pattern] if pattern in self.roles else []
        head, tail = pattern.split("[*]")
        return [role for role in self.roles if re.fullmatch(re.escape(head) + r"\[[^\]]+\]" + re.escape(tail), role)]


def load_dictionary(path: Path | str | None = None) -> Dictionary:
    """Read the dictionary at `path`, or the Sandpiper default; raises DictionaryError."""
    if path is None:
        text = resources.files("protocol").joinpath("sandpiper.toml").read_text("utf-8")
        return parse_dictionary(text, "sandpiper.toml")
    try:
        text = Path(path).read_text("utf-8")
    except OSError as error:
        raise DictionaryError("file", f"cannot be read: {error.strerror}", str(path)) from error
    except UnicodeDecodeError as error:
        raise DictionaryError("file", "is not UTF-8 text", str(path)) from error
    return parse_dictionary(text, Path(path).name)


def parse_dictionary(text: str, file: str = "dictionary") -> Dictionary:
    """Build a dictionary from TOML `text`; raises DictionaryError naming `file`, table and key."""
    try:
        values = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DictionaryError("file", f"is not valid TOML: {error}", file) from error
    root = TomlTable(values, "", file)
    head = root.table("dictionary")
    if head.get("format", int) != FORMAT:
        raise head.problem(f"this Blockhouse reads format {FORMAT}", "format")
    conditions = {name: read_condition(table, name) for name, table in root.named_tables("interlock")}
    framing = read_framing(root.table("framing")) if root.has("framing") else None
    packets = {name: read_packet(name, table, framing is not None) for name, table in root.named_tables("packet")}
    commands = {name: read_command(name, table, conditions) for name, table in root.named_tables("command")}
    dictionary = Dictionary(
        name=head.get("name", str),
        version=head.get("version", str),
        vehicle=head.get("vehicle", str),
        description=head.get("description", str, ""),
        modem_baud=_baud(head),
        text=text,
        packets=packets,
        commands=commands,
        interlocks=conditions,
        uplink=_uplink(root.table("uplink", {"apid": 64})),
        framing=framing,
    )
    head.done()
    root.done()
    _check_whole(dictionary, root)
    return dictionary


def _baud(table: TomlTable) -> int:
    baud = table.get("modem_baud", int, 57600)
    if baud <= 0:
        raise table.problem("must be above zero", "modem_baud")
    return baud


def _uplink(table: TomlTable) -> UplinkRules:
    rules = UplinkRules(
        apid=read_apid(table),
        resend_after_s=table.get("resend_after_s", float, 0.8),
        sends_at_most=table.get("sends_at_most", int, 3),
        effect_within_s=table.get("effect_within_s", float, 5.0),
    )
    if rules.effect_within_s <= 0.0:
        raise table.problem("must be above zero", "effect_within_s")
    if not (0.1 <= rules.resend_after_s <= 3.0 and 1 <= rules.sends_at_most <= 3):
        raise table.problem("resend_after_s must be 0.1..3 s and sends_at_most 1..3")
    table.done()
    return rules


def _check_whole(dictionary: Dictionary, root: TomlTable) -> None:
    """Checks that need more than one table: numbers used twice, roles used twice, code distances."""
    if dictionary.framing is not None:
        check_foreign(dictionary, root)
    elif any(command.template for command in dictionary.commands.values()):
        raise root.problem("template is for dictionaries with a [framing] table", "command")
    _no_repeats(root, "packet", "apid", {p.name: p.apid for p in dictionary.packets.values()})
    _no_repeats(root, "command", "code", {c.name: c.code for c in dictionary.commands.values()})
    seen: dict[str, str] = {}
    for packet in dictionary.packets.values():
        for channel in packet.channels:
            if channel.role in seen:
                taken = f"role '{channel.role}' is already taken by {seen[channel.role]}"
                raise root.problem(taken, f"packet.{channel.path}")
            if channel.role:
                seen[channel.role] = channel.path
            if channel.role in BOOT_ROLES and (packet.fields[channel.field_index].type != "u16" or channel.linear):
                raise root.problem(f"role '{channel.role}' needs a plain u16 field", f"packet.{channel.path}")
    if sum(c.safes_all for c in dictionary.commands.values()) > 1:
        raise root.problem("only one command may have safes_all = true", "command")
    for one in dictionary.commands.values():
        for other in dictionary.commands.values():
            distance = (one.code ^ other.code).bit_count()
            if one.hazard == "hazardous" and one is not other and distance < HAZARD_DISTANCE:
                raise root.problem(
                    f"code 0x{one.code:02X} differs from {other.name} (0x{other.code:02X}) in {distance} bits, "
                    f"a hazardous code needs {HAZARD_DISTANCE}",
                    f"command.{one.name}.code",
                )


def _no_repeats(root: TomlTable, group: str, key: str, numbers: Mapping[str, int]) -> None:
    owner: dict[int, str] = {}
    for name, number in numbers.items():
        if number in owner:
            raise root.problem(f"{number} is already used by {owner[number]}", f"{group}.{name}.{key}")
        owner[number] = name
