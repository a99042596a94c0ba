"""The [framing] table of a dictionary file: how a vehicle that does not speak our wire wraps what it says.

Every mistake is a `DictionaryError` that names the place. The keys are described in `WIRE.md`, sections 9 and 10.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from protocol.commands import TEMPLATE_PLACE, Command
from protocol.fields import Packet
from protocol.foreign.framing_rules import ByteOrder, FramingRules, HeaderPart, Kind, LengthCounts, Stuffing
from protocol.foreign.sums import SUMS, CrcRules
from protocol.toml_table import TomlTable

KINDS: tuple[Kind, ...] = ("text", "json", "binary")
BYTE_ORDERS: tuple[ByteOrder, ...] = ("big", "little")
STUFFINGS: tuple[Stuffing, ...] = ("none", "cobs", "slip")
TEXT_SUMS = ("none", "xor8", "sum8", "crc8", "crc16", "crc16-modbus", "crc32")
HEADER_TYPES = {
    "id": ("u8", "u16", "u24", "u32"),
    "length": ("u8", "u16"),
    "count": ("u8", "u16", "u24", "u32"),
}
CRC_WIDTHS = tuple(range(8, 65, 8))
IGNORED_MAX = 32  # bytes in a row
LENGTH_COUNTS: tuple[LengthCounts, ...] = ("payload", "record")
RISK = "Anyone within range of the radio can send the commands of this vehicle, and nothing tells whether they arrived."
OCTETS = re.compile(r"[0-9A-Fa-f]{2}( [0-9A-Fa-f]{2})*")
NUMBER_PART = re.compile(r"(id|length|count) (u[0-9]+)(?: mask ([0-9A-Fa-f]+)(?: rest ([0-9A-Fa-f]+))?)?")


def read_framing(table: TomlTable) -> FramingRules:
    """Return the rules of a [framing] table; raises DictionaryError."""
    kind = table.choice("kind", KINDS)
    accepted = table.get("risk_accepted", str, "")
    if accepted not in ("", RISK):
        raise table.problem(f"must be exactly: {RISK}", "risk_accepted")
    read = {"text": _text, "json": _json, "binary": _binary}[kind]
    rules = read(table, bool(accepted), _time_modulus(table))
    table.done()
    return rules


def _time_modulus(table: TomlTable) -> float:
    modulus = table.get("time_modulus", float, 0.0)
    if table.has("time_modulus") and not modulus >= 10.0:
        raise table.problem("must be at least 10 s: a clock that wraps more often tells nothing", "time_modulus")
    return modulus


def _text(table: TomlTable, risk_accepted: bool, time_modulus: float) -> FramingRules:
    separator, start = table.get("separator", str, ","), table.get("start", str, "")
    if not re.fullmatch(r"[\t -)+,\-/:-@\[-`{-~]", separator):
        raise table.problem("must be one character that no number holds: a comma, a tab, a semicolon", "separator")
    if not re.fullmatch(r"[!-~]{0,8}", start) or separator in start or "*" in start:
        raise table.problem("must be at most 8 visible characters, without the separator and without *", "start")
    checksum, crc = _checksum(table, TEXT_SUMS)
    return FramingRules(
        kind="text",
        checksum=checksum,
        crc=crc,
        separator=separator,
        start=start,
        time_modulus=time_modulus,
        risk_accepted=risk_accepted,
    )


def _json(table: TomlTable, risk_accepted: bool, time_modulus: float) -> FramingRules:
    tag_key = table.get("tag_key", str, "")
    return FramingRules(kind="json", tag_key=tag_key, time_modulus=time_modulus, risk_accepted=risk_accepted)


def _checksum(table: TomlTable, names: tuple[str, ...]) -> tuple[str, CrcRules | None]:
    """Return a checksum's name, or the rules of a CRC given as a table."""
    if not isinstance(table.raw("checksum"), dict):
        return table.choice("checksum", names, "none"), None
    inner = table.table("checksum")
    width = inner.get("width", int)
    if width not in CRC_WIDTHS:
        raise inner.problem(f"must be one of {', '.join(map(str, CRC_WIDTHS))} bits", "width")
    numbers = {key: inner.get(key, int, 0) for key in ("init", "xorout")} | {"polynomial": inner.get("polynomial", int)}
    for key, number in numbers.items():
        if not 0 <= number < 1 << width:
            raise inner.problem(f"must fit {width} bits", key)
    if not numbers["polynomial"] & 1:
        raise inner.problem("must be odd: written without its highest term, lowest term last", "polynomial")
    reflect_in = inner.get("reflect_in", bool, False)
    reflect_out = inner.get("reflect_out", bool, reflect_in)
    inner.done()
    return "none", CrcRules(width=width, reflect_in=reflect_in, reflect_out=reflect_out, **numbers)


def _binary(table: TomlTable, risk_accepted: bool, time_modulus: float) -> FramingRules:
    stuffing = table.choice("stuffing", STUFFINGS, "none")
    sync = table.get("sync", str, "")
    if table.has("sync") and not (OCTETS.fullmatch(sync) and len(sync) <= 11):
        raise table.problem("must be one to four bytes in hexadecimal, like 'A5 5A'", "sync")
    checksum, crc = _checksum(table, tuple(SUMS))
    header: list[HeaderPart] = []
    for item in table.texts("header"):
        header.append(_part(item, table))
        if header[-1].what in ("id", "length", "count") and sum(part.what == header[-1].what for part in header) > 1:
            raise table.problem(f"{item!r}: {header[-1].what} stands there twice", "header")
    rules = FramingRules(
        kind="binary",
        checksum=checksum,
        crc=crc,
        checksum_order=table.choice("checksum_order", BYTE_ORDERS) if table.has("checksum_order") else None,
        sync=bytes.fromhex(sync),
        order=table.choice("byte_order", BYTE_ORDERS, "big"),
        header=tuple(header),
        length_counts=table.choice("length_counts", LENGTH_COUNTS, "payload"),
        length_bias=table.get("length_bias", int, 0),
        stuffing=stuffing,
        checksum_with_sync=table.get("checksum_with_sync", bool, False),
        time_modulus=time_modulus,
        risk_accepted=risk_accepted,
    )
    if rules.length_bias and rules.part("length") is None:
        raise table.problem("means nothing without a length in the header", "length_bias")
    if not sync and stuffing == "none" and (rules.part("length") is None or not rules.sum[0]):
        raise table.problem("is missing: without it records are found by a length and a checksum, or by stuffing", "sync")
    return rules


def _part(item: str, table: TomlTable) -> HeaderPart:
    what, _, more = item.partition(" ")
    if what == "const" and OCTETS.fullmatch(more):
        return HeaderPart("const", octets=bytes.fromhex(more))
    if what == "ignored" and re.fullmatch(r"[1-9][0-9]?", more) and int(more) <= IGNORED_MAX:
        return HeaderPart("ignored", octets=bytes(int(more)))
    found = NUMBER_PART.fullmatch(item)
    if found is None or found[2] not in HEADER_TYPES[found[1]]:
        told = "id, length, count with u8 or u16 (id and count also u24, u32; `mask` and `rest` behind), const, ignored"
        raise table.problem(f"{item!r} must be one of {told}", "header")
    mask, rest = int(found[3] or "0", 16), None if found[4] is None else int(found[4], 16)
    part = HeaderPart(found[1], found[2], mask, rest)
    is_whole = (mask >> part.shift) + 1 == 1 << part.bits if mask else found[3] is None
    if not is_whole or max(mask, rest or 0) >= 1 << 8 * part.size or (rest is not None and rest & mask):
        raise table.problem(f"{item!r}: mask must be one run of bits of {part.type}, rest none of them", "header")
    return part


def check_framing(
    rules: FramingRules, packets: Mapping[str, Packet], commands: Mapping[str, Command], root: TomlTable
) -> None:
    """Refuse what this framing cannot carry; raises DictionaryError."""
    many, id_part = len(packets) > 1, rules.part("id")
    for packet in packets.values():
        place = f"packet.{packet.name}"
        if rules.kind == "binary":
            if many and id_part is None:
                raise root.problem("needs an id: there are several packets", "framing.header")
            if id_part is not None and packet.apid >> id_part.bits:
                raise root.problem(f"does not fit the id of {_width(id_part)}", f"{place}.apid")
            continue
        if rules.kind == "text" and (
            packet.tag and not re.fullmatch(r"[!-)+-~]+", packet.tag) or rules.separator in packet.tag
        ):
            raise root.problem("must be visible characters without the separator and without *", f"{place}.tag")
        if many and not packet.tag:
            raise root.problem("is missing: several packets are told apart by a line's first value", f"{place}.tag")
        if packet.tag and rules.kind == "json" and not rules.tag_key:
            raise root.problem("needs tag_key in [framing]: where in a line it stands", f"{place}.tag")
    tags = [packet.tag for packet in packets.values()]
    if rules.kind != "binary" and len(set(tags)) != len(tags):
        raise root.problem("two packets have the same tag", "packet")
    for command in commands.values():
        if id_part is not None and command.code >> id_part.bits:
            raise root.problem(f"does not fit the id of {_width(id_part)}", f"command.{command.name}.code")
        _check_template(command, rules.kind, root)


def _width(part: HeaderPart) -> str:
    return {8: "one byte", 16: "two bytes", 24: "three bytes", 32: "four bytes"}.get(part.bits, f"{part.bits} bits")


def _check_template(command: Command, kind: Kind, root: TomlTable) -> None:
    place = f"command.{command.name}.template"
    names = {arg.name for arg in command.args}
    if kind != "binary" and not command.template:
        raise root.problem("is missing: a text format needs the words to send", place)
    if command.template and set(TEMPLATE_PLACE.findall(command.template)) != names:
        raise root.problem("must hold each argument once as {name} and no other", place)
    rest = TEMPLATE_PLACE.sub("00", command.template)
    if kind == "json" and not re.fullmatch(r"[ -~]*", rest):
        raise root.problem("must be visible characters", place)
    if kind == "text" and not re.fullmatch(r"[ -)+-~]*", rest):
        raise root.problem("must be visible characters without *", place)
    if kind == "binary" and not re.fullmatch(r"(([0-9A-Fa-f]{2})(\s+|$))*", rest):
        raise root.problem("must be bytes in hexadecimal and {argument}s, with spaces between", place)
