"""The [framing] table of a dictionary file: how a vehicle that does not speak our wire wraps what it says.

Every mistake is a `DictionaryError` that names the place. The keys are described in `WIRE.md`, sections 9 and 10.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from protocol.commands import TEMPLATE_PLACE, Command
from protocol.fields import Packet
from protocol.foreign.sums import SUMS
from protocol.toml_table import TomlTable

Kind = Literal["text", "binary"]
ByteOrder = Literal["big", "little"]
LengthCounts = Literal["payload", "record"]
KINDS: tuple[Kind, ...] = ("text", "binary")
BYTE_ORDERS: tuple[ByteOrder, ...] = ("big", "little")
TEXT_SUMS = ("none", "xor8", "crc16")
HEADER_PARTS = {"id": ("u8", "u16"), "length": ("u8", "u16"), "count": ("u8", "u16")}
LENGTH_COUNTS: tuple[LengthCounts, ...] = ("payload", "record")
RISK = "Anyone within range of the radio can send the commands of this vehicle, and nothing tells whether they arrived."


@dataclass(frozen=True, kw_only=True)
class FramingRules:
    """How lines or records are told apart and checked. `header` lists (part, type) in wire order."""

    kind: Kind
    checksum: str
    separator: str = ","
    start: str = ""
    sync: bytes = b""
    order: ByteOrder = "big"
    header: tuple[tuple[str, str], ...] = ()
    length_counts: LengthCounts = "payload"
    checksum_with_sync: bool = False
    risk_accepted: bool = False

    def wire_line(self) -> str:
        """Return what decides the bytes, for the dictionary's hash."""
        header = " ".join(f"{part}:{type_}" for part, type_ in self.header)
        with_sync = " with-sync" if self.checksum_with_sync else ""
        ends = f"{self.separator!r} {self.start!r}" if self.kind == "text" else f"{self.sync.hex()} {self.order} {header}"
        return f"framing {self.kind} {self.checksum} {ends} {self.length_counts}{with_sync}"


def read_framing(table: TomlTable) -> FramingRules:
    """Return the rules of a [framing] table; raises DictionaryError."""
    kind = table.choice("kind", KINDS)
    accepted = table.get("risk_accepted", str, "")
    if accepted not in ("", RISK):
        raise table.problem(f"must be exactly: {RISK}", "risk_accepted")
    rules = _text(table, bool(accepted)) if kind == "text" else _binary(table, bool(accepted))
    table.done()
    return rules


def _text(table: TomlTable, risk_accepted: bool) -> FramingRules:
    separator, start = table.get("separator", str, ","), table.get("start", str, "")
    if not re.fullmatch(r"[\t -)+,\-/:-@\[-`{-~]", separator):
        raise table.problem("must be one character that no number holds: a comma, a tab, a semicolon", "separator")
    if not re.fullmatch(r"[!-~]{0,8}", start) or separator in start or "*" in start:
        raise table.problem("must be at most 8 visible characters, without the separator and without *", "start")
    checksum = table.choice("checksum", TEXT_SUMS, "none")
    return FramingRules(kind="text", checksum=checksum, separator=separator, start=start, risk_accepted=risk_accepted)


def _binary(table: TomlTable, risk_accepted: bool) -> FramingRules:
    text = table.get("sync", str)
    if not re.fullmatch(r"[0-9A-Fa-f]{2}( [0-9A-Fa-f]{2}){0,3}", text):
        raise table.problem("must be one to four bytes in hexadecimal, like 'A5 5A'", "sync")
    header: list[tuple[str, str]] = []
    for item in table.texts("header"):
        part, _, type_ = item.partition(" ")
        if type_ not in HEADER_PARTS.get(part, ()) or part in dict(header):
            raise table.problem(f"{item!r} must be one of id, length, count with u8 or u16, each at most once", "header")
        header.append((part, type_))
    return FramingRules(
        kind="binary",
        checksum=table.choice("checksum", tuple(SUMS), "none"),
        sync=bytes.fromhex(text),
        order=table.choice("byte_order", BYTE_ORDERS, "big"),
        header=tuple(header),
        length_counts=table.choice("length_counts", LENGTH_COUNTS, "payload"),
        checksum_with_sync=table.get("checksum_with_sync", bool, False),
        risk_accepted=risk_accepted,
    )


def check_framing(
    rules: FramingRules, packets: Mapping[str, Packet], commands: Mapping[str, Command], root: TomlTable
) -> None:
    """Refuse what this framing cannot carry; raises DictionaryError."""
    many = len(packets) > 1
    for packet in packets.values():
        place = f"packet.{packet.name}"
        if rules.kind == "text":
            if packet.tag and not re.fullmatch(r"[!-)+-~]+", packet.tag) or rules.separator in packet.tag:
                raise root.problem("must be visible characters without the separator and without *", f"{place}.tag")
            if many and not packet.tag:
                raise root.problem("is missing: several packets are told apart by a line's first value", f"{place}.tag")
        elif many and "id" not in dict(rules.header):
            raise root.problem("needs an id: there are several packets", "framing.header")
        elif packet.apid > 0xFF and ("id", "u8") in rules.header:
            raise root.problem("does not fit the id of one byte", f"{place}.apid")
    tags = [packet.tag for packet in packets.values()]
    if rules.kind == "text" and len(set(tags)) != len(tags):
        raise root.problem("two packets have the same tag", "packet")
    for command in commands.values():
        _check_template(command, rules.kind, root)


def _check_template(command: Command, kind: Kind, root: TomlTable) -> None:
    place = f"command.{command.name}.template"
    names = {arg.name for arg in command.args}
    if kind == "text" and not command.template:
        raise root.problem("is missing: a text format needs the words to send", place)
    if command.template and set(TEMPLATE_PLACE.findall(command.template)) != names:
        raise root.problem("must hold each argument once as {name} and no other", place)
    rest = TEMPLATE_PLACE.sub("00", command.template)
    if kind == "text" and not re.fullmatch(r"[ -)+-~]*", rest):
        raise root.problem("must be visible characters without *", place)
    if kind == "binary" and not re.fullmatch(r"(([0-9A-Fa-f]{2})(\s+|$))*", rest):
        raise root.problem("must be bytes in hexadecimal and {argument}s, with spaces between", place)
