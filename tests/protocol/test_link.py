"""The ground's end: any chunking, every flipped bit, garbage, gaps, restarts, the clock's wrap, sending."""

from __future__ import annotations

import math
import random
import struct

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from protocol.checksum import append_crc
from protocol.errors import OurMistake, ValueRefused
from protocol.events import (
    BootIdLearned,
    BytesSkipped,
    CounterWrapped,
    Event,
    FrameDamaged,
    PacketReceived,
    PacketRepeated,
    PacketUnknown,
    SequenceGap,
    VehicleRestarted,
)
from protocol.framing import ENCODED_MAX, encode_frame
from protocol.link import CLOCK_FALL_MS, NEED_DATA, Link
from protocol.packets import TIME_MODULUS_MS
from tests.protocol.helpers import (
    KEY,
    SANDPIPER,
    SMALL,
    SMALL_VALUES,
    beat,
    events_of,
    heard,
    keys_of,
    random_chunks,
    telemetry,
)
from tests.traffic import mixed_frames

BEAT = SMALL.packets["beat"]
ALL = SMALL.packets["all"]
HELLO = SMALL.packets["hello"]


def packets(events: list[Event]) -> list[PacketReceived]:
    return [event for event in events if isinstance(event, PacketReceived)]


def others(events: list[Event]) -> list[Event]:
    return [event for event in events if not isinstance(event, PacketReceived)]


def received(count: int, time_ms: int, boot_id: int = 5, n: int = 0, epoch: int = 0, late: bool = False) -> PacketReceived:
    return PacketReceived(BEAT, count, epoch, time_ms, (float(boot_id), float(n)), late)


def hello(count: int, time_ms: int, boot_id: int) -> bytes:
    return telemetry(2, count, time_ms, struct.pack(">H", boot_id))


# ---------------------------------------------------------------- good packets


def test_a_packet_from_bytes_to_values() -> None:
    (event,) = heard(SMALL, telemetry(1, 77, 123_456, ALL.pack(SMALL_VALUES)))
    assert (event.packet, event.count, event.epoch, event.time_ms, event.late) == (ALL, 77, 0, 123_456, False)
    assert event.values == ALL.unpack(ALL.pack(SMALL_VALUES))


def test_nothing_heard_needs_data() -> None:
    link = Link(SMALL)
    assert link.next_event() is NEED_DATA
    link.receive_data(b"")
    link.receive_data(beat(0, 0)[:-1])
    assert link.next_event() is NEED_DATA
    link.receive_data(b"\0")
    assert link.next_event() == BootIdLearned(5)
    assert link.next_event() == received(0, 0)
    assert link.next_event() is NEED_DATA


def test_numbers_that_are_not_numbers_pass_through() -> None:
    values = {**SMALL_VALUES, "a_f32": math.nan, "a_f64": -math.inf}
    (event,) = heard(SMALL, telemetry(1, 0, 0, ALL.pack(values)))
    assert math.isnan(event.values[6]) and event.values[7] == -math.inf


# ---------------------------------------------------------------- chunks

pieces = st.one_of(
    st.binary(max_size=40),
    st.integers(0, 60).map(lambda n: beat(n, n * 500)),
    st.integers(0, 60).map(lambda n: telemetry(1, n, n * 100, ALL.pack(SMALL_VALUES))),
    st.integers(1, 9).map(lambda boot_id: hello(0, 0, boot_id)),
    st.just(b"z" * 600),
    st.integers(1, 3).map(bytes),
)


@given(st.lists(pieces, max_size=25).map(b"".join), st.randoms(use_true_random=False), st.sampled_from([1, 5, 90]))
def test_every_chunking_gives_the_same_events(data: bytes, rng: random.Random, longest: int) -> None:
    whole = keys_of(heard(SMALL, data))
    assert keys_of(heard(SMALL, *[data[i : i + 1] for i in range(len(data))])) == whole
    assert keys_of(heard(SMALL, *random_chunks(data, rng, longest))) == whole


def test_every_cut_of_real_traffic_gives_the_same_events() -> None:
    data = b"".join(mixed_frames(SANDPIPER, 12, seed=3))
    whole = keys_of(heard(SANDPIPER, data))
    assert len(whole) >= 12
    for cut in range(len(data) + 1):
        assert keys_of(heard(SANDPIPER, data[:cut], data[cut:])) == whole


# ---------------------------------------------------------------- damage


@pytest.mark.parametrize("seed", range(8))
def test_every_bit_flipped_before_stuffing_is_damage(seed: int) -> None:
    """One frame of every Sandpiper packet: a flip anywhere in packet or CRC gives exactly one damaged frame."""
    for frame in one_of_each(seed):
        content = bytearray(cobs.decode(frame[:-1]))
        for bit in range(8 * len(content)):
            content[bit // 8] ^= 1 << bit % 8
            assert heard(SANDPIPER, encode_frame(bytes(content))) == [FrameDamaged("bad checksum", len(frame) - 1)]
            content[bit // 8] ^= 1 << bit % 8


@pytest.mark.parametrize("seed", range(8))
def test_every_bit_flipped_as_sent_loses_frames_and_alters_none(seed: int) -> None:
    """A flip may split a frame or glue it to the next; the one after that is always taken, unchanged."""
    after = [telemetry(21, n, n, bytes(SANDPIPER.packets["control"].layout.size)) for n in (7, 8)]
    good = [event.values for event in packets(heard(SANDPIPER, *after))]
    for frame in one_of_each(seed):
        for bit in range(8 * len(frame)):
            damaged = bytearray(frame)
            damaged[bit // 8] ^= 1 << bit % 8
            events = heard(SANDPIPER, bytes(damaged), *after)
            assert any(isinstance(event, FrameDamaged | BytesSkipped) for event in events)
            last_bit = bit >= 8 * (len(frame) - 1)  # the delimiter itself: glued to the next frame
            assert [event.values for event in packets(events)] == (good[1:] if last_bit else good)


def one_of_each(seed: int) -> list[bytes]:
    rng = random.Random(seed)
    return [
        telemetry(packet.apid, rng.randrange(16384), rng.randrange(2**31), rng.randbytes(packet.layout.size))
        for packet in SANDPIPER.packets.values()
    ]


def test_one_megabyte_of_noise_is_never_a_packet_and_holds_no_memory() -> None:
    rng = random.Random(20)
    link = Link(SANDPIPER)
    kinds = set()
    for _ in range(1024):
        for event in events_of(link, [rng.randbytes(1024)]):
            kinds.add(type(event))
        assert link._splitter.pending_bytes <= ENCODED_MAX
    assert kinds == {FrameDamaged, BytesSkipped}
    good = mixed_frames(SANDPIPER, 1, seed=4)[0]
    events = events_of(link, [b"\0" + good])
    assert len(packets(events)) == 1, "the first good frame after a delimiter"


@pytest.mark.parametrize("length", [ENCODED_MAX + 1, 300, 5000, 100_000])
def test_an_oversized_run_is_skipped_once(length: int) -> None:
    assert heard(SMALL, b"x" * length + b"\0" + beat(0, 0)) == [BytesSkipped(length), BootIdLearned(5), received(0, 0)]


def test_zeros_say_nothing() -> None:
    assert heard(SMALL, bytes(5000) + beat(0, 0) + bytes(5000)) == [BootIdLearned(5), received(0, 0)]


def framed(content: str) -> bytes:
    return encode_frame(append_crc(bytes.fromhex(content)))


BEAT_BODY = "00000064 0005 07"


@pytest.mark.parametrize(
    ("frame", "event"),
    [
        (b"\x09abc\0", FrameDamaged("bad stuffing", 4)),
        (b"\x04abc\0", FrameDamaged("bad checksum", 4)),
        (b"\x01\0", FrameDamaged("bad checksum", 1)),
        (framed("0803 C000 0000 00"), FrameDamaged("too short", 10)),
        (framed("0803 C000 0002 000000"), FrameDamaged("too short", 12)),
        (framed("0803 C000 0005 " + BEAT_BODY), FrameDamaged("wrong length", 16)),
        (framed("0803 C000 0007 " + BEAT_BODY), FrameDamaged("wrong length", 16)),
        (framed("0803 C000 FFFF " + BEAT_BODY), FrameDamaged("wrong length", 16)),
        (framed("1803 C000 0006 " + BEAT_BODY), FrameDamaged("not a telemetry packet", 16)),  # telecommand
        (framed("0003 C000 0006 " + BEAT_BODY), FrameDamaged("not a telemetry packet", 16)),  # without time
        (framed("2803 C000 0006 " + BEAT_BODY), FrameDamaged("not a telemetry packet", 16)),  # version 1
        (framed("0803 0000 0006 " + BEAT_BODY), FrameDamaged("not a telemetry packet", 16)),  # continuation
        (framed("0803 4000 0006 " + BEAT_BODY), FrameDamaged("not a telemetry packet", 16)),  # first segment
        (framed("0803 8000 0006 " + BEAT_BODY), FrameDamaged("not a telemetry packet", 16)),  # last segment
        (framed("0877 C000 0006 " + BEAT_BODY), PacketUnknown(0x77, 16)),
        (framed("0FFF C000 0006 " + BEAT_BODY), PacketUnknown(0x7FF, 16)),  # idle
        (framed("0803 C000 0007 " + BEAT_BODY + "00"), FrameDamaged("beat of another length", 17)),
        (framed("0803 C000 0005 00000064 0005"), FrameDamaged("beat of another length", 15)),
        (framed("0803 C000 0003 00000064"), FrameDamaged("beat of another length", 13)),
    ],
)
def test_what_is_wrong_with_a_frame_is_said(frame: bytes, event: Event) -> None:
    assert heard(SMALL, frame) == [event]
    assert heard(SMALL, frame + beat(0, 0))[1:] == [BootIdLearned(5), received(0, 0)], "and the next one is taken"


@given(st.binary(max_size=400))
def test_no_bytes_raise(data: bytes) -> None:
    heard(SMALL, data + b"\0")
    heard(SMALL, encode_frame(append_crc(data[:252])))


# ---------------------------------------------------------------- counts


def beats(*pairs: tuple[int, int]) -> list[Event]:
    return heard(SMALL, *[beat(count, time_ms) for count, time_ms in pairs])[1:]  # without BootIdLearned


def test_lost_repeated_late_and_wrapped() -> None:
    assert beats((5, 0), (8, 1500)) == [received(5, 0), SequenceGap(BEAT, 2), received(8, 1500)]
    assert beats((5, 0), (5, 0)) == [received(5, 0), PacketRepeated(BEAT, 5)]
    assert beats((5, 0), (7, 1000), (6, 500)) == [
        received(5, 0),
        SequenceGap(BEAT, 1),
        received(7, 1000),
        received(6, 500, late=True),
    ]
    assert beats((16383, 0), (0, 500)) == [received(16383, 0), CounterWrapped(BEAT), received(0, 500)]
    assert beats((16382, 0), (1, 500)) == [
        received(16382, 0),
        CounterWrapped(BEAT),
        SequenceGap(BEAT, 2),
        received(1, 500),
    ]
    assert beats((9000, 0), (2000, 500)) == [received(9000, 0), SequenceGap(BEAT, None), received(2000, 500)]


def test_after_a_silence_of_a_whole_wrap_the_number_is_unknown() -> None:
    wrap_ms = 16384 * 500  # two a second
    assert beats((5, 0), (6, wrap_ms + 1)) == [received(5, 0), SequenceGap(BEAT, None), received(6, wrap_ms + 1)]
    assert beats((5, 0), (6, wrap_ms)) == [received(5, 0), received(6, wrap_ms)]


def test_each_packet_type_is_counted_by_itself() -> None:
    fields = ALL.pack(SMALL_VALUES)
    assert others(heard(SMALL, beat(1, 0), telemetry(1, 900, 10, fields), beat(2, 500), telemetry(1, 901, 110, fields))) == [
        BootIdLearned(5)
    ]


# ---------------------------------------------------------------- restarts


def restarts(*chunks: bytes) -> list[Event]:
    return [e for e in others(heard(SMALL, *chunks)) if isinstance(e, VehicleRestarted | BootIdLearned)]


def test_another_boot_id_is_a_restart() -> None:
    events = heard(SMALL, beat(900, 60_000), hello(0, 10, 6), beat(0, 20, 6), beat(1, 520, 6))
    assert events == [
        BootIdLearned(5),
        received(900, 60_000),
        VehicleRestarted(6, 1),
        PacketReceived(HELLO, 0, 1, 10, (6.0,)),
        received(0, 20, 6, epoch=1),
        received(1, 520, 6, epoch=1),
    ]


def test_another_boot_id_is_a_restart_even_if_the_clock_goes_on() -> None:
    assert restarts(beat(0, 1000), beat(1, 1500, 6)) == [BootIdLearned(5), VehicleRestarted(6, 1)]


def test_a_clock_that_falls_is_a_restart_named_later() -> None:
    fields = ALL.pack(SMALL_VALUES)
    events = heard(SMALL, beat(900, 60_000), telemetry(1, 0, 100, fields), hello(0, 200, 6), beat(0, 300, 6))
    assert others(events) == [BootIdLearned(5), VehicleRestarted(None, 1), BootIdLearned(6)]
    assert [e.epoch for e in packets(events)] == [0, 1, 1, 1]


def test_a_clock_that_falls_under_the_same_boot_id_is_a_restart_without_a_name() -> None:
    assert restarts(beat(900, 60_000), beat(0, 100), beat(1, 600)) == [BootIdLearned(5), VehicleRestarted(None, 1)]


def test_two_restarts_before_the_name_is_told() -> None:
    fields = ALL.pack(SMALL_VALUES)
    chunks = [
        beat(0, 60_000),
        telemetry(1, 0, 100, fields),
        telemetry(1, 99, 9000, fields),
        telemetry(1, 0, 50, fields),
    ]
    assert restarts(*chunks, beat(0, 600, 7)) == [
        BootIdLearned(5),
        VehicleRestarted(None, 1),
        VehicleRestarted(None, 2),
        BootIdLearned(7),
    ]
    assert restarts(*chunks[:3], beat(0, 600, 7))[2:] == [VehicleRestarted(7, 2)], "named in the packet that fell"


def test_a_first_fall_before_any_boot_id() -> None:
    fields = ALL.pack(SMALL_VALUES)
    assert restarts(telemetry(1, 9, 60_000, fields), beat(0, 10, 6)) == [VehicleRestarted(6, 1)]


@pytest.mark.parametrize(("fall_ms", "restarted"), [(CLOCK_FALL_MS, False), (CLOCK_FALL_MS + 1, True)])
def test_how_far_the_clock_must_fall(fall_ms: int, restarted: bool) -> None:
    events = heard(SMALL, beat(10, 60_000), beat(12, 61_000), beat(11, 61_000 - fall_ms))
    assert any(isinstance(e, VehicleRestarted) for e in events) == restarted
    assert packets(events)[-1].late == (not restarted)


def test_counts_start_anew_after_a_restart() -> None:
    assert others(heard(SMALL, beat(9000, 60_000), beat(0, 0, 6), beat(1, 500, 6), beat(1, 500, 6)))[1:] == [
        VehicleRestarted(6, 1),
        PacketRepeated(BEAT, 1),
    ]


def test_the_millisecond_clock_goes_on_over_its_wrap() -> None:
    """Unsigned 32-bit milliseconds wrap after 49.7 days: no restart, time goes on."""
    top = TIME_MODULUS_MS
    events = heard(SMALL, beat(0, top - 700), beat(1, top - 200), beat(2, 300), beat(3, 800))
    assert others(events) == [BootIdLearned(5)]
    assert [e.time_ms for e in packets(events)] == [top - 700, top - 200, top + 300, top + 800]
    late = heard(SMALL, beat(0, top - 700), beat(2, 300), beat(1, top - 200))
    assert [(e.time_ms, e.late) for e in packets(late)] == [(top - 700, False), (top + 300, False), (top - 200, True)]


# ---------------------------------------------------------------- sending


def test_send_addresses_the_start_now_heard() -> None:
    link = Link(SMALL, KEY)
    events_of(link, [beat(0, 0)])
    args = {"thing": 2, "angle": 0.1, "force": 0.5}
    frame = link.send("turn", args, 9)
    assert frame == link.send("turn", args, 9), "a retry is the same bytes"
    assert frame[0] == 0, "whatever the receiver has collected ends before the frame begins"
    packet = cobs.decode(frame[1:-1])
    assert packet[:13] == bytes.fromhex("1009 C009 001D 0005 00000009 10")
    assert packet[13:20] == struct.pack(">Bhf", 2, 1000, 0.5)
    events_of(link, [hello(0, 0, 6)])
    assert cobs.decode(link.send("turn", args, 10)[1:-1])[6:8] == b"\x00\x06"


def test_what_cannot_be_sent_is_refused() -> None:
    args = {"thing": 2, "angle": 0.1, "force": 0.5}
    silent = Link(SMALL, KEY)
    with pytest.raises(OurMistake, match="the vehicle has not yet told its boot id"):
        silent.send("turn", args, 1)
    keyless = Link(SMALL)
    events_of(keyless, [beat(0, 0)])
    with pytest.raises(OurMistake, match="this link has no command key"):
        keyless.send("turn", args, 1)
    ready = Link(SMALL, KEY)
    events_of(ready, [beat(0, 0)])
    with pytest.raises(ValueRefused, match="thing = 5: must be 1..4"):
        ready.send("turn", {**args, "thing": 5}, 1)
    with pytest.raises(KeyError):
        ready.send("jump", {}, 1)
