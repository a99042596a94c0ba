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

from protocol.commands import (
    COMMAND_HEAD,
    COMPARISONS,
    HAZARDS,
    TAG_SIZE,
    Argument,
    Command,
    Condition,
)
from protocol.errors import DictionaryError
from protocol.fields import BITS_CODES, INTEGER_RANGES, LIMIT_NAMES, NUMBER_CODES, Channel, Field, Packet
from protocol.framing import CONTENT_MAX
from protocol.packets import APID_MAX
from protocol.toml_table import TomlTable
from protocol.units import conversion

FORMAT = 1
HAZARD_DISTANCE = 4
NAME = re.compile(r"[a-z][a-z0-9_]{0,39}\Z")
ROLE = re.compile(r"[a-z_]+(\[[a-z0-9_]+\])?(\.[a-z_]+)*\Z")
PLACE = re.compile(r"\{\w+\}|\*")  # what a condition's role may hold instead of an index
BOOT_ROLES = ("startup.boot_id", "boot_id")
TEXT_TYPE = re.compile(r"text([1-9][0-9]{0,2})\Z")


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
    uplink: UplinkRules

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
        lines = []
        for packet in sorted(self.packets.values(), key=lambda p: p.apid):
            lines.append(f"packet {packet.apid} {packet.name}")
            for c in packet.channels:
                type_ = packet.fields[c.field_index].type
                lines.append(f"{c.name} {type_} {c.shift} {c.mask} {c.scale!r} {c.offset!r} {c.values}")
        for command in sorted(self.commands.values(), key=lambda c: c.code):
            args = " ".join(f"{a.name}:{a.type}:{a.scale!r}" for a in command.args)
            lines.append(f"command {command.code} {command.name} {args}")
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
    conditions = {name: _condition(table, name) for name, table in root.named_tables("interlock")}
    packets = {name: _packet(name, table) for name, table in root.named_tables("packet")}
    commands = {name: _command(name, table, conditions) for name, table in root.named_tables("command")}
    dictionary = Dictionary(
        name=head.get("name", str),
        version=head.get("version", str),
        vehicle=head.get("vehicle", str),
        description=head.get("description", str, ""),
        modem_baud=_baud(head),
        text=text,
        packets=packets,
        commands=commands,
        uplink=_uplink(root.table("uplink", {"apid": 64})),
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
        apid=_apid(table),
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


def _rate(table: TomlTable) -> float:
    rate_hz = table.get("rate_hz", float, 0.0)
    if rate_hz < 0.0:
        raise table.problem("must not be negative", "rate_hz")
    return rate_hz


def _apid(table: TomlTable) -> int:
    apid = table.get("apid", int)
    if not 0 <= apid <= APID_MAX:
        raise table.problem(f"must be 0..{APID_MAX}, got {apid}", "apid")
    return apid


def _name(name: str, table: TomlTable) -> str:
    if not NAME.match(name):
        raise table.problem(f"name {name!r} must be lower-case letters, digits and _ (at most 40)")
    return name


# ---------------------------------------------------------------- packets


def _packet(name: str, table: TomlTable) -> Packet:
    fields = tuple(_field(_name(name, table), index, item) for index, item in enumerate(table.tables("fields")))
    packet = Packet(_name(name, table), _apid(table), _rate(table), table.get("description", str, ""), fields)
    table.done()
    if not fields:
        raise table.problem("has no fields", "fields")
    names = [channel.name for channel in packet.channels]
    for repeated in {n for n in names if names.count(n) > 1}:
        raise table.problem(f"has two channels named '{repeated}'", "fields")
    if packet.frame_bytes - 2 > CONTENT_MAX:
        raise table.problem(f"is {packet.frame_bytes - 2} bytes with header and CRC, {CONTENT_MAX} fit a frame")
    return packet


def _field(packet: str, index: int, table: TomlTable) -> Field:
    name = _name(table.get("name", str), table)
    type_ = table.get("type", str)
    if type_ in BITS_CODES:
        channels = _bit_channels(packet, index, table, int(type_[4:]))
        table.get("description", str, "")
    elif type_ in NUMBER_CODES or TEXT_TYPE.match(type_):
        channels = (_channel(packet, index, table, type_),)
    else:
        kinds = ", ".join([*NUMBER_CODES, *BITS_CODES, "textN"])
        raise table.problem(f"must be one of {kinds}, got {type_!r}", "type")
    table.done()
    return Field(name=name, type=type_, channels=channels)


def _bit_channels(packet: str, index: int, table: TomlTable, size: int) -> tuple[Channel, ...]:
    channels = []
    used = 0
    for item in table.tables("bits"):
        bit, width = item.get("bit", int), item.get("width", int, 1)
        if not (0 <= bit and 1 <= width and bit + width <= size):
            raise item.problem(f"bits {bit}..{bit + width - 1} are outside the field", "bit")
        mask = (1 << width) - 1
        if used & mask << bit:
            raise item.problem(f"bit {bit} is used twice", "bit")
        used |= mask << bit
        kind = "flag" if width == 1 else "enum" if item.has("values") else "number"
        channels.append(_described(packet, index, item, kind, shift=bit, mask=mask))
        item.done()
    if not channels:
        raise table.problem("needs at least one entry", "bits")
    return tuple(channels)


def _channel(packet: str, index: int, table: TomlTable, type_: str) -> Channel:
    if type_.startswith("text"):
        return _described(packet, index, table, "text")
    scale, offset = table.get("scale", float, 1.0), table.get("offset", float, 0.0)
    if scale == 0.0:
        raise table.problem("must not be zero", "scale")
    if type_ in ("f32", "f64") and (table.has("scale") or table.has("offset")):
        raise table.problem("a float field carries its value as it is; scale and offset are for integers", "scale")
    kind = "enum" if table.has("values") else "number"
    linear = table.has("scale") or table.has("offset")
    return _described(packet, index, table, kind, scale=scale, offset=offset, linear=linear)


def _described(packet: str, index: int, table: TomlTable, kind: str, **more: object) -> Channel:
    unit = table.get("unit", str, "")
    display_unit = table.get("display_unit", str, unit)
    shown = conversion(unit, display_unit)
    if shown is None:
        raise table.problem(f"cannot show {unit!r} as {display_unit!r}", "display_unit")
    role = table.get("role", str, None) if table.has("role") else None
    if role is not None and not ROLE.match(role):
        raise table.problem(f"role {role!r} must look like altitude_baro or camera[1].powered", "role")
    label = table.get("label", str) if table.has("label") else None
    channel = Channel(
        name=_name(table.get("name", str), table),
        packet=packet,
        kind=kind,
        field_index=index,
        unit=unit,
        display_unit=display_unit,
        display_scale=shown[0],
        display_offset=shown[1],
        role=role,
        values=table.texts("values"),
        limits=_limits(table),
        range=_range(table),
        description=table.get("description", str, ""),
        label=label,
        **more,
    )
    return channel


def _limits(table: TomlTable) -> dict[str, float]:
    if not table.has("limits"):
        return {}
    inner = table.table("limits")
    limits = {name: inner.get(name, float) for name in LIMIT_NAMES if inner.has(name)}
    inner.done()
    ordered = list(limits.values())
    if ordered != sorted(ordered):
        raise table.problem(f"must rise in the order {', '.join(limits)}", "limits")
    return limits


def _range(table: TomlTable) -> tuple[float, float] | None:
    if not table.has("range"):
        return None
    pair = table.numbers("range")
    if len(pair) != 2 or not pair[0] < pair[1]:
        raise table.problem("must be [low, high] with low < high", "range")
    return (pair[0], pair[1])


# ---------------------------------------------------------------- commands


def _condition(table: TomlTable, name: str) -> Condition:
    role = table.get("role", str)
    if not ROLE.match(PLACE.sub("1", role)):
        kinds = "altitude_baro, camera[{camera}].powered or camera[*].powered"
        raise table.problem(f"role {role!r} must look like {kinds}", "role")
    found = [word for word in COMPARISONS if table.has(word)]
    if len(found) != 1:
        raise table.problem(f"needs exactly one of {', '.join(COMPARISONS)}")
    operand = table.raw(found[0])
    if found[0] == "one_of" and not isinstance(operand, list):
        raise table.problem("must be a list", "one_of")
    condition = Condition(
        name=name,
        title=table.get("title", str, name.replace("_", " ")),
        role=role,
        comparison=found[0],
        operand=operand,
        within=table.get("within", float, 0.0),
        per=table.get("per", str) if table.has("per") else None,
    )
    table.done()
    return condition


def _command(name: str, table: TomlTable, conditions: Mapping[str, Condition]) -> Command:
    code = table.get("code", int)
    if not 1 <= code <= 0xFE:
        raise table.problem("must be 1..254: all zeros and all ones are kept free", "code")
    interlocks = []
    for wanted in table.texts("interlocks"):
        if wanted not in conditions:
            raise table.problem(f"no [interlock.{wanted}] in the dictionary", "interlocks")
        interlocks.append(conditions[wanted])
    command = Command(
        name=_name(name, table),
        code=code,
        hazard=table.choice("hazard", HAZARDS),
        title=table.get("title", str),
        does=table.get("does", str),
        caution=table.get("caution", str) if table.has("caution") else None,
        safes_all=table.get("safes_all", bool, False),
        args=tuple(_argument(item) for item in table.tables("args")),
        interlocks=tuple(interlocks),
        effects=tuple(_condition(item, f"effect_{i + 1}") for i, item in enumerate(table.tables("effects"))),
    )
    table.done()
    _check_command(command, table)
    return command


def _argument(table: TomlTable) -> Argument:
    type_ = table.choice("type", tuple(NUMBER_CODES))
    low, high = table.get("min", float), table.get("max", float)
    scale = table.get("scale", float, 1.0)
    if not low <= high:
        raise table.problem("min is above max", "min")
    if scale <= 0.0:
        raise table.problem("must be above zero", "scale")
    if type_ not in INTEGER_RANGES and table.has("scale"):
        raise table.problem("a float argument carries its value as it is; scale is for integers", "scale")
    if type_ in INTEGER_RANGES:
        first, last = INTEGER_RANGES[type_]
        if round(low / scale) < first or round(high / scale) > last:
            raise table.problem(f"min..max does not fit {type_} at scale {scale:g}", "max")
    unit = table.get("unit", str, "")
    display_unit = table.get("display_unit", str, unit)
    shown = conversion(unit, display_unit)
    if shown is None:
        raise table.problem(f"cannot show {unit!r} as {display_unit!r}", "display_unit")
    argument = Argument(
        name=_name(table.get("name", str), table),
        type=type_,
        low=low,
        high=high,
        unit=unit,
        display_unit=display_unit,
        display_scale=shown[0],
        display_offset=shown[1],
        scale=scale,
        values=table.texts("values"),
    )
    table.done()
    return argument


def _check_command(command: Command, table: TomlTable) -> None:
    names = {arg.name for arg in command.args}
    for condition in (*command.interlocks, *command.effects):
        for place in re.findall(r"\{(\w+)\}", f"{condition.role} {condition.operand}"):
            if place not in names | {"counter"}:
                raise table.problem(f"condition '{condition.name}' names argument '{place}', which it does not have")
        _check_operand(condition, command, table)
    if command.safes_all and (command.hazard != "routine" or command.args):
        raise table.problem("the command that safes all must be routine and without arguments", "safes_all")
    if 6 + COMMAND_HEAD.size + command.layout.size + TAG_SIZE + 2 > CONTENT_MAX:
        raise table.problem("is too long for a frame", "args")


def _check_operand(condition: Condition, command: Command, table: TomlTable) -> None:
    """The operand must be one that can be worked out for every allowed argument."""
    operand = condition.operand
    if isinstance(operand, str) and operand.startswith("{") and not re.fullmatch(r"\{\w+\}", operand):
        raise table.problem(f"condition '{condition.name}': {operand!r} must be one {{argument}} and nothing else")
    if condition.per is None:
        return
    index = {arg.name: arg for arg in command.args}.get(condition.per)
    if index is None or not isinstance(operand, list):
        raise table.problem(f"condition '{condition.name}': per names no argument, or its operand is no list")
    if not 0 <= index.low <= index.high < len(operand):
        raise table.problem(f"condition '{condition.name}': its list has no entry for every value of '{index.name}'")


def _check_whole(dictionary: Dictionary, root: TomlTable) -> None:
    """Checks that need more than one table: numbers used twice, roles used twice, code distances."""
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
