"""Types beyond the plain ones, by hand-written bytes, by struct's own reading of the parts, and live against bulk."""

from __future__ import annotations

import math
import random
import struct

import numpy as np
import pytest

from protocol.bulk import decode_stream
from protocol.dictionary_file import parse_dictionary
from protocol.errors import DictionaryError, ValueRefused
from protocol.events import PacketReceived
from protocol.fields import Packet
from protocol.identity import IDENTITY_NAME
from protocol.vehicle import VehicleLink
from protocol.wire_types import NUMBER_TYPES, field_bytes, halved
from tests.protocol.all_types import TYPES, WIRE_2, random_dictionary
from tests.protocol.helpers import KEY, heard

PACKET = TYPES.packets["types"]
VALUES: dict[str, object] = {
    "a_u24": 0x123456, "a_i24": -1.5, "a_u64": 2.0**60, "a_i64": -2, "a_f16": 1.5, "a_f32": -2.0, "a_f64": 0.1,
    "a_bool": "on", "a_u16": 12.3, "raw": "00ff10", "accel_x": 1.0, "accel_y": -1.0, "accel_z": 9.81,
    "thermistor_0": 200, "thermistor_1": 201, "thermistor_2": 300, "thermistor_3": 455,
    "signed": -3, "scaled": -2.0, "flag": 1, "state": "armed",
}  # fmt: skip
OCTETS = bytes.fromhex(
    "123456"  # a_u24
    "FDFFFF"  # a_i24, little-endian: -3 halves
    "1000000000000000"  # a_u64
    "FEFFFFFFFFFFFFFF"  # a_i64, little-endian
    "3E00"  # a_f16
    "000000C0"  # a_f32, little-endian
    "9A9999999999B93F"  # a_f64, little-endian
    "01"  # a_bool
    "0B02"  # a_u16, little-endian: 523
    "00FF1000"  # raw, filled up
    "0064FF9C03D5"  # accel
    "000164FF"  # thermistor
    "9D9E"  # word, little-endian: 0x9E9D = flag, -12 quarters from bit 5, -3
    "03"  # state
)


def read(packet: Packet, data: bytes) -> dict[str, object]:
    return dict(zip(packet.channel_names, packet.unpack(data), strict=True))


def test_hand_written_bytes_both_ways() -> None:
    assert PACKET.pack(VALUES).hex(" ") == OCTETS.hex(" ")
    values = read(PACKET, OCTETS)
    assert values["raw"] == "00ff1000" and values["a_bool"] == 1.0 and values["state"] == 3.0
    assert PACKET.channel("state").text_of(3.0) == "armed" and PACKET.channel("state").text_of(1.0) is None
    numbers = {name: value for name, value in VALUES.items() if not isinstance(value, str)}
    assert {name: values[name] for name in numbers} == pytest.approx(numbers)


def test_an_array_is_its_elements_spelled_out() -> None:
    fields = ", ".join(f'{{ name = "accel_{axis}", type = "i16", scale = 0.01 }}' for axis in "xyz")
    spelled = parse_dictionary(f"{WIRE_2}[packet.p]\napid = 1\nfields = [ {fields} ]\n[uplink]\nvehicle_id = 1\n")
    field = '{ name = "accel", type = "i16[3]", elements = ["x", "y", "z"], scale = 0.01 }'
    array = parse_dictionary(f"{WIRE_2}[packet.p]\napid = 1\nfields = [ {field} ]\n[uplink]\nvehicle_id = 1\n")
    assert array.hash32 == spelled.hash32
    assert [PACKET.channel(f"accel_{axis}").role for axis in "xyz"] == ["accel.a.x", "accel.a.y", "accel.a.z"]
    assert PACKET.channel("thermistor_2").description == "Thermistor 2" and PACKET.channel("thermistor_2").label == "T2"


def test_signs_byte_order_and_holes_count_in_the_hash() -> None:
    def hash_of(field: str) -> int:
        text = f"{WIRE_2}[packet.p]\napid = 1\nfields = [ {{ name = 'x', {field} }} ]\n[uplink]\nvehicle_id = 1\n"
        return parse_dictionary(text).hash32

    group = 'type = "bits8", bits = [ { name = "g", bit = 0, width = 4%s } ]'
    kinds = ['type = "u16"', 'type = "u16le"', group % "", group % ", signed = true", group % ", scale = 2"]
    kinds += ['type = "u8", values = { 0 = "a", 2 = "b" }', 'type = "u8", values = { 0 = "a", 3 = "b" }', 'type = "bool"']
    assert len({hash_of(kind) for kind in kinds}) == len(kinds)


@pytest.mark.parametrize("type_", NUMBER_TYPES)
@pytest.mark.parametrize("order", ["<", ">"])
def test_each_number_is_what_python_reads(type_: str, order: str) -> None:
    rng = random.Random(type_)
    layout = field_bytes((type_, "u8"), order)  # type: ignore[arg-type]  # parametrized by plain text
    for _ in range(50):
        octets = rng.randbytes(layout.size)
        mine = octets[:-1][::-1] if order == "<" or type_.endswith("le") else octets[:-1]
        if type_[0] == "f":
            (expected,) = struct.unpack({2: ">e", 4: ">f", 8: ">d"}[len(mine)], mine)
        else:
            expected = int.from_bytes(mine, "big", signed=type_[0] == "i")
        got, last = layout.unpack_from(octets)
        assert last == octets[-1] and (got == expected or (math.isnan(got) and math.isnan(expected)))
        if got == got:
            assert layout.pack(got, last) == octets


@pytest.mark.parametrize("seed", range(40))
def test_live_equals_bulk_on_random_dictionaries(seed: int) -> None:
    try:
        dictionary = random_dictionary(seed)
    except DictionaryError as problem:
        assert "fit a frame" in str(problem)
        return
    rng, link = random.Random(seed), VehicleLink(dictionary, KEY, 5)
    names = [name for name in dictionary.packets if name != IDENTITY_NAME]
    frames = []
    for number in range(60):
        packet = dictionary.packets[rng.choice(names)]
        frames.append(link.frame_of_fields(packet, number * 10, rng.randbytes(packet.layout.size)))
    stream = b"".join(frames)
    bulk = decode_stream(dictionary, stream)
    live: dict[str, list[tuple[object, ...]]] = {}
    for event in heard(dictionary, stream):
        if isinstance(event, PacketReceived):
            live.setdefault(event.packet.name, []).append(event.values)
    assert {name: len(part) for name, part in bulk.packets.items()} == {name: len(rows) for name, rows in live.items()}
    for name, part in bulk.packets.items():
        for place, channel in enumerate(part.packet.channels):
            expected, got = [row[place] for row in live[name]], part.columns[channel.name]
            if channel.kind == "text":
                assert got == expected
            else:
                np.testing.assert_array_equal(got, np.array(expected))


@pytest.mark.parametrize(
    ("name", "value", "told", "unfit"),
    [
        ("a_u24", 2.0**24, "ffffff", 1),
        ("a_u24", math.nan, "ffffff", 1),
        ("a_i24", math.nan, "000080", 1),
        ("a_u64", 2.0**64, "ffffffffffffffff", 1),
        ("a_u64", -1, "0000000000000000", 1),
        ("a_i64", 2.0**63, "ffffffffffffff7f", 1),
        ("a_i64", -(2.0**63), "0000000000000080", 0),
        ("a_f16", 65519.99, "7bff", 0),
        ("a_f16", 65520.0, "7c00", 0),
        ("a_f16", -1e30, "fc00", 0),
        ("a_f16", math.nan, "7e00", 0),
        ("a_f16", 2.0**-25, "0000", 0),
        ("a_f16", 2.0**-24, "0001", 0),
        ("a_bool", 2, "01", 1),
        ("signed", 16, "8f9e", 1),
        ("signed", -17, "909e", 1),
        ("scaled", 99.0, "fd8f", 1),
        ("scaled", math.nan, "1d90", 1),
    ],
)
def test_a_vehicle_sends_the_nearest_that_fits(name: str, value: float, told: str, unfit: int) -> None:
    packed, counted = PACKET.pack_fitted({**VALUES, name: value})
    assert bytes.fromhex(told) in packed and counted == unfit


def test_a_half_float_is_rounded_once_by_way_of_a_float() -> None:
    assert halved(0.1) == 0.0999755859375 and halved(-0.0) == 0.0 and halved(2049.0) == 2048.0
    beside = 2049.0 + 2.0**-30  # above the half step as a double, on it as a float
    assert halved(beside) == 2048.0 != float(np.float16(beside))


@pytest.mark.parametrize(("name", "value"), [("a_bool", "maybe"), ("raw", "xyz"), ("raw", "0011223344"), ("state", "")])
def test_what_is_no_value_at_all_is_refused(name: str, value: object) -> None:
    with pytest.raises(ValueRefused):
        PACKET.pack_fitted({**VALUES, name: value})


@pytest.mark.parametrize(
    ("field", "sentence"),
    [
        ('type = "u8le"', "must be one of u8"),
        ('type = "text4[2]"', "only numbers and bool can stand in arrays, got 'text4'"),
        ('type = "u8[2]", elements = ["a"]', "must be 2 different words"),
        ('type = "u8[2]", role = "pressure"', "must hold {} where the element's name goes"),
        ('type = "u8[0]"', "must be one of u8"),
        ('type = "f16", scale = 2', "a float field carries its value as it is"),
        ('type = "bool", offset = 1', "a truth value has no scale and offset"),
        ('type = "u8", values = { a = "b" }', "'a' must be a whole number 0..1023"),
        ('type = "u8", values = { 1024 = "b" }', "'1024' must be a whole number 0..1023"),
        ('type = "u8", values = { 1 = 2 }', "1 must have a text, got 2"),
        ('type = "u8", values = {}', "must name at least one number"),
        ('type = "bits8", bits = [ { name = "g", bit = 0, signed = true } ]', "one bit is a flag"),
        (
            'type = "bits8", bits = [ { name = "g", bit = 0, width = 2, signed = true, values = ["a"] } ]',
            "an enum counts from 0",
        ),
        ('type = "u8[2]" }, { name = "x_1", type = "u8"', "has two channels named 'x_1'"),
        ('type = "u8[2]" }, { name = "y", type = "bits8", bits = [ { name = "x", bit = 0 } ]', "has an array and a channel"),
    ],
)
def test_each_mistake_has_its_sentence(field: str, sentence: str) -> None:
    with pytest.raises(DictionaryError) as caught:
        parse_dictionary(f'{WIRE_2}[packet.p]\napid = 1\nfields = [ {{ name = "x", {field} }} ]\n[uplink]\nvehicle_id = 1\n')
    assert sentence in str(caught.value)
