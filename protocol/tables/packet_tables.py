"""The [packet.NAME] tables of a dictionary file: packets, fields, bit groups, limits.

Every mistake is a `DictionaryError` that names the place. The keys are described in `WIRE.md`, section 9.
"""

from __future__ import annotations

import re

from protocol.fields import LIMIT_NAMES, Channel, ChannelKind, Field, Packet
from protocol.frames import ATTITUDE_ROLES, AttitudeTurn, Frames
from protocol.framing import CONTENT_MAX
from protocol.packets import APID_MAX
from protocol.roles import role_unit, to_role_unit
from protocol.toml_table import TomlTable
from protocol.units import conversion
from protocol.wire_types import BITS_TYPES, BOOL, FLOAT_TYPES, NUMBER_TYPES, bits_of, is_little

NAME = re.compile(r"[a-z][a-z0-9_]{0,39}\Z")
ROLE = re.compile(r"[a-z_]+(\[[a-z0-9_]+\])?(\.[a-z_]+)*\Z")
TIME_UNITS = ("s", "ms", "us")
STATION_FRAMES = Frames()
TEXT_TYPE = re.compile(r"(text|bytes)([1-9][0-9]{0,2})\Z")
ARRAY_TYPE = re.compile(r"(\w+)\[([1-9][0-9]{0,2})\]\Z")
ELEMENT = re.compile(r"[a-z0-9_]{1,20}\Z")
FOREIGN_ID_MAX = 0xFFFF_FFFF  # of a format of the vehicle's own; its header's id may hold less
SPARSE_MAX = 1023  # the greatest number that a table of `values` may name


def read_apid(table: TomlTable, most: int = APID_MAX) -> int:
    """Return the APID of a table, at most `most`; raises DictionaryError."""
    apid = table.get("apid", int)
    if not 0 <= apid <= most:
        raise table.problem(f"must be 0..{most}, got {apid}", "apid")
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
    name: str,
    table: TomlTable,
    is_foreign: bool = False,
    lead: int = 0,
    frames: Frames = STATION_FRAMES,
    stimulus_head: int | None = None,
) -> Packet:
    """Return a packet; `is_foreign`: of another framing than ours, `lead`: zeros before a frame, `frames`: the vehicle's;
    `stimulus_head`: of a stimulus, the bytes of its content beside its fields.

    Raises DictionaryError.
    """
    fields = _fields(read_name(name, table), table, frames)
    packet = Packet(
        read_name(name, table),
        read_apid(table, FOREIGN_ID_MAX if is_foreign else APID_MAX),
        _rate(table),
        table.get("description", str, ""),
        fields,
        **_framing_words(table, stimulus_head is None),
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
    for array in {item.array[0] for item in fields if item.array is not None} & set(names):
        raise table.problem(f"has an array and a channel named '{array}'", "fields")
    content = packet.frame_bytes - packet.lead - 2 if stimulus_head is None else stimulus_head + packet.layout.size
    if content > CONTENT_MAX:
        raise table.problem(f"is {content} bytes with header and CRC, {CONTENT_MAX} fit a frame")
    return packet


def _framing_words(table: TomlTable, is_packet: bool) -> dict[str, str]:
    """Return the keys that a packet has for a [framing] table; a stimulus has none of them."""
    return {key: table.get(key, str, "") for key in ("tag", "time", "count")} if is_packet else {}


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


def _fields(packet: str, table: TomlTable, frames: Frames) -> tuple[Field, ...]:
    fields: list[Field] = []
    for item in table.tables("fields"):
        array = ARRAY_TYPE.match(item.get("type", str))
        if array is None:
            fields.append(_field(packet, len(fields), item, frames))
        else:
            fields += _array(packet, len(fields), item, frames, array[1], int(array[2]))
    return tuple(fields)


def _field(packet: str, index: int, table: TomlTable, frames: Frames) -> Field:
    name = read_name(table.get("name", str), table)
    type_ = table.get("type", str)
    if type_ in BITS_TYPES:
        channels = _bit_channels(packet, index, table, bits_of(type_), frames)
        table.get("description", str, "")
    elif type_ in (*NUMBER_TYPES, BOOL) or TEXT_TYPE.match(type_):
        channels = (_channel(packet, index, table, type_, frames),)
    else:
        kinds = ", ".join(name for name in (*NUMBER_TYPES, BOOL, *BITS_TYPES) if not is_little(name))
        raise table.problem(f"must be one of {kinds}, textN, bytesN, got {type_!r}", "type")
    table.done()
    return Field(name=name, type=type_, channels=channels)


def _array(packet: str, first: int, table: TomlTable, frames: Frames, type_: str, length: int) -> list[Field]:
    """Return an array as one field for each element, called after it; `{}` in role, label and description names it."""
    if type_ not in (*NUMBER_TYPES, BOOL):
        raise table.problem(f"only numbers and {BOOL} can stand in arrays, got {type_!r}", "type")
    whole = read_name(table.get("name", str), table)
    names = table.texts("elements") or tuple(str(place) for place in range(length))
    if len(names) != length or len(set(names)) != length or not all(ELEMENT.match(name) for name in names):
        raise table.problem(f"must be {length} different words of lower-case letters, digits and _", "elements")
    if table.has("role") and length > 1 and "{}" not in table.get("role", str):
        raise table.problem("must hold {} where the element's name goes: each channel has a role of its own", "role")
    fields = []
    for place, name in enumerate(names):
        element = table.element(type_, f"{whole}_{name}", name)
        field = _field(packet, first + place, element, frames)
        fields.append(Field(name=field.name, type=field.type, channels=field.channels, array=(whole, place, length)))
    return fields


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
        signed = item.get("signed", bool, False)
        scale, offset, linear = _scaled(item)
        if width == 1 and (signed or linear):
            raise item.problem("one bit is a flag: it has no sign, scale or offset", "signed" if signed else "scale")
        if signed and kind == "enum":
            raise item.problem("an enum counts from 0: it has no sign", "signed")
        channels.append(
            _described(
                packet,
                index,
                item,
                kind,
                frames,
                scale=scale,
                offset=offset,
                linear=linear,
                shift=bit,
                mask=mask,
                signed=signed,
            )
        )
        item.done()
    if not channels:
        raise table.problem("needs at least one entry", "bits")
    return tuple(channels)


def _channel(packet: str, index: int, table: TomlTable, type_: str, frames: Frames) -> Channel:
    if type_.startswith(("text", "bytes")):
        return _described(packet, index, table, "text", frames, is_bytes=type_.startswith("bytes"))
    scale, offset, linear = _scaled(table)
    if type_ in FLOAT_TYPES and linear:
        raise table.problem("a float field carries its value as it is; scale and offset are for integers", "scale")
    if type_ == BOOL and linear:
        raise table.problem("a truth value has no scale and offset", "scale")
    kind: ChannelKind = "flag" if type_ == BOOL else "enum" if table.has("values") else "number"
    return _described(packet, index, table, kind, frames, scale=scale, offset=offset, linear=linear)


def _scaled(table: TomlTable) -> tuple[float, float, bool]:
    """Return scale, offset, and whether there are any."""
    scale, offset = table.get("scale", float, 1.0), table.get("offset", float, 0.0)
    if scale == 0.0:
        raise table.problem("must not be zero", "scale")
    return scale, offset, table.has("scale") or table.has("offset")


def _values(table: TomlTable) -> tuple[str, ...]:
    """Return the texts of an enum by number: a list from 0 on, or a table of those that have one."""
    told = table.raw("values")
    if not isinstance(told, dict):
        return table.texts("values")
    texts: dict[int, str] = {}
    for key, text in told.items():
        if not re.fullmatch(r"0|[1-9][0-9]{0,3}", key) or int(key) > SPARSE_MAX:
            raise table.problem(f"{key!r} must be a whole number 0..{SPARSE_MAX}", "values")
        if not isinstance(text, str) or not text:
            raise table.problem(f"{key} must have a text, got {text!r}", "values")
        texts[int(key)] = text
    if not texts:
        raise table.problem("must name at least one number", "values")
    return tuple(texts.get(number, "") for number in range(max(texts) + 1))


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
    signed: bool = False,
    is_bytes: bool = False,
) -> Channel:
    unit = table.get("unit", str, "")
    display_unit = table.get("display_unit", str, unit)
    role = table.get("role", str) if table.has("role") else None
    if role is not None and not ROLE.match(role):
        raise table.problem(f"role {role!r} must look like altitude_baro or camera[1].powered", "role")
    role, sign = frames.turned(role) if role is not None and (not mask or kind == "number") else (role, 1.0)
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
        values=_values(table),
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
        signed=signed,
        is_bytes=is_bytes,
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
