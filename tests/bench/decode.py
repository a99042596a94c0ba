"""How fast a recording is decoded, against a plain decoder and against the least any decoder must do.

Run as `python -m tests.bench.decode`. One run measures three things on the same 200 000 mixed frames and prints them:

- bulk: `protocol.bulk.decode_stream`, received bytes to columns in engineering units;
- plain: what one writes first, frame by frame, with construct (layout), cobs (stuffing) and crccheck (checksum), to the
  same columns; all frames, once, since it is far too slow to profit from a lucky run;
- bare: `cobs.decode` and `binascii.crc_hqx` in a loop, which yields no values at all.

The columns of bulk and plain are compared value for value. Ends with status 1 when a target is missed, so that it can
serve as a check.
"""

from __future__ import annotations

import sys
import time
from binascii import crc_hqx
from collections.abc import Callable

import construct as c
import numpy as np
from cobs import cobs
from crccheck.crc import Crc16Ibm3740

from protocol.bulk import Decoded, decode_stream
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from protocol.fields import Channel, Packet
from tests.traffic import mixed_frames

FRAMES = 200_000
REPEATS = 5
TARGET_PLAIN = 60.0
TARGET_BARE = 0.6

Columns = dict[str, dict[str, list[object]]]
CONSTRUCTS = {
    "u8": c.Int8ub,
    "i8": c.Int8sb,
    "u16": c.Int16ub,
    "i16": c.Int16sb,
    "u32": c.Int32ub,
    "i32": c.Int32sb,
    "f32": c.Float32b,
    "f64": c.Float64b,
    "bits8": c.Int8ub,
    "bits16": c.Int16ub,
    "bits32": c.Int32ub,
}
HEADER = c.Struct("first" / c.Int16ub, "sequence" / c.Int16ub, "length" / c.Int16ub, "time_ms" / c.Int32ub)


def plain_layout(packet: Packet) -> c.Struct:
    """Return a packet's fields as construct declares them."""
    parts = []
    for field in packet.fields:
        type_ = c.Bytes(int(field.type[4:])) if field.type.startswith("text") else CONSTRUCTS[field.type]
        parts.append(field.name / type_)
    return c.Struct(*parts)


def plain_value(channel: Channel, raw: object) -> object:
    """Turn a field's raw value into a channel's engineering value."""
    if channel.kind == "text":
        return raw.split(b"\0")[0].decode("utf-8", "replace")
    if channel.mask:
        return raw >> channel.shift & channel.mask
    return raw * channel.scale + channel.offset if channel.linear else raw


def plain_decode(dictionary: Dictionary, data: bytes) -> Columns:
    """Decode frame by frame with construct, cobs and crccheck."""
    layouts = {packet.apid: (packet, plain_layout(packet)) for packet in dictionary.packets.values()}
    columns: Columns = {p.name: {ch.name: [] for ch in p.channels} for p in dictionary.packets.values()}
    for encoded in data.split(b"\0"):
        if not encoded:
            continue
        try:
            content = cobs.decode(encoded)
        except cobs.DecodeError:
            continue
        if Crc16Ibm3740.calc(content) != 0:
            continue
        header = HEADER.parse(content)
        packet, layout = layouts[header.first & 0x7FF]
        fields = layout.parse(content[10:-2])
        into = columns[packet.name]
        for channel in packet.channels:
            into[channel.name].append(plain_value(channel, fields[packet.fields[channel.field_index].name]))
    return columns


def bare_loop(data: bytes) -> int:
    """Unstuff and check every frame, and do nothing with it."""
    good = 0
    for encoded in data.split(b"\0"):
        if encoded and crc_hqx(cobs.decode(encoded), 0xFFFF) == 0:
            good += 1
    return good


def check_same(bulk: Decoded, plain: Columns) -> int:
    """Assert that both decoders gave the same columns; return the number of values compared."""
    compared = 0
    for name, part in bulk.packets.items():
        for channel, column in part.columns.items():
            expected = plain[name][channel]
            if isinstance(column, list):
                assert column == expected, f"{name}.{channel}"
            else:
                # Bytes, not values: -0.0 and NaN must agree too.
                assert column.tobytes() == np.array(expected, dtype=np.float64).tobytes(), f"{name}.{channel}"
            compared += len(expected)
    return compared


def seconds(work: Callable[[], object]) -> float:
    """Return how long one call takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> int:
    """Measure, print, and return 1 when a target is missed."""
    dictionary = load_dictionary()
    data = b"".join(mixed_frames(dictionary, FRAMES))
    start = time.perf_counter()
    columns = plain_decode(dictionary, data)
    plain_s = time.perf_counter() - start
    decoded = decode_stream(dictionary, data)
    compared = check_same(decoded, columns)
    assert bare_loop(data) == sum(len(part) for part in decoded.packets.values()) == FRAMES
    del columns, decoded
    bulk_s, bare_s = [], []
    for _ in range(REPEATS):  # interleaved, so that a busy moment of the machine meets both
        bulk_s.append(seconds(lambda: decode_stream(dictionary, data)))
        bare_s.append(seconds(lambda: bare_loop(data)))
    bulk, bare = min(bulk_s), min(bare_s)
    print(f"{FRAMES} mixed frames, {len(data) / 1e6:.1f} MB; best of {REPEATS} interleaved runs for bulk and bare")
    print(f"bulk   {bulk:9.3f} s  {FRAMES / bulk / 1e6:7.3f} M frames/s  bytes to engineering-unit columns")
    print(
        f"plain  {plain_s:9.3f} s  {FRAMES / plain_s / 1e6:7.3f} M frames/s  construct + cobs + crccheck to the same "
        "columns, one run of all frames"
    )
    print(f"bare   {bare:9.3f} s  {FRAMES / bare / 1e6:7.3f} M frames/s  cobs.decode + crc_hqx only, no values")
    print(f"bulk and plain gave equal columns: all {compared} values compared")
    reached = [
        report("against the plain decoder", plain_s / bulk, TARGET_PLAIN),
        report("against the bare loop", bare / bulk, TARGET_BARE),
    ]
    return 0 if all(reached) else 1


def report(name: str, ratio: float, target: float) -> bool:
    """Print one ratio beside its target; tell whether it is reached."""
    reached = ratio >= target
    print(f"{name:26} {ratio:7.2f} times as fast, target at least {target:g}: {'reached' if reached else 'MISSED'}")
    return reached


if __name__ == "__main__":
    sys.exit(main())
