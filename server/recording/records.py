"""What a session file says: the record inside each packet. The header of each part is in `session_header`.

A packet's data is one record, little-endian: kind u8, session salt u32, sequence u64, monotonic time u64 in ns, then
the payload. The packet's CRC-32 covers all of it, so neither time nor order can change unseen, and the salt keeps a
block of another session (left over on the disk, or recorded inside a payload) from being taken for one of this session.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping
from enum import IntEnum
from typing import NamedTuple

from server.recording.pcapng import MAX_DATA, Direction

RECORD_HEAD = struct.Struct("<BIQQ")
MAX_PAYLOAD = MAX_DATA - RECORD_HEAD.size

INTERFACE_BYTES = 0
INTERFACE_NOTES = 1


class Kind(IntEnum):
    """What a record is. Numbers are part of the format and never reused; a reader counts those it does not know."""

    RECEIVED = 1
    INTENT = 2
    SENT = 3
    OUTCOME = 4
    ACT = 5
    LINK = 6
    CLOCK = 7
    GAP = 8
    ALARM = 9
    MARK = 10
    HEADER = 11
    CLOSE = 12
    NOTE = 13


RAW_KINDS = frozenset({Kind.RECEIVED, Kind.SENT})
"""Kinds whose payload is bytes as they crossed the port; all others carry one JSON object."""

_KINDS: dict[int, Kind] = {int(kind): kind for kind in Kind}


class Record(NamedTuple):
    """One record: kind (a plain int if unknown), sequence number, monotonic time in ns, payload bytes."""

    kind: int
    sequence: int
    mono_ns: int
    payload: bytes

    def note(self) -> dict[str, object]:
        """Return the JSON object of a note. Raises ValueError for raw bytes and for anything that is not one."""
        return decode_note(self.payload)


def known_kind(kind: int) -> int:
    """Return the Kind of that number, or the number itself if this version does not know it."""
    return _KINDS.get(kind, kind)


def route(kind: int) -> tuple[int, Direction]:
    """Return the interface and direction under which records of `kind` are written."""
    if kind == Kind.RECEIVED:
        return INTERFACE_BYTES, Direction.INBOUND
    if kind == Kind.SENT:
        return INTERFACE_BYTES, Direction.OUTBOUND
    return INTERFACE_NOTES, Direction.UNKNOWN


def pack_record(kind: int, salt: int, sequence: int, mono_ns: int, payload: bytes) -> bytes:
    """Return a record as packet data. Raises ValueError if the payload is longer than MAX_PAYLOAD bytes."""
    if len(payload) > MAX_PAYLOAD:
        raise ValueError(f"a record's payload of {len(payload)} bytes is longer than {MAX_PAYLOAD}")
    return RECORD_HEAD.pack(kind, salt, sequence, mono_ns) + payload


def unpack_record(data: bytes) -> tuple[int, Record]:
    """Return (salt, record) of packet data. Raises ValueError if it is shorter than a record's fixed part."""
    if len(data) < RECORD_HEAD.size:
        raise ValueError(f"{len(data)} bytes are too few for a record, which needs at least {RECORD_HEAD.size}")
    kind, salt, sequence, mono_ns = RECORD_HEAD.unpack_from(data)
    return salt, Record(known_kind(kind), sequence, mono_ns, bytes(data[RECORD_HEAD.size :]))


def encode_payload(kind: int, payload: bytes | Mapping[str, object]) -> bytes:
    """Return the payload as bytes: raw kinds take bytes, all others a mapping.

    Raises TypeError if the two do not fit each other, or if the mapping holds something that JSON has no form for.
    """
    if kind in RAW_KINDS:
        if not isinstance(payload, bytes | bytearray | memoryview):
            raise TypeError(f"a {Kind(kind).name} record takes bytes, not {type(payload).__name__}")
        return bytes(payload)
    if not isinstance(payload, Mapping):
        raise TypeError(f"a record of kind {kind} takes a mapping, not {type(payload).__name__}")
    return encode_note(payload)


def encode_note(note: Mapping[str, object]) -> bytes:
    """Return a note as UTF-8 JSON; non-finite numbers become "nan", "inf", "-inf", as JSON has no form for them."""
    try:
        text = _to_json(dict(note))
    except ValueError:
        text = _to_json(_finite(note))
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError:
        # A lone surrogate (an undecodable file name, say) has no UTF-8 form; escaped it survives.
        return _to_json(_finite(note), ascii_only=True).encode("ascii")


def _to_json(value: object, ascii_only: bool = False) -> str:
    return json.dumps(value, ensure_ascii=ascii_only, allow_nan=False, separators=(",", ":"), default=_plain_number)


def _plain_number(value: object) -> object:
    """Turn a numpy scalar into a Python number, so that callers may record what they computed."""
    item = getattr(value, "item", None)
    if item is None:
        raise TypeError(f"a note cannot hold a {type(value).__name__}")
    return _finite(item())


def _finite(value: object) -> object:
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    return value


def decode_note(payload: bytes) -> dict[str, object]:
    """Return the JSON object in `payload`. Raises ValueError for anything else, however it was crafted."""
    try:
        note = json.loads(payload, parse_constant=_refuse_constant)
    except RecursionError as error:
        raise ValueError("a note is nested too deeply") from error
    if not isinstance(note, dict):
        raise ValueError("a note is not a JSON object")
    return note


def _refuse_constant(name: str) -> object:
    raise ValueError(f"{name} is not JSON")
