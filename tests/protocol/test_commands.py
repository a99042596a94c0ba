"""Commands: RFC 4231, argument limits on both ends, frames by hand, every flipped bit refused."""

from __future__ import annotations

import hashlib
import math
import struct

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st
from spacepackets.ccsds.spacepacket import PacketType as TheirType
from spacepackets.ccsds.spacepacket import SpacePacketHeader

from protocol.checksum import append_crc
from protocol.commands import (
    COUNTER_MAX,
    Argument,
    CommandFrame,
    Condition,
    build_command_frame,
    command_tag,
    open_command_frame,
)
from protocol.errors import ValueRefused
from protocol.framing import encode_frame
from tests.protocol.helpers import KEY, SANDPIPER, SMALL

# tests/SOURCES.md, hmac-sha-256: RFC 4231, section 4: key, data, HMAC-SHA-256 (case 5 printed by the RFC to 128 bits only).
RFC_4231 = [
    (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (
        b"Jefe",
        b"what do ya want for nothing?",
        "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
    ),
    (b"\xaa" * 20, b"\xdd" * 50, "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"),
    (
        bytes(range(1, 26)),
        b"\xcd" * 50,
        "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b",
    ),
    (b"\x0c" * 20, b"Test With Truncation", "a3b6167473100ee06e0c796c2955552b"),
    (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
]


@pytest.mark.parametrize(("key", "data", "digest"), RFC_4231)
def test_the_tag_is_the_first_16_bytes_of_rfc_4231(key: bytes, data: bytes, digest: str) -> None:
    assert command_tag(key, data).hex() == digest[:32]


# ---------------------------------------------------------------- the frame


def test_a_frame_by_hand() -> None:
    """Every byte written out; HMAC by its RFC 2104 definition, CRC by another library, stuffing by the library."""
    body = bytes.fromhex("0005 00004321 55 0201".replace(" ", ""))
    header = bytes.fromhex("1040") + struct.pack(">H", 0xC000 | 0x4321 & 0x3FFF) + struct.pack(">H", len(body) + 16 - 1)
    block = KEY.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + header + body).digest()
    tag = hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).digest()[:16]
    packet = header + body + tag
    content = packet + Crc16Ibm3740.calc(packet).to_bytes(2, "big")
    frame = build_command_frame(KEY, 64, 5, 0x4321, 0x55, b"\x02\x01")
    assert frame == cobs.encode(content) + b"\0"
    assert open_command_frame(KEY, 64, frame[:-1]) == CommandFrame(5, 0x4321, 0x55, b"\x02\x01")


def test_a_ccsds_library_reads_it() -> None:
    packet = cobs.decode(build_command_frame(KEY, 64, 5, 70_000, 0x55, b"\x02\x01")[:-1])[:-2]
    header = SpacePacketHeader.unpack(packet)
    assert (header.packet_type, header.apid, header.seq_count) == (TheirType.TC, 64, 70_000 % 16384)
    assert header.packet_len == len(packet) and not header.sec_header_flag


keys = st.binary(min_size=32, max_size=32)
frames = st.tuples(st.integers(0, 0xFFFF), st.integers(1, COUNTER_MAX), st.integers(0, 255), st.binary(max_size=223))


@given(keys, st.integers(0, 2046), frames)
def test_what_was_built_opens_the_same(key: bytes, apid: int, frame: tuple[int, int, int, bytes]) -> None:
    encoded = build_command_frame(key, apid, *frame)
    assert encoded == build_command_frame(key, apid, *frame), "a retry is the same bytes"
    assert open_command_frame(key, apid, encoded[:-1]) == CommandFrame(*frame)


@given(keys, keys, frames)
def test_another_key_is_refused(key: bytes, other: bytes, frame: tuple[int, int, int, bytes]) -> None:
    opened = open_command_frame(other, 64, build_command_frame(key, 64, *frame)[:-1])
    assert opened == ("wrong tag" if key != other else CommandFrame(*frame))


@pytest.mark.parametrize(
    ("boot_id", "counter", "code"),
    [(-1, 1, 1), (65536, 1, 1), (0, 0, 1), (0, COUNTER_MAX + 1, 1), (0, 1, 256), (0, 1, -1)],
)
def test_numbers_that_do_not_fit_are_refused(boot_id: int, counter: int, code: int) -> None:
    with pytest.raises(ValueError, match="out of range"):
        build_command_frame(KEY, 64, boot_id, counter, code, b"")


def test_every_bit_flipped_before_stuffing_is_refused() -> None:
    content = cobs.decode(build_command_frame(KEY, 64, 5, 77, 0x55, b"\x02\x01")[:-1])
    for bit in range(8 * len(content)):
        damaged = bytearray(content)
        damaged[bit // 8] ^= 1 << bit % 8
        assert open_command_frame(KEY, 64, cobs.encode(bytes(damaged))) == "bad checksum", bit


def test_every_bit_flipped_under_a_recomputed_crc_is_refused() -> None:
    """Somebody who can compute a CRC but has no key."""
    packet = cobs.decode(build_command_frame(KEY, 64, 5, 77, 0x55, b"\x02\x01")[:-1])[:-2]
    for bit in range(8 * len(packet)):
        forged = bytearray(packet)
        forged[bit // 8] ^= 1 << bit % 8
        opened = open_command_frame(KEY, 64, encode_frame(append_crc(bytes(forged)))[:-1])
        header_told = bit < 48 and not 18 <= bit_in_header(bit) < 32  # the count is free, the rest of the header is not
        assert opened == ("not a command for this vehicle" if header_told else "wrong tag"), bit


def bit_in_header(bit: int) -> int:
    """Turn (byte, bit from the right) numbering into the standard's bit numbers, 0 = first on the wire."""
    return bit // 8 * 8 + 7 - bit % 8


def signed_frame(header: bytes, body: bytes) -> bytes:
    """Return a frame with a right tag over any header: what a station with the key but broken rules might send."""
    return encode_frame(append_crc(header + body + command_tag(KEY, header + body)))[:-1]


BODY = struct.pack(">HIB", 5, 77, 0x55)


@pytest.mark.parametrize(
    ("encoded", "reason"),
    [
        (b"\x05ab", "bad stuffing"),
        (b"\x03ab", "bad checksum"),
        (b"\x01", "bad checksum"),
        (encode_frame(append_crc(bytes(20)))[:-1], "too short"),
        (encode_frame(append_crc(bytes(28)))[:-1], "too short"),
        (signed_frame(struct.pack(">HHH", 0x1041, 0xC000 | 77, 22), BODY), "not a command for this vehicle"),
        (signed_frame(struct.pack(">HHH", 0x0040, 0xC000 | 77, 22), BODY), "not a command for this vehicle"),
        (signed_frame(struct.pack(">HHH", 0x1840, 0xC000 | 77, 22), BODY), "not a command for this vehicle"),
        (signed_frame(struct.pack(">HHH", 0x3040, 0xC000 | 77, 22), BODY), "not a command for this vehicle"),
        (signed_frame(struct.pack(">HHH", 0x1040, 0x4000 | 77, 22), BODY), "not a command for this vehicle"),
        (signed_frame(struct.pack(">HHH", 0x1040, 0xC000 | 77, 23), BODY), "not a command for this vehicle"),
        (signed_frame(struct.pack(">HHH", 0x1040, 0xC000 | 78, 22), BODY), "wrong count"),
        (signed_frame(struct.pack(">HHH", 0x1040, 0xC000, 22), struct.pack(">HIB", 5, 0, 1)), "wrong count"),
    ],
)
def test_why_a_frame_is_refused(encoded: bytes, reason: str) -> None:
    assert open_command_frame(KEY, 64, encoded) == reason


@given(st.binary(max_size=255))
def test_any_bytes_are_refused_without_an_exception(data: bytes) -> None:
    assert isinstance(open_command_frame(KEY, 64, data), str)


# ---------------------------------------------------------------- arguments


def argument(type_: str, low: float, high: float, scale: float = 1.0) -> Argument:
    return Argument(name="x", type=type_, low=low, high=high, scale=scale, unit="rad")


@pytest.mark.parametrize(
    ("arg", "value", "problem"),
    [
        (argument("u8", 1, 4), 0, "must be 1..4 rad"),
        (argument("u8", 1, 4), 5, "must be 1..4 rad"),
        (argument("u8", 1, 4), 2.5, "does not fit u8"),
        (argument("u8", 1, 4), math.nan, "must be 1..4 rad"),
        (argument("u8", 1, 4), math.inf, "must be 1..4 rad"),
        (argument("u8", 0, 1), True, "must be a number"),
        (argument("u8", 1, 4), "2", "must be a number"),
        (argument("u8", 1, 4), None, "must be a number"),
        (argument("i16", -0.2618, 0.2618, 1e-4), 0.2619, "must be -0.2618..0.2618 rad"),
        (argument("u8", 0, 300), 256, "does not fit u8"),
        (argument("f32", 0, 1e300), 1e300, "does not fit f32"),
        (argument("f64", 0, 1), math.nan, "must be 0..1 rad"),
    ],
)
def test_illegal_arguments(arg: Argument, value: object, problem: str) -> None:
    with pytest.raises(ValueRefused) as caught:
        arg.raw_of(value)
    assert caught.value.problem == problem


TURN = SMALL.commands["turn"]


@given(st.integers(1, 4), st.floats(-0.2618, 0.2618), st.floats(0.1, 0.7))
def test_what_the_ground_may_send_the_vehicle_takes(thing: int, angle: float, force: float) -> None:
    """Both ends judge by the same limits; the wire's rounding may not turn an allowed value into a refused one."""
    data = TURN.pack_args({"thing": thing, "angle": angle, "force": force})
    values = TURN.unpack_args(data)
    assert values["thing"] == thing
    assert values["angle"] == pytest.approx(angle, abs=0.5001e-4)
    assert values["force"] == pytest.approx(force, rel=2**-24)
    assert TURN.pack_args(values) == data


@pytest.mark.parametrize("edge", [(-0.2618, 0.1), (0.2618, 0.7)])
def test_the_limits_themselves_pass_and_come_back_exactly(edge: tuple[float, float]) -> None:
    values = TURN.unpack_args(TURN.pack_args({"thing": 1, "angle": edge[0], "force": edge[1]}))
    assert (values["angle"], values["force"]) == edge


@pytest.mark.parametrize(
    "data",
    [
        struct.pack(">Bhf", 0, 0, 0.5),
        struct.pack(">Bhf", 5, 0, 0.5),
        struct.pack(">Bhf", 1, 2619, 0.5),
        struct.pack(">Bhf", 1, -2619, 0.5),
        struct.pack(">Bhf", 1, -32768, 0.5),
        struct.pack(">Bhf", 1, 0, 0.70001),
        struct.pack(">Bhf", 1, 0, 0.0999999),
        struct.pack(">Bhf", 1, 0, math.nan),
        struct.pack(">Bhf", 1, 0, math.inf),
        struct.pack(">Bhf", 1, 0, 0.5)[:-1],
        struct.pack(">Bhf", 1, 0, 0.5) + b"\0",
        b"",
    ],
)
def test_the_vehicle_refuses_argument_bytes_outside_the_limits(data: bytes) -> None:
    with pytest.raises(ValueRefused):
        TURN.unpack_args(data)


def test_missing_and_unknown_arguments_are_named() -> None:
    with pytest.raises(ValueRefused, match="force = None: is missing"):
        TURN.pack_args({"thing": 1, "angle": 0})
    with pytest.raises(ValueRefused, match="speed = 3: is not an argument of turn"):
        TURN.pack_args({"thing": 1, "angle": 0, "force": 0.5, "speed": 3})


@pytest.mark.parametrize("name", SANDPIPER.commands)
def test_every_sandpiper_command_passes_at_both_ends_of_its_ranges(name: str) -> None:
    command = SANDPIPER.commands[name]
    for pick in ("low", "high"):
        values = {arg.name: getattr(arg, pick) for arg in command.args}
        assert command.unpack_args(command.pack_args(values)) == values


def test_arguments_in_words() -> None:
    power, move = SANDPIPER.commands["camera_power"], SANDPIPER.commands["fin_move"]
    assert power.args_text({"camera": 2, "on": 1}) == "camera 2, on"
    assert move.args_text({"fin": 3, "angle": 0.1}) == "fin 3, angle 5.73 deg"
    assert SANDPIPER.commands["ping"].args_text({}) == ""


# ---------------------------------------------------------------- conditions


def condition(role: str, operand: object, per: str | None = None) -> Condition:
    return Condition(name="c", title="C", role=role, comparison="equals", operand=operand, per=per)


def test_places_in_conditions_are_filled_in() -> None:
    args = {"camera": 2.0, "on": 1}
    assert condition("camera[{camera}].powered", "{on}").role_for(args) == "camera[2].powered"
    assert condition("x", "{on}").operand_for(args) == 1
    assert condition("x", "{counter}").operand_for(args, 99) == 99
    assert condition("x", 0.5).operand_for(args) == 0.5
    assert condition("x", "ground test").operand_for(args) == "ground test"
    assert condition("x", ["pad", "ground test"], per="on").operand_for(args) == "ground test"


def test_a_whole_number_beside_a_limit_is_itself() -> None:
    """One below the greatest u32 is within a float's rounding of it, and yet another number."""
    whole = Argument(name="n", type="u32", low=5, high=4294967295)
    scaled = Argument(name="n", type="u32", low=0.0, high=429496729.5, scale=0.1)
    assert whole.value_of(4294967294) == 4294967294
    assert scaled.value_of(4294967294) == 429496729.5
