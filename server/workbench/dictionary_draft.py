"""A first dictionary out of logs of a flight, a packet a file: what `column_meaning` found, types and rates by the values.

A draft to be corrected by its owner, who knows what the columns mean. What was taken for something and what could not be
known stands in its first lines.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from protocol.arrays import Floats
from protocol.framing import CONTENT_MAX
from server.logs.column_meaning import meaning_of
from server.logs.log_columns import TIME_ROLE, TIME_SECONDS, Column, Meaning
from server.logs.text_log import NUMBER, LogTable, read_table
from server.problems import Problem

PAYLOAD_MAX = CONTENT_MAX - 12  # header, vehicle time and checksum of a frame
TEXT_MAX = 48
SIZES = {"f64": 8, "f32": 4, "u32": 4, "i32": 4}


class DraftProblem(Problem):
    """No draft can be made of these files; the text is one plain sentence."""


@dataclass(frozen=True)
class DraftField:
    """One column of a log as a field of its packet."""

    name: str
    type: str
    column: Column


@dataclass(frozen=True)
class DraftPacket:
    """One log as a packet: its table, its time, its fields."""

    name: str
    table: LogTable
    time: DraftField | None
    fields: tuple[DraftField, ...]
    seconds: Floats | None  # of the log's own clock, shape (rows,)


@dataclass(frozen=True)
class Draft:
    """A dictionary's text, what it was made from, and in sentences what was assumed and what could not be known."""

    text: str
    packets: tuple[DraftPacket, ...]
    separator: str
    assumed: tuple[str, ...]
    unknown: tuple[str, ...]


def draft_from_logs(paths: Sequence[Path], told: Mapping[str, tuple[str, str]] | None = None) -> Draft:
    """Return a draft for the logs of one flight; `told` gives (role, unit) of columns. Raises LogTableProblem, OSError."""
    tables = [read_table(path) for path in paths]
    meaning = meaning_of(tables, told or {})
    meaning.unknown += _missing(meaning)
    separator = tables[0].separator if len({table.separator for table in tables}) == 1 else ","
    names = _packet_names(tables)
    packets = tuple(
        _packet(name, table, number, meaning) for number, (name, table) in enumerate(zip(names, tables, strict=True))
    )
    notes = [f"{table.path.name}: {note}" for table in tables for note in table.notes]
    if any(len(table.rows) and _has_commas(table) for table in tables):
        separator = ";" if separator == "," else separator
    draft = Draft("", packets, separator, (*meaning.assumed, *notes), tuple(meaning.unknown))
    return Draft(_text(draft, meaning), packets, separator, draft.assumed, draft.unknown)


def _missing(meaning: Meaning) -> list[str]:
    roles = {column.role for columns in meaning.columns for column in columns}
    out = []
    if not roles & {"pressure", "altitude_baro"}:
        out.append("no column is a pressure or a height: no apogee can be told")
    if not any(role.startswith("accel.") for role in roles):
        out.append("no column is a force along the nose: lift-off is told by height, burnout not at all")
    return out


def _has_commas(table: LogTable) -> bool:
    return any("," in word for row in table.rows[:200] for word in row)


def _packet_names(tables: Sequence[LogTable]) -> list[str]:
    if len(tables) == 1:
        return ["log"]
    names: list[str] = []
    for number, table in enumerate(tables, 1):
        base = re.sub(r"[^a-z0-9]+", "_", table.path.stem.lower()).strip("_")[:30]
        base = base if re.match(r"[a-z]", base) else f"log_{number}"
        names.append(base if base not in names else f"{base}_{number}")
    return names


def _packet(name: str, table: LogTable, number: int, meaning: Meaning) -> DraftPacket:
    taken: set[str] = set()
    fields = []
    for column in meaning.columns[number]:
        base = column.words[:36]
        base = base if re.match(r"[a-z]", base) else f"column_{column.place + 1}"
        base = base if base not in taken else f"{base[:33]}_{column.place + 1}"
        taken.add(base)
        fields.append(DraftField(base, _type_of(column, table), column))
    while sum(_size(one) for one in fields) > PAYLOAD_MAX:  # what says least goes first
        least = next((one for one in reversed(fields) if not one.column.role), fields[-1])
        fields.remove(least)
        meaning.unknown.append(f"{table.path.name}: {least.name} is left out, since a packet holds {PAYLOAD_MAX} bytes")
    time = next((one for one in fields if one.column.role == TIME_ROLE), None)
    return DraftPacket(name, table, time, tuple(fields), meaning.seconds(number))


def _size(one: DraftField) -> int:
    return SIZES.get(one.type) or int(one.type.removeprefix("text"))


def _type_of(column: Column, table: LogTable) -> str:
    """Return a type wide enough for the next flight too: whole numbers 32 bits, others as many digits as were written."""
    words = [row[column.place] for row in table.rows]
    filled = [word for word in words if word]
    if column.role == TIME_ROLE:
        return "f64"
    if column.values is None:
        return f"text{min(max((len(word.encode()) for word in filled), default=1), TEXT_MAX)}"
    is_whole = len(filled) == len(words) and all(re.fullmatch(r"[+-]?\d{1,10}", word) for word in filled)
    if column.scale != 1.0 or (is_whole and not column.role and not column.unit):
        low, high = float(np.nanmin(column.values)), float(np.nanmax(column.values))
        if is_whole and -(2**31) <= low and high < 2**32:
            return "u32" if high >= 2**31 else "i32"
    digits = max((len(re.sub(r"[eE].*|[^0-9]", "", word).lstrip("0")) for word in filled), default=1)
    return "f32" if digits <= 7 and not column.role.startswith(("gnss.l", "pressure")) else "f64"


# ---------------------------------------------------------------- the text


def _text(draft: Draft, meaning: Meaning) -> str:
    name = draft.packets[0].table.path.stem
    head = [
        "# A draft out of a flight's log. Correct it: units, roles, limits, what is missing (WIRE.md, sections 9 and 13).",
        *(f"# Taken for granted: {' '.join(one.split())}." for one in draft.assumed),
        *(f"# Not known: {' '.join(one.split())}." for one in draft.unknown),
        "",
        "[dictionary]",
        "format = 1",
        f"name = {json.dumps(re.sub(r'[^a-z0-9]+', '-', name.lower()).strip('-') or 'draft')}",
        'version = "draft"',
        f"vehicle = {json.dumps(name, ensure_ascii=False)}",
        "",
        "[framing]",
        'kind = "text"',
        f"separator = {json.dumps(draft.separator)}",
        'checksum = "none"',
    ]
    if meaning.nose != "z":
        head += ["", "[frames]", f'nose = "{meaning.nose}"']
    several = len(draft.packets) > 1
    for apid, packet in enumerate(draft.packets, 1):
        head += ["", f"[packet.{packet.name}]", f"apid = {apid}"]
        head += [f'tag = "{packet.name}"'] if several else []
        head += [f'time = "{packet.time.name}"'] if packet.time is not None else []
        head += [f"rate_hz = {_rate(packet):g}", 'description = "One line of the log"', "fields = ["]
        head += [_field_text(one) for one in packet.fields]
        head += ["]"]
    return "\n".join([*head, ""])


def _field_text(one: DraftField) -> str:
    column = one.column
    parts = [f'name = "{one.name}"', f'type = "{one.type}"']
    if column.scale != 1.0 and one.type in ("i32", "u32"):
        parts.append(f"scale = {column.scale:g}")
    if column.unit:
        parts.append(f'unit = "{column.unit}"')
    if column.role and column.role != TIME_ROLE:
        parts.append(f'role = "{column.role}"')
    parts.append(f"description = {json.dumps(' '.join(column.heading.split()), ensure_ascii=False)}")
    return f"  {{ {', '.join(parts)} }},"


def _rate(packet: DraftPacket) -> float:
    """Return packets per second by the median step of the time, 0 where it is not known."""
    if packet.seconds is None:
        return 0.0
    steps = np.diff(packet.seconds)
    steps = steps[steps > 0.0]
    return round(1.0 / float(np.median(steps)), 2) if len(steps) else 0.0


# ---------------------------------------------------------------- as sent


def lines_of(draft: Draft) -> list[tuple[float, bytes]]:
    """Return the logs as (seconds from the first line, line) the way a vehicle of the draft's dictionary sends them.

    Times count from the first line of all files, since a vehicle's clock begins at zero. Raises DraftProblem.
    """
    for packet in draft.packets:
        if packet.seconds is None or packet.time is None:
            raise DraftProblem(f"{packet.table.path.name}: no column could be told to be the time, so nothing can be sent.")
    zero = min(float(packet.seconds[0]) for packet in draft.packets if packet.seconds is not None)
    out = []
    for packet in draft.packets:
        assert packet.seconds is not None and packet.time is not None  # asked above
        at = (packet.seconds - zero).tolist()
        per = TIME_SECONDS[packet.time.column.unit]
        for t, row in zip(at, packet.table.rows, strict=True):
            words = [
                repr(round(t / per, 6)) if one is packet.time else _word(row[one.column.place], one, draft)
                for one in packet.fields
            ]
            tag = [packet.name] if len(draft.packets) > 1 else []
            out.append((t, (draft.separator.join([*tag, *words]) + "\n").encode()))
    out.sort(key=lambda one: one[0])
    return out


def _word(word: str, one: DraftField, draft: Draft) -> str:
    if one.type.startswith("text"):
        return word.replace(draft.separator, " ")[:TEXT_MAX]
    if one.column.values is not None and word and not NUMBER.fullmatch(word):
        return "nan"  # a time of day among the values
    return word or ("nan" if draft.separator == " " else "")
