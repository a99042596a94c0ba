"""Fields: every type by hand-written bytes, extreme and non-finite numbers, bit groups, text, refusals."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.errors import ShortBuffer, ValueRefused
from protocol.fields import Packet
from protocol.wire_types import F32_MAX, INTEGER_RANGES, field_bytes
from tests.protocol.helpers import SANDPIPER, SMALL, SMALL_VALUES, telemetry, value_key

ALL = SMALL.packets["all"]

SMALL_BYTES = bytes.fromhex(
    "07"  # a_u8
    "F9"  # a_i8: 3.5 / -0.5 = -7
    "020B"  # a_u16: (12.3 + 40) / 0.1 = 523
    "0A7D"  # a_i16: (300 - 273.15) / 0.01 = 2685
    "EE6B2800"  # a_u32
    "FFFFFFFA"  # a_i32: -5 - 1 = -6
    "3FC00000"  # a_f32
    "3FB999999999999A"  # a_f64
    "02"  # mode: bench
    "85"  # few: high 1, pair 10, low 1
    "ABC0"  # more: 0xABC from bit 4
    "DEADBEEF"  # most
    "66696E2033"  # note
)


def with_value(**changes: object) -> dict[str, object]:
    return {**SMALL_VALUES, **changes}


def read(packet: Packet, data: bytes) -> dict[str, object]:
    return dict(zip([c.name for c in packet.channels], packet.unpack(data), strict=True))


def test_hand_written_bytes_both_ways() -> None:
    assert ALL.pack(SMALL_VALUES) == SMALL_BYTES
    values = read(ALL, SMALL_BYTES)
    assert values == {
        "a_u8": 7.0,
        "a_i8": 3.5,
        "a_u16": 523 * 0.1 - 40,
        "a_i16": 2685 * 0.01 + 273.15,
        "a_u32": 4e9,
        "a_i32": -5.0,
        "a_f32": 1.5,
        "a_f64": 0.1,
        "mode": 2.0,
        "low": 1.0,
        "pair": 2.0,
        "high": 1.0,
        "wide": float(0xABC),
        "whole": float(0xDEADBEEF),
        "note": "fin 3",
    }


def test_a_frame_is_as_long_as_said_and_its_fields_are_found_within() -> None:
    assert ALL.frame_bytes == len(telemetry(1, 0, 0, SMALL_BYTES))
    assert ALL.unpack(b"before" + SMALL_BYTES, 6) == ALL.unpack(SMALL_BYTES)


def test_a_short_buffer_tells_both_lengths() -> None:
    with pytest.raises(ShortBuffer, match=f"packet all needs {len(SMALL_BYTES)} bytes, got 3"):
        ALL.unpack(SMALL_BYTES[:3])


# ---------------------------------------------------------------- numbers

IEEE = [  # IEEE 754 binary32 bit patterns and their meaning
    ("00000000", 0.0),
    ("80000000", -0.0),
    ("7F800000", math.inf),
    ("FF800000", -math.inf),
    ("7FC00000", math.nan),
    ("7F800001", math.nan),  # signaling
    ("FFFFFFFF", math.nan),
    ("00000001", 2.0**-149),  # smallest denormal
    ("807FFFFF", -(2.0**-126 - 2.0**-149)),  # largest denormal, negative
    ("7F7FFFFF", F32_MAX),
    ("3F800001", 1 + 2.0**-23),
]


@pytest.mark.parametrize(("bits", "value"), IEEE)
def test_f32_patterns_are_read_as_they_are(bits: str, value: float) -> None:
    offset = len(bytes.fromhex("07F9020B0A7DEE6B2800FFFFFFFA"))
    data = SMALL_BYTES[:offset] + bytes.fromhex(bits) + SMALL_BYTES[offset + 4 :]
    assert value_key(read(ALL, data)["a_f32"]) == value_key(value)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -0.0, 2.0**-149, 5e-324, F32_MAX])
def test_floats_go_through_unchanged_where_the_type_can_hold_them(value: float) -> None:
    got = read(ALL, ALL.pack(with_value(a_f32=value, a_f64=value)))
    assert value_key(got["a_f64"]) == value_key(value)
    assert value_key(got["a_f32"]) == value_key(struct.unpack(">f", struct.pack(">f", value))[0])


@pytest.mark.parametrize("value", [F32_MAX * 1.0001, -1e39, 1.7e308])
def test_a_finite_number_never_becomes_infinite(value: float) -> None:
    with pytest.raises(ValueRefused, match="all.a_f32 = .*: does not fit f32"):
        ALL.pack(with_value(a_f32=value))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_an_integer_field_refuses_what_is_not_finite(value: float) -> None:
    with pytest.raises(ValueRefused, match="cannot hold a non-finite number"):
        ALL.pack(with_value(a_i16=value))


@pytest.mark.parametrize("name", ["a_u8", "a_i8", "a_u16", "a_i16", "a_u32", "a_i32"])
def test_integer_fields_hold_their_whole_range_and_no_more(name: str) -> None:
    channel = ALL.channel(name)
    low, high = INTEGER_RANGES[ALL.fields[channel.field_index].type]
    for raw in (low, high, 0):
        value = raw * channel.scale + channel.offset
        assert read(ALL, ALL.pack(with_value(**{name: value})))[name] == value
    for raw in (low - 1, high + 1):
        with pytest.raises(ValueRefused, match=f"does not fit {ALL.fields[channel.field_index].type}"):
            ALL.pack(with_value(**{name: raw * channel.scale + channel.offset}))
    with pytest.raises(ValueRefused, match="does not fit"):
        ALL.pack(with_value(**{name: 1.7e308}))  # the division by a small scale overflows


@given(st.integers(0, 2**16 - 1), st.integers(-(2**15), 2**15 - 1))
def test_every_raw_value_survives_scaling_there_and_back(unsigned: int, signed: int) -> None:
    values = with_value(a_u16=unsigned * 0.1 - 40, a_i16=signed * 0.01 + 273.15)
    packed = ALL.pack(values)
    assert struct.unpack_from(">Hh", packed, 2) == (unsigned, signed)
    got = read(ALL, packed)
    assert (got["a_u16"], got["a_i16"]) == (unsigned * 0.1 - 40, signed * 0.01 + 273.15)


def test_packing_rounds_to_the_nearest_step() -> None:
    assert struct.unpack_from(">h", ALL.pack(with_value(a_i16=273.15 + 0.0149)), 4) == (1,)
    assert struct.unpack_from(">h", ALL.pack(with_value(a_i16=273.15 + 0.0151)), 4) == (2,)


# ---------------------------------------------------------------- bits, enums, text


@given(st.integers(0, 255), st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1))
def test_bit_groups_by_arithmetic(few: int, more: int, most: int) -> None:
    data = SMALL_BYTES[:27] + struct.pack(">BHI", few, more, most) + SMALL_BYTES[34:]
    got = read(ALL, data)
    assert got["low"] == few % 2 and got["pair"] == few // 2 % 4 and got["high"] == few // 128
    assert got["wide"] == more // 16 and got["whole"] == most
    again = ALL.pack(with_value(**{name: got[name] for name in ("low", "pair", "high", "wide", "whole")}))
    assert again[27] == few & 0b1000_0111, "bits without a name are sent as zero"
    assert again[28:30] == struct.pack(">H", more & 0xFFF0) and again[30:34] == data[30:34]


@pytest.mark.parametrize(
    ("name", "value"),
    [("low", 2), ("low", -1), ("pair", 4), ("wide", 4096), ("whole", 2**32), ("low", math.nan), ("low", math.inf)],
)
def test_a_bit_group_refuses_what_does_not_fit(name: str, value: float) -> None:
    with pytest.raises(ValueRefused, match=f"all.{name} = .*: must be 0.."):
        ALL.pack(with_value(**{name: value}))


@pytest.mark.parametrize("value", [None, b"3", [3]])
def test_what_is_no_number_is_refused(value: object) -> None:
    with pytest.raises(ValueRefused, match="must be a number"):
        ALL.pack(with_value(a_u8=value))


def test_enums_take_text_or_index_and_name_their_numbers() -> None:
    mode, pair = ALL.channel("mode"), ALL.channel("pair")
    assert ALL.pack(with_value(mode="on", pair="three")) == ALL.pack(with_value(mode=1, pair=3))
    assert (mode.kind, pair.kind, ALL.channel("low").kind) == ("enum", "enum", "flag")
    assert [mode.text_of(x) for x in (0.0, 1.0, 2.0)] == ["off", "on", "bench"]
    assert [mode.text_of(x) for x in (3.0, -1.0, 0.5, math.nan, math.inf)] == [None] * 5
    with pytest.raises(ValueRefused, match="all.mode = 'fast': must be one of off, on, bench"):
        ALL.pack(with_value(mode="fast"))
    assert read(ALL, ALL.pack(with_value(mode=200)))["mode"] == 200.0, "a number without a name is still a number"


@pytest.mark.parametrize(
    ("text", "sent", "read_back"),
    [
        ("", b"\0\0\0\0\0", ""),
        ("ab", b"ab\0\0\0", "ab"),
        ("abcde", b"abcde", "abcde"),
        ("abcdef", b"abcde", "abcde"),
        ("abcd\u03b4", b"abcd\0", "abcd"),  # a two-byte letter cut whole
        ("abc\u2265x", b"abc\0\0", "abc"),  # a three-byte letter cut whole
        ("a\u2265x", b"a\xe2\x89\xa5x", "a\u2265x"),
        ("\U0001f680\U0001f680", b"\xf0\x9f\x9a\x80\0", "\U0001f680"),
        ("ab\0cd", b"ab\0cd", "ab"),
    ],
)
def test_text_is_cut_at_a_letter(text: str, sent: bytes, read_back: str) -> None:
    packed = ALL.pack(with_value(note=text))
    assert packed[-5:] == sent
    assert read(ALL, packed)["note"] == read_back


@given(st.text(max_size=12))
def test_any_text_is_sent_as_valid_utf8_and_read_as_a_prefix(text: str) -> None:
    got = read(ALL, ALL.pack(with_value(note=text)))["note"]
    assert text.startswith(got)
    assert len(got.encode()) <= 5


def test_broken_utf8_from_the_wire_is_shown_not_raised() -> None:
    assert read(ALL, SMALL_BYTES[:-5] + b"a\xffb\xe2\x89")["note"] == "a\ufffdb\ufffd"


@pytest.mark.parametrize("name", ["a_u8", "note", "low", "mode"])
def test_a_missing_value_is_named(name: str) -> None:
    values = dict(SMALL_VALUES)
    del values[name]
    with pytest.raises(ValueRefused, match=f"{name} = None: is missing"):
        ALL.pack(values)


def test_channels_by_name() -> None:
    assert ALL.channel("pair").path == "all.pair"
    with pytest.raises(KeyError, match="all.nothing"):
        ALL.channel("nothing")


@pytest.mark.parametrize("name", SANDPIPER.packets)
def test_every_sandpiper_packet_reads_all_zeros_and_all_ones(name: str) -> None:
    packet = SANDPIPER.packets[name]
    for filling in (b"\0", b"\xff"):
        values = packet.unpack(filling * packet.layout.size)
        assert len(values) == len(packet.channels)
        assert all(isinstance(v, str) == (c.kind == "text") for v, c in zip(values, packet.channels, strict=True))


# By hand: NaN is all ones in an unsigned field and the lowest in a signed one, whatever scale and offset make of it.
NEAREST = [
    ("a_u8", 256, b"\xff", 1),
    ("a_u8", -1, b"\x00", 1),
    ("a_u8", 255.5, b"\xff", 1),
    ("a_u8", 254.5, b"\xfe", 0),
    ("a_u8", -0.5, b"\x00", 0),
    ("a_u8", math.nan, b"\xff", 1),
    ("a_u8", -math.inf, b"\x00", 1),
    ("a_i8", 64.5, b"\x80", 1),
    ("a_i8", -64.0, b"\x7f", 1),
    ("a_i8", math.inf, b"\x80", 1),
    ("a_i8", math.nan, b"\x80", 1),
    ("a_i16", 1.7e308, b"\x7f\xff", 1),
    ("a_u32", 2.0**32, b"\xff\xff\xff\xff", 1),
    ("a_i32", -(2.0**31), b"\x80\x00\x00\x00", 1),
    ("a_f32", 1e39, b"\x7f\x80\x00\x00", 0),
    ("a_f32", -1e39, b"\xff\x80\x00\x00", 0),
    ("a_f32", 2.0**128 - 2.0**103, b"\x7f\x80\x00\x00", 0),
    ("a_f32", math.nextafter(2.0**128 - 2.0**103, 0.0), b"\x7f\x7f\xff\xff", 0),
    ("pair", 4, b"\x87", 1),
    ("pair", -1, b"\x81", 1),
    ("pair", math.nan, b"\x87", 1),
    ("pair", math.inf, b"\x87", 1),
    ("wide", 4096, b"\xff\xf0", 1),
]


@pytest.mark.parametrize(("name", "value", "octets", "unfit"), NEAREST)
def test_a_vehicle_sends_the_nearest_that_fits(name: str, value: float, octets: bytes, unfit: int) -> None:
    place = next(i for i, item in enumerate(ALL.fields) if name in {channel.name for channel in item.channels})
    before = field_bytes(tuple(item.type for item in ALL.fields[:place]), ">").size
    packed, counted = ALL.pack_fitted(with_value(**{name: value}))
    assert packed[before : before + len(octets)] == octets and counted == unfit
    assert packed[:before] + packed[before + len(octets) :] == SMALL_BYTES[:before] + SMALL_BYTES[before + len(octets) :]


@given(st.floats(width=64), st.sampled_from(["a_u8", "a_i8", "a_u16", "a_i16", "a_u32", "a_i32", "low", "wide", "whole"]))
def test_what_fits_is_packed_the_same_for_the_ground_and_a_vehicle(value: float, name: str) -> None:
    packed, unfit = ALL.pack_fitted(with_value(**{name: value}))
    try:
        assert ALL.pack(with_value(**{name: value})) == packed and unfit == 0
    except ValueRefused:
        assert unfit == 1 or (name in ("low", "wide", "whole") and -1 < value < 2.0**32)  # cut to a whole number first


ODD = (
    0.0,
    -0.0,
    1.0,
    2.5,
    3,
    -7,
    True,
    0.4999,
    1e9,
    5e9,
    -1e300,
    math.nan,
    math.inf,
    -math.inf,
    F32_MAX,
    3.5e38,
    "on",
    "x",
    None,
    [],
)
VALUES = (*ODD, *(np.float64(value) for value in (1.0, 2.5, math.nan, -math.inf)), np.int64(3), np.float32(0.1))


@pytest.mark.parametrize("packet", [*SMALL.packets.values(), *SANDPIPER.packets.values()], ids=lambda packet: packet.name)
def test_the_quick_way_to_pack_a_field_is_the_plain_one(packet: Packet) -> None:
    for item in packet.fields:
        every = [{channel.name: value for channel in item.channels} for value in VALUES]
        for values in [*every, {}, *({channel.name: 1} for channel in item.channels)]:
            assert _packed(item.packer, values) == _packed(item.pack_value, values), (item.name, values)


def _packed(pack: Callable[[dict[str, object]], object], values: dict[str, object]) -> str:
    try:
        return repr(pack(values))
    except ValueRefused as refused:
        return str(refused)
