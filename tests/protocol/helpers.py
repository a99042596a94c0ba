"""What the tests of the wire share: small dictionaries, ways to cut a stream, events made comparable."""

from __future__ import annotations

import random
import struct
from collections.abc import Iterable

from protocol.checksum import append_crc
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.events import Event, PacketReceived
from protocol.framing import encode_frame
from protocol.link import NEED_DATA, Link
from protocol.packets import COUNT_MASK

KEY = bytes(range(32))
SANDPIPER = load_dictionary()

HEAD = '[dictionary]\nformat = 1\nname = "small"\nversion = "1"\nvehicle = "Test stand"\n'

# Every field type, every kind of channel, one command: small enough to write bytes by hand.
SMALL_TEXT = (
    HEAD
    + """
[packet.all]
apid = 1
rate_hz = 10
fields = [
  { name = "a_u8", type = "u8" },
  { name = "a_i8", type = "i8", scale = -0.5 },
  { name = "a_u16", type = "u16", scale = 0.1, offset = -40 },
  { name = "a_i16", type = "i16", scale = 0.01, offset = 273.15 },
  { name = "a_u32", type = "u32" },
  { name = "a_i32", type = "i32", offset = 1 },
  { name = "a_f32", type = "f32" },
  { name = "a_f64", type = "f64" },
  { name = "mode", type = "u8", values = ["off", "on", "bench"] },
  { name = "few", type = "bits8", bits = [
    { name = "low", bit = 0 },
    { name = "pair", bit = 1, width = 2, values = ["zero", "one", "two", "three"] },
    { name = "high", bit = 7 } ] },
  { name = "more", type = "bits16", bits = [ { name = "wide", bit = 4, width = 12 } ] },
  { name = "most", type = "bits32", bits = [ { name = "whole", bit = 0, width = 32 } ] },
  { name = "note", type = "text5" },
]
[packet.hello]
apid = 2
fields = [ { name = "boot_id", type = "u16", role = "startup.boot_id" } ]
[packet.beat]
apid = 3
rate_hz = 2
fields = [ { name = "boot", type = "u16", role = "boot_id" }, { name = "n", type = "u8" } ]
[packet.answer]
apid = 4
fields = [
  { name = "boot_id", type = "u16" }, { name = "counter", type = "u32" }, { name = "code", type = "u8" },
  { name = "stage", type = "u8", values = ["accepted", "refused", "completed", "failed"] },
  { name = "reason", type = "u8", values = ["none", "out of range", "old counter", "other boot", "unknown command"] },
]
[uplink]
apid = 9
[command.turn]
code = 0x10
hazard = "routine"
title = "Turn"
does = "Turns a thing."
args = [
  { name = "thing", type = "u8", min = 1, max = 4 },
  { name = "angle", type = "i16", scale = 0.0001, min = -0.2618, max = 0.2618 },
  { name = "force", type = "f32", min = 0.1, max = 0.7 },
]
"""
)
SMALL = parse_dictionary(SMALL_TEXT, "small.toml")

SMALL_VALUES: dict[str, object] = {
    "a_u8": 7,
    "a_i8": 3.5,
    "a_u16": 12.3,
    "a_i16": 300.0,
    "a_u32": 4_000_000_000,
    "a_i32": -5,
    "a_f32": 1.5,
    "a_f64": 0.1,
    "mode": "bench",
    "low": 1,
    "pair": "two",
    "high": 1,
    "wide": 0xABC,
    "whole": 0xDEADBEEF,
    "note": "fin 3",
}


def telemetry(apid: int, count: int, time_ms: int, fields: bytes) -> bytes:
    """Return one telemetry frame built from WIRE.md's words, independent of the code under test but for the CRC."""
    data = struct.pack(">I", time_ms & 0xFFFFFFFF) + fields
    header = struct.pack(">HHH", 0x0800 | apid, 0xC000 | count & COUNT_MASK, len(data) - 1)
    return encode_frame(append_crc(header + data))


def beat(count: int, time_ms: int, boot_id: int = 5, n: int = 0) -> bytes:
    """Return a `beat` frame of the small dictionary, which tells the boot id."""
    return telemetry(3, count, time_ms, struct.pack(">HB", boot_id, n))


def events_of(link: Link, chunks: Iterable[bytes]) -> list[Event]:
    """Feed every chunk and return all events."""
    out: list[Event] = []
    for chunk in chunks:
        link.receive_data(chunk)
        while (event := link.next_event()) is not NEED_DATA:
            out.append(event)
    return out


def heard(dictionary: Dictionary, *chunks: bytes) -> list[Event]:
    """Return all events of a fresh link that hears `chunks`."""
    return events_of(Link(dictionary), chunks)


def value_key(value: object) -> object:
    """Make a value comparable: NaN equals NaN, -0.0 differs from 0.0."""
    if isinstance(value, str):
        return value
    number = float(value)
    return "nan" if number != number else (number, struct.pack(">d", number)[0] >> 7)


def event_key(event: Event) -> tuple[object, ...]:
    """Make an event comparable with others of its kind, value by value."""
    if isinstance(event, PacketReceived):
        values = tuple(value_key(v) for v in event.values)
        return ("packet", event.packet.name, event.count, event.epoch, event.time_ms, event.late, values)
    parts = {name: getattr(event, name) for name in event.__slots__}
    if "packet" in parts:
        parts["packet"] = parts["packet"].name
    return (type(event).__name__, *parts.items())


def keys_of(events: Iterable[Event]) -> list[tuple[object, ...]]:
    """Make a list of events comparable."""
    return [event_key(event) for event in events]


def random_chunks(data: bytes, rng: random.Random, longest: int = 80) -> list[bytes]:
    """Cut `data` at random places, empty chunks included."""
    out, at = [], 0
    while at < len(data):
        size = rng.randint(0, longest)
        out.append(data[at : at + size])
        at += size
    return out
