"""The bulk path says what the live path says, event for event and value for value, whatever the stream."""

from __future__ import annotations

import random
import struct

import numpy as np
import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740
from hypothesis import given, settings
from hypothesis import strategies as st

import protocol.bulk
from protocol.bulk import Decoded, crc16_rows, decode_stream
from protocol.checksum import append_crc
from protocol.dictionary import Dictionary
from protocol.events import PacketReceived
from protocol.framing import CONTENT_MAX, encode_frame
from protocol.link import NEED_DATA, Link
from protocol.vehicle import VehicleLink
from tests.protocol.helpers import (
    KEY,
    SANDPIPER,
    SMALL,
    SMALL_VALUES,
    beat,
    event_key,
    telemetry,
    value_key,
)
from tests.traffic import mixed_frames


def live(dictionary: Dictionary, data: bytes) -> tuple[list[tuple[object, ...]], Link]:
    """Return the live path's events as keys; the sequence count is left out, because columns do not carry it."""
    link = Link(dictionary)
    link.receive_data(data)
    keys = []
    while (event := link.next_event()) is not NEED_DATA:
        key = event_key(event)
        keys.append(key[:2] + key[3:] if isinstance(event, PacketReceived) else key)
    return keys, link


def flattened(decoded: Decoded) -> list[tuple[object, ...]]:
    """Turn columns and events back into one list in order of arrival: a frame's notes first, then its packet."""
    items = [(frame, 0, i, event_key(event)) for i, (frame, event) in enumerate(decoded.events)]
    for name, part in decoded.packets.items():
        assert list(part.columns) == [channel.name for channel in part.packet.channels]
        columns = [c if isinstance(c, list) else c.tolist() for c in part.columns.values()]
        assert all(len(column) == len(part) for column in columns)
        rows = zip(
            part.frame.tolist(), part.epoch.tolist(), part.time_ms.tolist(), part.late.tolist(), *columns, strict=True
        )
        for frame, epoch, time_ms, late, *values in rows:
            items.append((frame, 1, 0, ("packet", name, epoch, time_ms, late, tuple(value_key(v) for v in values))))
    return [item[3] for item in sorted(items, key=lambda item: item[:3])]


def check_equal(dictionary: Dictionary, data: bytes) -> Decoded:
    """Assert that both paths agree on `data` in everything; return the bulk result."""
    decoded = decode_stream(dictionary, data)
    keys, link = live(dictionary, data)
    assert flattened(decoded) == keys
    assert decoded.boot_id == link.boot_id
    runs = data.split(b"\0")
    assert decoded.pending == len(runs[-1])
    ends = decoded.frame_end.tolist()
    assert all(data[end] == 0 for end in ends)
    assert len(ends) == sum(1 for run in runs[:-1] if run)
    assert [name for name in SANDPIPER.packets if name in decoded.packets] == list(decoded.packets) or dictionary is SMALL
    return decoded


def traffic(seed: int, count: int = 1500) -> list[bytes]:
    return mixed_frames(SANDPIPER, count, seed, distinct=60)


# ---------------------------------------------------------------- streams of every kind


def test_clean_traffic() -> None:
    frames = traffic(1)
    decoded = check_equal(SANDPIPER, b"".join(frames))
    assert sum(len(part) for part in decoded.packets.values()) == len(frames)
    assert len(decoded.events) == 1 and decoded.boot_id == 5, "only the boot id was learned"


@pytest.mark.parametrize("seed", range(4))
def test_a_quarter_lost_in_bursts(seed: int) -> None:
    rng = random.Random(seed)
    kept, losing = [], False
    for frame in traffic(seed):
        losing = rng.random() < (0.8 if losing else 0.07)
        if not losing:
            kept.append(frame)
    decoded = check_equal(SANDPIPER, b"".join(kept))
    assert any(type(event).__name__ == "SequenceGap" for _, event in decoded.events)


@pytest.mark.parametrize("seed", range(4))
def test_duplicated_and_reordered_frames(seed: int) -> None:
    rng = random.Random(seed)
    frames = []
    for i, frame in enumerate(traffic(seed, 800)):
        frames += [(i + rng.choice([0, 0, 0, rng.uniform(0, 30)]), frame) for _ in range(rng.choice([1, 1, 1, 2]))]
    data = b"".join(frame for _, frame in sorted(frames, key=lambda item: item[0]))
    decoded = check_equal(SANDPIPER, data)
    assert any(part.late.any() for part in decoded.packets.values())
    assert any(type(event).__name__ == "PacketRepeated" for _, event in decoded.events)


def damage(frame: bytes, kind: str, rng: random.Random) -> bytes:
    """Return `frame` damaged in one named way."""
    at = rng.randrange(len(frame))
    if kind == "flip":
        return frame[:at] + bytes([frame[at] ^ 1 << rng.randrange(8)]) + frame[at + 1 :]
    if kind == "cut":
        return frame[:at]
    if kind == "zero":
        return frame[:at] + b"\0" + frame[at:]
    if kind == "junk":
        return rng.randbytes(rng.randrange(1, 40)) + frame
    if kind == "oversized":
        return bytes(rng.randrange(1, 256) for _ in range(rng.randrange(256, 900))) + frame
    if kind == "zeros":
        return bytes(rng.randrange(1, 50)) + frame
    try:
        content = bytearray(cobs.decode(frame.strip(b"\0"))[:-2])
    except cobs.DecodeError:  # damaged before: leave it
        return frame
    if not 6 <= len(content) <= CONTENT_MAX - 3:  # too short for a header, or grown by junk: leave it as well
        return frame
    if kind == "unknown apid":
        content[0:2] = struct.pack(">H", 0x0800 | rng.randrange(100, 2048))
    elif kind == "header":
        content[rng.choice([0, 2, 4, 5])] ^= 1 << rng.randrange(8)
    elif kind == "longer":
        content += b"\x01"
        content[4:6] = struct.pack(">H", len(content) - 7)
    elif kind == "other packet's apid":
        content[0:2] = struct.pack(">H", 0x0800 | rng.choice([p.apid for p in SANDPIPER.packets.values()]))
    elif kind == "no data":
        content = content[:6]
    return encode_frame(append_crc(bytes(content)))


KINDS = ["flip", "cut", "zero", "junk", "oversized", "zeros"]
KINDS += ["unknown apid", "header", "longer", "other packet's apid", "no data"]


@pytest.mark.parametrize("kind", KINDS)
def test_damage_of_every_kind(kind: str) -> None:
    rng = random.Random(kind)
    data = b"".join(damage(frame, kind, rng) if rng.random() < 0.3 else frame for frame in traffic(7, 700))
    decoded = check_equal(SANDPIPER, data)
    assert kind == "zeros" or len(decoded.events) > 20


def flight(boot_id: int, start_ms: int, count: int, rng: random.Random) -> bytes:
    """Return one start of the Sandpiper: the boot id told in some packets, a few losses."""
    link = VehicleLink(SANDPIPER, KEY, boot_id)
    out = []
    for i in range(count):
        name = rng.choice(["barometer", "navigation", "event", "identity", "control"])
        packet = SANDPIPER.packets[name]
        if name == "identity":
            frame = link.identity_frame(start_ms + i * 25)
        else:
            frame = link.frame_of_fields(packet, start_ms + i * 25, rng.randbytes(packet.layout.size))
        if rng.random() < 0.9:
            out.append(frame)
    return b"".join(out)


@pytest.mark.parametrize("seed", range(3))
def test_restarts(seed: int) -> None:
    rng = random.Random(seed)
    data = b"".join(flight(boot_id, 0, 200, rng) for boot_id in (4, 5, 5, 6))
    decoded = check_equal(SANDPIPER, data)
    assert decoded.packets["barometer"].epoch.max() == 3 and decoded.boot_id == 6


@pytest.mark.parametrize("start_ms", [2**31 - 3000, 2**31, 2**32 - 3000])
def test_the_clock_at_half_and_at_its_wrap(start_ms: int) -> None:
    decoded = check_equal(SANDPIPER, flight(5, start_ms, 300, random.Random(1)))
    times = decoded.packets["barometer"].time_ms
    assert (np.diff(times) > 0).all() and times[-1] > start_ms + 5000


@pytest.mark.parametrize("fall_ms", [1999, 2000, 2001])
def test_the_clock_falling(fall_ms: int) -> None:
    data = beat(0, 60_000) + beat(1, 60_500) + beat(2, 60_500 - fall_ms) + beat(3, 61_000)
    check_equal(SMALL, data)


@pytest.mark.parametrize("pause_ms", [16384 * 500, 16384 * 500 + 1])
def test_a_silence_of_a_wrap(pause_ms: int) -> None:
    decoded = check_equal(SMALL, beat(7, 0) + beat(8, pause_ms) + beat(9, pause_ms + 500) + beat(8, pause_ms + 600))
    unknown = any(getattr(event, "missing", 0) is None for _, event in decoded.events)
    assert unknown == (pause_ms > 16384 * 500)


def test_counts_wrapping() -> None:
    data = b"".join(beat(n, n * 500) for n in range(16300, 16500) if n % 50)
    decoded = check_equal(SMALL, data)
    assert sum(type(event).__name__ == "CounterWrapped" for _, event in decoded.events) == 1
    data = b"".join(beat(n, n * 500) for n in range(16300, 16500))
    assert sum(type(event).__name__ == "CounterWrapped" for _, event in check_equal(SMALL, data).events) == 1


@pytest.mark.parametrize(
    "data", [b"", b"\0", bytes(1000), b"abc", b"abc\0", b"\x01\0", b"x" * 256, b"x" * 255 + b"\0", b"x" * 256 + b"\0"]
)
def test_empty_and_tiny_streams(data: bytes) -> None:
    check_equal(SANDPIPER, data)


def test_every_trailing_part_of_a_frame() -> None:
    first, second = traffic(3, 2)
    for cut in range(len(second) + 1):
        check_equal(SANDPIPER, first + second[:cut])


def test_every_float_pattern_that_matters() -> None:
    """NaN quiet and signaling, infinities, both zeros, denormals: as they are, and without a warning."""
    patterns = [
        "7fc00000",
        "7f800001",
        "ffbfffff",
        "7f800000",
        "ff800000",
        "00000000",
        "80000000",
        "00000001",
        "807fffff",
    ]
    fields = bytearray(SMALL.packets["all"].pack(SMALL_VALUES))
    frames = []
    for i, pattern in enumerate(patterns):
        fields[14:18] = bytes.fromhex(pattern)
        fields[18:26] = struct.pack(">d", 0.0)[:4] + bytes.fromhex(pattern) if i % 2 else bytes.fromhex(pattern) + bytes(4)
        frames.append(telemetry(1, i, i * 100, bytes(fields)))
    decoded = check_equal(SMALL, b"".join(frames))
    column = decoded.packets["all"].columns["a_f32"]
    assert np.isnan(column[:3]).all() and np.signbit(column[6]) and column[7] == 2.0**-149


@given(st.lists(st.binary(min_size=39, max_size=39), min_size=1, max_size=8))
def test_any_field_bytes(rows: list[bytes]) -> None:
    assert SMALL.packets["all"].layout.size == 39
    check_equal(SMALL, b"".join(telemetry(1, i, i * 100, row) for i, row in enumerate(rows)))


# ---------------------------------------------------------------- streams hypothesis makes

BASE = traffic(11, 120) + [telemetry(26, n, n, struct.pack(">H", 5) + bytes(16)) for n in (3, 2)]
change = st.one_of(
    st.tuples(st.just("drop"), st.integers(0, 119), st.integers(1, 30)),
    st.tuples(st.just("repeat"), st.integers(0, 119), st.integers(1, 4)),
    st.tuples(st.just("move"), st.integers(0, 119), st.integers(0, 119)),
    st.tuples(st.sampled_from(KINDS), st.integers(0, 119), st.integers(0, 999)),
    st.tuples(st.just("clock"), st.integers(0, 119), st.sampled_from([0, 1500, 2**31 - 1, 2**31, 2**32 - 1000])),
    st.tuples(st.just("boot"), st.integers(0, 119), st.integers(4, 7)),
)


def mutated(changes: list[tuple[str, int, int]]) -> bytes:
    """Apply changes to the base traffic one after the other."""
    frames = list(BASE)
    for kind, at, amount in changes:
        at %= len(frames)
        if kind == "drop":
            del frames[at : at + amount]
            frames = frames or list(BASE)
        elif kind == "repeat":
            frames[at:at] = [frames[at]] * amount
        elif kind == "move":
            frames.insert(amount % len(frames), frames.pop(at))
        elif kind == "clock":
            frames[at:at] = [telemetry(19, amount % 16384, amount, bytes(10))]
        elif kind == "boot":
            frames[at:at] = [telemetry(29, amount, at * 20, struct.pack(">H", amount) + bytes(20))]
        elif frames[at]:
            frames[at] = damage(frames[at], kind, random.Random(amount))
    return b"".join(frames)


@settings(max_examples=400)
@given(st.lists(change, max_size=12), st.integers(0, 60))
def test_mutated_streams(changes: list[tuple[str, int, int]], cut: int) -> None:
    data = mutated(changes)
    check_equal(SANDPIPER, data[: len(data) - cut])


@settings(max_examples=300)
@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 4000), st.integers(5, 6)), max_size=25), st.integers(0, 16383))
def test_small_streams_of_counts_times_and_boots(rows: list[tuple[int, int, int]], base: int) -> None:
    check_equal(SMALL, b"".join(beat(base + count, time_ms, boot_id) for count, time_ms, boot_id in rows))


@settings(max_examples=300)
@given(st.binary(max_size=600))
def test_any_bytes(data: bytes) -> None:
    check_equal(SMALL, data)


# ---------------------------------------------------------------- the shortcuts are taken


def test_plain_loss_and_damage_do_not_need_the_slow_path(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*args: object) -> Decoded:
        raise AssertionError("the slow path was taken")

    monkeypatch.setattr(protocol.bulk, "_decode_by_link", refuse)
    rng = random.Random(5)
    data = b"".join(damage(f, "flip", rng) if rng.random() < 0.05 else f for f in traffic(5, 400) if rng.random() < 0.8)
    decode_stream(SANDPIPER, data)
    with pytest.raises(AssertionError, match="the slow path was taken"):
        decode_stream(SANDPIPER, data + flight(9, 0, 50, rng))


@given(st.integers(1, 40), st.integers(0, 60), st.randoms(use_true_random=False))
def test_crc_of_rows_agrees_with_an_independent_library(count: int, width: int, rng: random.Random) -> None:
    data = rng.randbytes(count * width)
    rows = np.frombuffer(data, dtype=np.uint8).reshape(count, width)
    expected = [Crc16Ibm3740.calc(data[i * width : (i + 1) * width]) for i in range(count)]
    assert crc16_rows(rows).tolist() == expected
