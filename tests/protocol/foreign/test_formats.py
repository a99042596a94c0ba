"""The sample of each format: whole in every chunking, through garbage, single flips caught, one frame by hand each."""

from __future__ import annotations

import json
import struct
import zlib

import pytest
from crccheck.crc import Crc16, Crc32

from protocol.events import BytesSkipped, FrameDamaged, PacketReceived, PacketUnknown, VehicleRestarted
from protocol.foreign.framings import foreign_framing
from protocol.foreign.wrapping_clock import WrappingClock
from protocol.link import NEED_DATA, Link
from tests.protocol.foreign.foreign_helpers import VALUES, with_framing
from tests.protocol.foreign.formats import (
    FORMATS,
    UNCHECKED,
    flip_every_bit,
    frames_of,
    go_through_clean,
    go_through_garbage,
    heard_of,
)
from tests.protocol.helpers import heard

ALL_NAMES = ("curlew", "dipper", "dunlin", "knot", "linnet", "pipit", "siskin", "stint")


def test_every_format_has_its_sample() -> None:
    assert tuple(FORMATS) == ALL_NAMES
    assert len({dictionary.hash32 for dictionary in FORMATS.values()}) == len(FORMATS)


@pytest.mark.parametrize("name", ALL_NAMES)
def test_clean_frames_are_heard_whole_in_every_chunking(name: str) -> None:
    assert go_through_clean(FORMATS[name], 1000) == 1000


@pytest.mark.parametrize("name", ALL_NAMES)
def test_garbage_costs_no_more_than_what_it_touches(name: str) -> None:
    heard_frames, pieces = go_through_garbage(FORMATS[name], 1000)
    assert heard_frames >= 1000 - 2 * pieces and pieces == 50


@pytest.mark.parametrize("name", [name for name in ALL_NAMES if name not in UNCHECKED])
def test_no_single_flip_is_taken_for_another_packet(name: str) -> None:
    flips, wrong = flip_every_bit(FORMATS[name])
    assert flips > 200 and wrong == 0


def one(name: str, packet: str = "switches") -> bytes:
    """Return a frame whose fields are small numbers."""
    values = {"time": 3, "continuity": 1, "armed": 0}
    return foreign_framing(FORMATS[name]).encode(packet, values)


def test_a_masked_id_a_bias_and_ignored_bytes_by_hand() -> None:
    head = (
        bytes.fromhex("3C D1 07") + bytes.fromhex("2E") + (0x9000 | 3002).to_bytes(2, "big") + bytes(2) + bytes(2) + b"\x05"
    )
    body = struct.pack(">IBB", 3, 1, 0)
    crc = Crc24(head[3:] + body)
    assert one("dunlin") == head + body + crc.to_bytes(3, "little")
    for place, octet in ((3, 0x2F), (4, 0x8B)):  # another constant, another bit beside the mask
        odd = bytearray(one("dunlin"))
        odd[place] = octet
        assert not any(isinstance(event, PacketReceived) for event in heard(FORMATS["dunlin"], bytes(odd)))
    ignored = bytearray(head + body)
    ignored[6:8] = b"\xaa\xbb"
    frame = bytes(ignored) + Crc24(bytes(ignored[3:])).to_bytes(3, "little")
    assert any(isinstance(event, PacketReceived) for event in heard(FORMATS["dunlin"], frame))


def Crc24(data: bytes) -> int:  # noqa: N802 - called like the library's own
    """The sample's CRC, bit by bit: of no catalogue's parameters."""
    state = 0xFEDCBA
    for octet in data:
        state ^= octet << 16
        for _ in range(8):
            state = (state << 1 ^ (0x5D6DCB if state & 0x800000 else 0)) & 0xFFFFFF
    return state


def test_a_length_without_sync_and_fletchers_sum_by_hand() -> None:
    body = bytes([9, 0x52]) + struct.pack("<IBB", 3, 1, 0)
    one_sum = two_sum = 0
    for octet in body:
        one_sum = (one_sum + octet) % 255
        two_sum = (two_sum + one_sum) % 255
    assert one("knot") == body + bytes([one_sum, two_sum])


def test_stuffing_around_a_checksum_by_hand() -> None:
    body = bytes([0x22]) + struct.pack("<IBB", 3, 1, 0)
    record = body + zlib.crc32(body).to_bytes(4, "little")
    pieces = record.split(b"\0")
    assert one("stint") == b"".join(bytes([len(piece) + 1]) + piece for piece in pieces) + b"\0"
    assert Crc32.calc(body) == zlib.crc32(body)
    slip = one("curlew")
    assert slip.startswith(b"\xdb\xdd\x00") and slip.endswith(b"\xc0") and slip.count(b"\xc0") == 1
    (event,) = [e for e in heard(FORMATS["curlew"], b"\xc0" + slip + b"\xc0\xc0") if isinstance(e, PacketReceived)]
    assert event.packet.name == "switches"
    for broken in (b"\xdb\x01" + slip, slip[:-1] + b"\xdb\xc0", b"ab\xc0", b"x" * 700 + b"\xc0"):
        told = [event for event in heard(FORMATS["curlew"], broken)]
        assert any(isinstance(event, FrameDamaged | BytesSkipped) for event in told), broken[:10]


def test_bytes_of_a_reflected_crc_the_other_way_round() -> None:
    frame = one("dipper")
    assert frame[2:6] == (70002).to_bytes(4, "little")
    assert Crc16.process is not None  # the library is there; its class is given the sample's own parameters
    own = type("Own", (Crc16,), {"_width": 16, "_poly": 0x3D65, "_initvalue": 0, "_reflect_input": True})
    own._reflect_output, own._xor_output = True, 0xFFFF
    assert frame[-2:] == own.calc(frame[:-2]).to_bytes(2, "big")


def test_json_says_arrays_truth_and_null() -> None:
    dictionary = FORMATS["siskin"]
    values = {"time": 1.5, "number": 1, "pressure": float("nan"), "accel_x": 1.0, "accel_y": 2.0, "accel_z": 3.0}
    line = foreign_framing(dictionary).encode("state", values | {"battery": 8.0, "phase": 2})
    said = json.loads(line)
    assert said["what"] == "state" and said["accel"] == [1.0, 2.0, 3.0] and said["pressure"] is None
    assert json.loads(one("siskin"))["continuity"] is True
    for change, reason in (
        ({"accel": [1, 2]}, "'accel' is no list of 3"),
        ({"number": 256}, "256 does not fit u8"),
        ({"number": 1.5}, "1.5 is no whole number"),
        ({"number": True}, "'True' is no number"),
        ({"battery": "8"}, "'8' is no number"),
        ({"battery": 10**400}, "a number too great for 64 bits"),
    ):
        (event,) = heard(dictionary, json.dumps(said | change).encode() + b"\n")
        assert event == FrameDamaged(f"state: {reason}", event.size)
    assert isinstance(heard(dictionary, b'{"what":"else"}\n')[0], PacketUnknown)
    for odd in (b"[1]", b"{", b"\xff", b"[" * 3000, b'{"what":[]}'):
        assert not any(isinstance(event, PacketReceived) for event in heard(dictionary, odd + b"\n"))
    more = json.dumps(said | {"more": {"a": 1}}).encode()
    assert any(isinstance(event, PacketReceived) for event in heard(dictionary, more + b"\r\n"))


def test_runs_of_spaces_are_one() -> None:
    dictionary = with_framing('kind = "text"\nseparator = " "')
    line = foreign_framing(dictionary).encode("all", VALUES | {"k": "fin3"})
    spread = line.replace(b" ", b"   ")
    assert [event.values for event in heard(dictionary, line) if isinstance(event, PacketReceived)] == [
        event.values for event in heard(dictionary, b"  " + spread) if isinstance(event, PacketReceived)
    ]
    assert any(isinstance(event, PacketReceived) for event in heard(dictionary, spread))


def test_a_clock_of_microseconds_goes_on_over_its_wraps() -> None:
    """72 minutes after the start a count of 32 bits begins anew; the vehicle does not."""
    dictionary, framing = FORMATS["dipper"], foreign_framing(FORMATS["dipper"])
    link, times, restarts = Link(dictionary), [], 0
    for second in range(0, 9000, 5):
        values = {"time": second * 1_000_000 % 2**32, "continuity": 1, "armed": 0}
        link.receive_data(framing.encode("switches", values), 100.0 + second)
        while (event := link.next_event()) is not NEED_DATA:
            restarts += isinstance(event, VehicleRestarted)
            if isinstance(event, PacketReceived):
                times.append(event.time_ms)
    assert restarts == 0 and len(times) == 1800
    assert all(abs(time_ms - 5000 * number) <= 1 for number, time_ms in enumerate(times))


def test_a_restart_is_no_wrap_and_a_straggler_no_restart() -> None:
    clock = WrappingClock(4294.967296)
    assert clock.continued(4_290_000, 10.0) == 4_290_000
    assert clock.continued(33, 15.0) == 4_295_000
    assert clock.continued(4_294_000, 15.1) == 4_294_000
    assert clock.continued(5033, 20.0) == 4_300_000
    assert clock.continued(20, 30.0) == 20, "14 s later the clock reads 0.02 s: a new start"
    assert clock.continued(1020, 31.0) == 1020
    quiet = WrappingClock(4294.967296)
    assert quiet.continued(4_294_000, None) == 4_294_000 and quiet.continued(33, None) == 4_295_000
    gone = WrappingClock(60.0)
    assert gone.continued(10_000, 0.0) == 10_000
    assert gone.continued(15_000, 605.0) == 615_000, "heard again after ten wraps in silence"


def test_a_record_found_without_sync_may_follow_its_own_beginning() -> None:
    frames, sent = frames_of(FORMATS["knot"], 50)
    begun = frames[0][:-1]
    said, other = heard_of(FORMATS["knot"], [begun, *frames])
    assert said == sent and [type(event) for event in other] == [BytesSkipped]
