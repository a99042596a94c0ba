"""The [packet.NAME] tables of a dictionary file: packets, fields, bit groups, limits.

Every mistake is a `DictionaryError` that names the place. The keys are described in `WIRE.md`, section 9.
"""

from __future__ import annotations

import re

from protocol.fields import BITS_CODES, LIMIT_NAMES, NUMBER_CODES, Channel, ChannelKind, Field, Packet
from protocol.frames import ATTITUDE_ROLES, AttitudeTurn, Frames
from protocol.framing import CONTENT_MAX
from protocol.packets import APID_MAX
from protocol.roles import role_unit, to_role_unit
from protocol.toml_table import TomlTable
from protocol.units import conversion

NAME = re.compile(r"[a-z][a-z0-9_]{0,39}\Z")
ROLE = re.compile(r"[a-z_]+(\[[a-z0-9_]+\])?(\.[a-z_]+)*\Z")
TIME_UNITS = ("s", "ms", "us")
STATION_FRAMES = Frames()
TEXT_TYPE = re.compile(r"text([1-9][0-9]{0,2})\Z")


def read_apid(table: TomlTable) -> int:
    """Return the APID of a table; raises DictionaryError."""
    apid = table.get("apid", int)
    if not 0 <= apid <= APID_MAX:
        raise table.problem(f"must be 0..{APID_MAX}, got {apid}", "apid")
    return apid


def read_name(name: str, table: TomlTable) -> str:
    """Return a name if it is one; raises DictionaryError."""
    if not NAME.match(name):
        raise table.problem(f"name {name!r} must be lower-case letters, digits and _ (at most 40)")
    return name


def _rate(table: TomlTable) -> float:
    rate_hz = table.get("rate_hz", float, 0.0)
    if rate_hz < 0.0:
        raise table.problem("must not be negative", "rate_hz")
    return rate_hz


def read_packet(
    name: str, table: TomlTable, is_foreign: bool = False, lead: int = 0, frames: Frames = STATION_FRAMES
) -> Packet:
    """Return a packet; `is_foreign`: of another framing than ours, `lead`: zeros before a frame, `frames`: the vehicle's.

    Raises DictionaryError.
    """
    fields = tuple(_field(read_name(name, table), index, item, frames) for index, item in enumerate(table.tables("fields")))
    packet = Packet(
        read_name(name, table),
        read_apid(table),
        _rate(table),
        table.get("description", str, ""),
        fields,
        tag=table.get("tag", str, ""),
        time=table.get("time", str, ""),
        count=table.get("count", str, ""),
        lead=lead,
        attitude=_attitude(fields, frames, table),
    )
    table.done()
    if is_foreign:
        _check_foreign(packet, table)
    elif packet.tag or packet.time or packet.count:
        raise table.problem("tag, time and count are for dictionaries with a [framing] table", "tag")
    if not fields:
        raise table.problem("has no fields", "fields")
    names = [channel.name for channel in packet.channels]
    for repeated in {n for n in names if names.count(n) > 1}:
        raise table.problem(f"has two channels named '{repeated}'", "fields")
    content = packet.frame_bytes - packet.lead - 2
    if content > CONTENT_MAX:
        raise table.problem(f"is {content} bytes with header and CRC, {CONTENT_MAX} fit a frame")
    return packet


def _attitude(
    fields: tuple[Field, ...], frames: Frames, table: TomlTable
) -> tuple[tuple[int, int, int, int], AttitudeTurn] | None:
    """Return where a packet has the attitude that is to be turned among its channels, and how."""
    roles = [channel.role for item in fields for channel in item.channels]
    if frames.attitude is None or not set(ATTITUDE_ROLES) & set(roles):
        return None
    if not set(ATTITUDE_ROLES) <= set(roles):
        raise table.problem("needs all four attitude_quaternion roles in one packet, since [frames] turns them", "fields")
    w, x, y, z = (roles.index(role) for role in ATTITUDE_ROLES)
    return (w, x, y, z), frames.attitude


def _check_foreign(packet: Packet, table: TomlTable) -> None:
    """Time must be a number in s, ms or us, the count a plain unsigned integer."""
    channels = {channel.name: channel for channel in packet.channels}
    time = channels.get(packet.time)
    if packet.time and (time is None or time.kind == "text" or time.unit not in TIME_UNITS):
        raise table.problem(f"'{packet.time}' must be a number of this packet with unit s, ms or us", "time")
    types = {item.name: item.type for item in packet.fields}
    plain = packet.count in channels and not channels[packet.count].linear
    if packet.count and not (plain and types.get(packet.count) in ("u8", "u16", "u32")):
        raise table.problem(f"'{packet.count}' must be a plain u8, u16 or u32 field of this packet", "count")


def _field(packet: str, index: int, table: TomlTable, frames: Frames) -> Field:
    name = read_name(table.get("name", str), table)
    type_ = table.get("type", str)
    if type_ in BITS_CODES:
        channels = _bit_channels(packet, index, table, int(type_[4:]), frames)
        table.get("description", str, "")
    elif type_ in NUMBER_CODES or TEXT_TYPE.match(type_):
        channels = (_channel(packet, index, table, type_, frames),)
    else:
        kinds = ", ".join([*NUMBER_CODES, *BITS_CODES, "textN"])
        raise table.problem(f"must be one of {kinds}, got {type_!r}", "type")
    table.done()
    return Field(name=name, type=type_, channels=channels)


def _bit_channels(packet: str, index: int, table: TomlTable, size: int, frames: Frames) -> tuple[Channel, ...]:
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
        kind: ChannelKind = "flag" if width == 1 else "enum" if item.has("values") else "number"
        channels.append(_described(packet, index, item, kind, frames, shift=bit, mask=mask))
        item.done()
    if not channels:
        raise table.problem("needs at least one entry", "bits")
    return tuple(channels)


def _channel(packet: str, index: int, table: TomlTable, type_: str, frames: Frames) -> Channel:
    if type_.startswith("text"):
        return _described(packet, index, table, "text", frames)
    scale, offset = table.get("scale", float, 1.0), table.get("offset", float, 0.0)
    if scale == 0.0:
        raise table.problem("must not be zero", "scale")
    if type_ in ("f32", "f64") and (table.has("scale") or table.has("offset")):
        raise table.problem("a float field carries its value as it is; scale and offset are for integers", "scale")
    kind: ChannelKind = "enum" if table.has("values") else "number"
    linear = table.has("scale") or table.has("offset")
    return _described(packet, index, table, kind, frames, scale=scale, offset=offset, linear=linear)


def _described(
    packet: str,
    index: int,
    table: TomlTable,
    kind: ChannelKind,
    frames: Frames,
    *,
    scale: float = 1.0,
    offset: float = 0.0,
    linear: bool = False,
    shift: int = 0,
    mask: int = 0,
) -> Channel:
    unit = table.get("unit", str, "")
    display_unit = table.get("display_unit", str, unit)
    role = table.get("role", str) if table.has("role") else None
    if role is not None and not ROLE.match(role):
        raise table.problem(f"role {role!r} must look like altitude_baro or camera[1].powered", "role")
    role, sign = frames.turned(role) if role is not None and not mask else (role, 1.0)
    per, more = (kind == "number" and to_role_unit(role, unit)) or (1.0, 0.0)
    per, more = per * sign, more * sign
    declared = (unit or role_unit(role)) if (per, more) != (1.0, 0.0) else ""
    unit = role_unit(role) if declared else unit
    if declared == display_unit and conversion(unit, display_unit) is None:
        display_unit = unit  # a unit for the wire only
    shown = conversion(unit, display_unit)
    if shown is None:
        raise table.problem(f"cannot show {unit!r} as {display_unit!r}", "display_unit")
    label = table.get("label", str) if table.has("label") else None
    return Channel(
        name=read_name(table.get("name", str), table),
        packet=packet,
        kind=kind,
        field_index=index,
        unit=unit,
        display_unit=display_unit,
        display_scale=shown[0],
        display_offset=shown[1],
        role=role,
        values=table.texts("values"),
        limits={_side(name, sign): limit * per + more for name, limit in _limits(table).items()}
        if declared
        else _limits(table),
        range=_turned(_pair(table, "range"), per, more),
        sensor_range=_turned(_pair(table, "sensor_range"), per, more),
        description=table.get("description", str, ""),
        label=label,
        scale=scale,
        offset=offset,
        linear=linear,
        wire_unit=declared,
        unit_scale=per,
        unit_offset=more,
        sign=sign,
        shift=shift,
        mask=mask,
    )


def _turned(pair: tuple[float, float] | None, per: float, more: float) -> tuple[float, float] | None:
    """Return a pair in the unit the station has the channel in."""
    if pair is None:
        return None
    low, high = sorted((pair[0] * per + more, pair[1] * per + more))
    return low, high


def _side(name: str, sign: float) -> str:
    """Return which limit a limit is where the axis is reversed."""
    if sign > 0.0:
        return name
    return name.replace("low", "high") if name.endswith("low") else name.replace("high", "low")


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


def _pair(table: TomlTable, name: str) -> tuple[float, float] | None:
    if not table.has(name):
        return None
    pair = table.numbers(name)
    if len(pair) != 2 or not pair[0] < pair[1]:
        raise table.problem("must be [low, high] with low < high", name)
    return (pair[0], pair[1])
