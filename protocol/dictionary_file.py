"""The dictionary's TOML file, read and checked: every mistake is a `DictionaryError` naming file, table and key.

The file format is described by the Sandpiper default (`sandpiper.toml`) and in `WIRE.md`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from math import pi
from pathlib import Path

from protocol.bound import BOUND_HEAD, COMMAND_APID, SAFE_ALL_CODE, VEHICLE_ID_MAX
from protocol.checksum import CRC_SIZE
from protocol.commands import COMMAND_HEAD, HAZARD_DISTANCE, TAG_SIZE, Command
from protocol.dictionary import BOOT_ROLES, Dictionary, FlightRules, RadioRules, UplinkRules
from protocol.errors import DictionaryError
from protocol.fields import Packet
from protocol.foreign.framing_tables import check_framing, read_framing
from protocol.frames import ATTITUDE_ROLES, read_frames
from protocol.identity import IDENTITY_NAME, WIRE, identity_packet
from protocol.packets import HEADER_SIZE
from protocol.rehearsal import REHEARSAL_NAME, rehearsal_packet
from protocol.tables.command_tables import read_command, read_condition
from protocol.tables.packet_tables import read_apid, read_packet
from protocol.tables.rehearsal_tables import check_rehearsal, read_rehearsal, read_stimuli
from protocol.toml_table import TomlTable, line_of

FORMAT = 1
# What the owner of a vehicle of wire version 1 must have written, to the letter, for hazardous commands to be sent.
UNBOUND_RISK = "Commands on wire version 1 name no vehicle and never run out: one held back or recorded can be obeyed later."
# What a dictionary of wire version 2 has that says nothing of it.
SAFE_ALL = Command(
    name="safe_all",
    code=SAFE_ALL_CODE,
    hazard="routine",
    title="Safe all",
    does="Inhibits everything that can fire but the recovery channels, which the vehicle keeps for itself.",
    safes_all=True,
)


def load_dictionary(path: Path | str | None = None) -> Dictionary:
    """Read the dictionary at `path`, or the Sandpiper default; raises DictionaryError."""
    if path is None:
        text = Path(__file__).with_name("sandpiper.toml").read_text("utf-8")
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
    except (ValueError, RecursionError) as error:
        raise DictionaryError("file", f"is not valid TOML: {error}", file) from error
    try:
        return _read(TomlTable(values, "", file), text)
    except DictionaryError as error:
        line = line_of(text, error.where)
        raise DictionaryError(error.where, error.problem, error.file, line) from error


def _read(root: TomlTable, text: str) -> Dictionary:
    head = root.table("dictionary")
    if head.get("format", int) != FORMAT:
        raise head.problem(f"this Blockhouse reads format {FORMAT}", "format")
    conditions = {name: read_condition(table, name) for name, table in root.named_tables("interlock")}
    framing = read_framing(root.table("framing")) if root.has("framing") else None
    wire = _wire(head, framing is not None)
    lead = 1 if wire == WIRE else 0
    frames = read_frames(root.table("frames", {}))
    packets = {
        name: read_packet(name, table, framing is not None, lead, frames) for name, table in root.named_tables("packet")
    }
    commands = {name: read_command(name, table, conditions, wire == WIRE) for name, table in root.named_tables("command")}
    stimuli = read_stimuli(root, frames, wire == WIRE)
    if wire == WIRE:
        _add_what_belongs_to_the_wire(packets, commands, root, bool(stimuli))
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
        uplink=_uplink(root, packets, wire == WIRE),
        framing=framing,
        flight_rules=_flight_rules(root.table("flight_rules", {})),
        wire=wire,
        radio=_radio(root, packets, commands, wire == WIRE),
        stimuli=stimuli,
        rehearsal=read_rehearsal(root, stimuli, packets),
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


def _wire(head: TomlTable, is_foreign: bool) -> int:
    wire = head.get("wire", int, 1)
    if wire not in (1, WIRE):
        raise head.problem(f"this Blockhouse speaks wire 1 and {WIRE}", "wire")
    if wire == WIRE and is_foreign:
        raise head.problem("means nothing beside a [framing] table", "wire")
    return wire


def _add_what_belongs_to_the_wire(
    packets: dict[str, Packet], commands: dict[str, Command], root: TomlTable, rehearses: bool
) -> None:
    """Wire version 2 has an identity packet and a Safe all whatever the file says of them, and tells of rehearsals."""
    if IDENTITY_NAME in packets:
        raise root.problem("belongs to the wire and is not described", f"packet.{IDENTITY_NAME}")
    packets[IDENTITY_NAME] = identity_packet()
    if rehearses:
        if REHEARSAL_NAME in packets:
            raise root.problem("belongs to the wire and is not described", f"packet.{REHEARSAL_NAME}")
        packets[REHEARSAL_NAME] = rehearsal_packet()
    if not any(command.safes_all for command in commands.values()):
        if SAFE_ALL.name in commands:
            raise root.problem("is the wire's own: give it safes_all = true, or another name", f"command.{SAFE_ALL.name}")
        commands[SAFE_ALL.name] = SAFE_ALL


def _radio(root: TomlTable, packets: Mapping[str, Packet], commands: Mapping[str, Command], is_bound: bool) -> RadioRules:
    """What a radio cannot carry is refused here, not torn on the air."""
    table = root.table("radio", {})
    if root.has("radio") and root.has("framing"):
        raise root.problem("means nothing beside a [framing] table", "radio")
    frame_max, every_s = table.get("frame_max", int, 0), table.get("listen_every", float, 0.0)
    for_s = table.get("listen_for", float, 0.0)
    table.done()
    if table.has("frame_max") and frame_max < 1:
        raise table.problem("must be above zero", "frame_max")
    if (table.has("listen_every") or table.has("listen_for")) and not 0.001 <= for_s < every_s <= 60.0:
        raise table.problem("needs listen_for of at least 0.001 s and less than itself, itself at most 60 s", "listen_every")
    head = BOUND_HEAD if is_bound else COMMAND_HEAD
    sizes = {f"packet.{packet.name}": packet.frame_bytes for packet in packets.values()}
    for command in commands.values():
        sizes[f"command.{command.name}"] = HEADER_SIZE + head.size + command.layout.size + TAG_SIZE + CRC_SIZE + 3
    for place, size in sizes.items() if frame_max else ():
        if size > frame_max:
            raise root.problem(f"is a frame of {size} bytes, the radio's [radio] frame_max is {frame_max}", place)
    return RadioRules(frame_max, every_s, for_s)


def _risk_accepted(table: TomlTable, is_bound: bool) -> bool:
    accepted = table.get("risk_accepted", str, "")
    if accepted and is_bound:
        raise table.problem("means nothing on wire version 2", "risk_accepted")
    if accepted and accepted != UNBOUND_RISK:
        raise table.problem(f"must be exactly: {UNBOUND_RISK}", "risk_accepted")
    return bool(accepted)


def _uplink(root: TomlTable, packets: Mapping[str, Packet], is_bound: bool) -> UplinkRules:
    table = root.table("uplink", {} if is_bound else {"apid": 64})
    answers = table.get("answers", bool, True)
    if not answers and (root.has("framing") or "answer" in packets):
        beside = "[framing] table, whose vehicles never answer" if root.has("framing") else "packet 'answer'"
        raise table.problem(f"means nothing beside a {beside}", "answers")
    if is_bound and table.has("apid"):
        raise table.problem("belongs to the wire on version 2", "apid")
    if not is_bound and table.has("vehicle_id"):
        raise table.problem("means nothing on wire version 1", "vehicle_id")
    vehicle_id = table.get("vehicle_id", int) if is_bound else 0
    if is_bound and not 1 <= vehicle_id <= VEHICLE_ID_MAX:
        raise table.problem(f"must be 1..{VEHICLE_ID_MAX}", "vehicle_id")
    rules = UplinkRules(
        apid=COMMAND_APID if is_bound else read_apid(table),
        vehicle_id=vehicle_id,
        answers=answers,
        risk_accepted=_risk_accepted(table, is_bound),
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


def _flight_rules(table: TomlTable) -> FlightRules:
    tilt_max = table.get("tilt_max", float) if table.has("tilt_max") else None
    height_max = table.get("height_max", float) if table.has("height_max") else None
    speed_min = table.get("tilt_speed_min", float, FlightRules.tilt_speed_min)
    if tilt_max is not None and not 0.0 < tilt_max < pi:
        raise table.problem(f"must be above 0 and below {pi:.4f} rad", "tilt_max")
    if tilt_max is None and table.has("tilt_speed_min"):
        raise table.problem("means nothing without tilt_max", "tilt_speed_min")
    if speed_min < 0.0:
        raise table.problem("must not be negative", "tilt_speed_min")
    if height_max is not None and height_max <= 0.0:
        raise table.problem("must be above zero", "height_max")
    table.done()
    return FlightRules(tilt_max, speed_min, height_max)


def _check_flight_rules(dictionary: Dictionary, root: TomlTable) -> None:
    """A rule that nobody could watch would be silence taken for safety."""
    rules, roles = dictionary.flight_rules, dictionary.roles
    packets = {roles[role].packet if role in roles else None for role in ATTITUDE_ROLES}
    if rules.tilt_max is not None and (len(packets) > 1 or None in packets):
        needs = "the roles attitude_quaternion.w, .x, .y and .z in one packet"
        raise root.problem(f"cannot be watched: it needs {needs}", "flight_rules.tilt_max")
    if rules.height_max is not None and "pressure" not in roles:
        raise root.problem("cannot be watched: it needs the role pressure", "flight_rules.height_max")


def _check_whole(dictionary: Dictionary, root: TomlTable) -> None:
    """Checks that need more than one table: numbers used twice, roles used twice, code distances."""
    if dictionary.framing is not None:
        check_framing(dictionary.framing, dictionary.packets, dictionary.commands, root)
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
            if dictionary.is_bound and channel.role in BOOT_ROLES:
                told = "the identity packet tells the start on wire version 2"
                raise root.problem(f"role '{channel.role}': {told}", f"packet.{channel.path}")
            if channel.role in BOOT_ROLES and (packet.fields[channel.field_index].type != "u16" or channel.linear):
                raise root.problem(f"role '{channel.role}' needs a plain u16 field", f"packet.{channel.path}")
    _check_flight_rules(dictionary, root)
    check_rehearsal(dictionary, root)
    if sum(c.safes_all for c in dictionary.commands.values()) > 1:
        raise root.problem("only one command may have safes_all = true", "command")
    for one in dictionary.command_by_code.values():
        for other in dictionary.command_by_code.values():
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
