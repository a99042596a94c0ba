"""Wire version 2: frames bound to vehicle, start, dictionary and time, taken apart here with the standard library alone."""

from __future__ import annotations

import hashlib
import hmac
import struct

import pytest
from cobs import cobs

from protocol.bound import (
    COMMAND_APID,
    COMMAND_LABEL,
    SAFE_ALL_APID,
    VALID_AT_MOST_MS,
    SafeAllFrame,
    bound_tag,
    build_bound_frame,
    build_safe_all_frame,
    is_in_time,
    make_boot_id,
    open_bound_frame,
)
from protocol.checksum import append_crc
from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.errors import DictionaryError, OurMistake
from protocol.events import BootIdLearned, PacketReceived, VehicleRestarted
from protocol.framing import encode_frame
from protocol.identity import Identity
from protocol.link import Link
from protocol.vehicle import CommandMemory, Order, Rejected, Repeat, VehicleLink
from tests.protocol.helpers import events_of

KEY = bytes(range(32))
BOOT, OTHER_BOOT = 0xC0FFEE00_12345678, 0x0BADF00D_12345678
TOML = """
[dictionary]
format = 1
wire = 2
name = "bound"
version = "1"
vehicle = "Bound, invented"
[uplink]
vehicle_id = 77
[packet.answer]
apid = 28
fields = [
  { name = "boot_id", type = "u32", role = "answer.boot_id" },
  { name = "counter", type = "u32", role = "answer.counter" },
  { name = "code", type = "u8", role = "answer.code" },
  { name = "stage", type = "u8", role = "answer.stage", values = ["accepted", "refused", "completed", "failed"] },
  { name = "reason", type = "u8", role = "answer.reason", values = ["none", "out of range", "old counter", "other boot",
    "unknown command", "other dictionary", "too late", "not stored"] },
]
[command.turn]
code = 0x10
hazard = "routine"
title = "Turn"
does = "Turns."
args = [ { name = "angle", type = "i16", min = -1.0, max = 1.0, scale = 0.001 } ]
"""
BOUND = parse_dictionary(TOML)


def changed(old: str, new: str) -> Dictionary:
    assert TOML.count(old) == 1
    return parse_dictionary(TOML.replace(old, new))


def frame_of(counter: int = 5, *, until: int = 6000, boot: int = BOOT, vehicle: int = 77, angle: int = 500) -> bytes:
    return build_bound_frame(KEY, vehicle, boot, BOUND.hash32, counter, until, 0x10, struct.pack(">h", angle))


def started(**more: object) -> VehicleLink:
    return VehicleLink(BOUND, KEY, BOOT, CommandMemory(BOUND, KEY, BOOT, **more))  # type: ignore[arg-type]  # any of its words


def reason_of(result: list[Order | Repeat | Rejected]) -> str:
    (one,) = result
    return one.reason if isinstance(one, Rejected) else type(one).__name__


def test_a_command_as_an_outsider_takes_it_apart() -> None:
    """HMAC and CRC by the standard library and by hand; the identity of the vehicle is signed and does not travel."""
    frame = frame_of()
    assert frame[0] == frame[-1] == 0 and 0 not in frame[1:-1]
    content = cobs.decode(frame[1:-1])
    head = struct.pack(">HHH", 0x1000 | COMMAND_APID, 0xC000 | 5, len(content) - 2 - 6 - 1)
    body = struct.pack(">QIIIBh", BOOT, BOUND.hash32, 5, 6000, 0x10, 500)
    tag = hmac.new(KEY, b"BH2 command" + struct.pack(">I", 77) + head + body, hashlib.sha256).digest()[:16]
    assert content[:-2] == head + body + tag
    assert struct.pack(">I", 77) not in content


def test_safe_all_as_an_outsider_takes_it_apart() -> None:
    content = cobs.decode(build_safe_all_frame(KEY, 77, 9)[1:-1])
    head = struct.pack(">HHHI", 0x1000 | SAFE_ALL_APID, 0xC000 | 9, 4 + 16 - 1, 9)
    assert content[:-2] == head + hmac.new(KEY, b"BH2 safe all" + struct.pack(">I", 77) + head, hashlib.sha256).digest()[:16]


def test_every_binding_is_refused_with_its_reason() -> None:
    other = changed("0x10", "0x11")
    assert reason_of(started().receive(frame_of(), 1000)) == "Order"
    assert reason_of(started().receive(frame_of(vehicle=78), 1000)) == "wrong tag"
    assert reason_of(started().receive(frame_of(boot=OTHER_BOOT), 1000)) == "other boot"
    assert reason_of(started().receive(frame_of(until=999), 1000)) == "too late"
    assert reason_of(started().receive(frame_of(until=1000 + VALID_AT_MOST_MS + 1), 1000)) == "too late"
    assert reason_of(VehicleLink(other, KEY, BOOT).receive(frame_of(), 1000)) == "other dictionary"
    assert reason_of(started(last_counter=5).receive(frame_of(), 1000)) == "old counter"
    assert reason_of(started(store=lambda counter: False).receive(frame_of(), 1000)) == "not stored"
    assert reason_of(started().receive(frame_of(angle=2000), 1000)) == "out of range"


def test_a_vehicle_without_a_start_id_obeys_nothing_but_safe_all() -> None:
    nameless = VehicleLink(BOUND, KEY, 0)
    assert reason_of(nameless.receive(frame_of(), 1000)) == "other boot"
    assert reason_of(nameless.receive(build_safe_all_frame(KEY, 77, 1), 1000)) == "Order"
    with pytest.raises(ValueError, match="boot id 0"):
        frame_of(boot=0)


def test_a_command_for_no_start_is_never_obeyed() -> None:
    """Not by a vehicle that has none either: who holds the key could sign one for every start of such a vehicle."""
    body = struct.pack(">QIIIBh", 0, BOUND.hash32, 5, 6000, 0x10, 500)
    signed = struct.pack(">HHH", 0x1000 | COMMAND_APID, 0xC000 | 5, len(body) + 15) + body
    frame = b"\0" + encode_frame(append_crc(signed + bound_tag(KEY, COMMAND_LABEL, 77, signed)))
    assert reason_of(VehicleLink(BOUND, KEY, 0).receive(frame, 1000)) == "other boot"


def test_a_safe_all_with_the_counter_of_a_command_leaves_its_answers_alone() -> None:
    vehicle = started()
    (order,) = vehicle.receive(frame_of(5), 1000)
    assert isinstance(order, Order)
    done = vehicle.answer(order, "completed", "none", 1000)
    (safe,) = vehicle.receive(build_safe_all_frame(KEY, 77, 5), 1000)
    assert isinstance(safe, Order)
    vehicle.answer(safe, "completed", "none", 1000)
    (again,) = vehicle.receive(frame_of(5), 1000)
    assert isinstance(again, Repeat) and len(again.frames) == 1 and len(again.frames[0]) == len(done)
    assert vehicle.memory.safed_counter == 5


def test_what_was_refused_once_is_never_an_order_later() -> None:
    """A frame that came too late would be in time again when the clock has gone round: its counter is burned."""
    vehicle = started()
    late = frame_of(until=500)
    assert reason_of(vehicle.receive(late, 1000)) == "too late"
    assert reason_of(vehicle.receive(late, 400)) == "Repeat"
    assert reason_of(vehicle.receive(frame_of(4), 1000)) == "old counter"


def test_safe_all_is_obeyed_whatever_else_is_wrong() -> None:
    frame = build_safe_all_frame(KEY, 77, 3)
    for vehicle in (
        started(last_counter=1000),
        started(store=lambda counter: False),
        VehicleLink(BOUND, KEY, OTHER_BOOT),
        VehicleLink(changed("0x10", "0x11"), KEY, BOOT),
    ):
        for _ in range(3):
            (order,) = vehicle.receive(frame, 2**32 - 1)
            assert order == Order(3, "safe_all", {}, 0)
    assert reason_of(started(vehicle_id=78).receive(frame, 0)) == "wrong tag"


def test_what_was_sent_before_safe_all_is_not_obeyed_after_it() -> None:
    vehicle = started()
    vehicle.receive(build_safe_all_frame(KEY, 77, 6), 1000)
    assert reason_of(vehicle.receive(frame_of(5), 1000)) == "old counter"
    assert reason_of(vehicle.receive(frame_of(7), 1000)) == "Order"
    vehicle.receive(build_safe_all_frame(KEY, 77, 2), 1000)
    assert vehicle.last_counter == 7, "an old one heard again takes nothing back"


def test_two_radios_of_one_vehicle_obey_a_frame_once() -> None:
    memory = CommandMemory(BOUND, KEY, BOOT)
    one, other = VehicleLink(BOUND, KEY, BOOT, memory), VehicleLink(BOUND, KEY, BOOT, memory)
    assert reason_of(one.receive(frame_of(), 1000)) == "Order"
    assert reason_of(other.receive(frame_of(), 1000)) == "Repeat"


def test_junk_before_a_frame_does_not_take_it_along() -> None:
    assert [type(r).__name__ for r in started().receive(b"\x7e" + frame_of(), 1000)] == ["Rejected", "Order"]
    assert [type(r).__name__ for r in started().receive(frame_of(5)[:-1] + frame_of(6), 1000)] == ["Order", "Order"]


@pytest.mark.parametrize("bit", range(8 * (len(frame_of()) - 4)))
def test_no_flipped_bit_is_obeyed(bit: int) -> None:
    content = bytearray(cobs.decode(frame_of()[1:-1]))
    content[bit // 8] ^= 1 << bit % 8
    assert isinstance(open_bound_frame(KEY, 77, cobs.encode(bytes(content))), str)


def test_valid_until_follows_the_clock_over_its_wrap() -> None:
    assert is_in_time(3000, 2**32 - 2000) and is_in_time(500, 500)
    assert not is_in_time(2**32 - 1, 0) and not is_in_time(499, 500)


def test_boot_ids_never_repeat_and_are_never_zero() -> None:
    ids = {make_boot_id(KEY, starts, noise) for starts in range(100) for noise in (b"", b"a")}
    assert len(ids) == 200 and 0 not in ids
    assert make_boot_id(KEY, 1, b"") != make_boot_id(bytes(32), 1, b"")
    wanted = hmac.new(KEY, b"BH2 start" + struct.pack(">I", 7) + b"n", hashlib.sha256).digest()[:8]
    assert make_boot_id(KEY, 7, b"n") == int.from_bytes(wanted, "big")


def test_the_identity_packet_tells_the_start_and_is_signed() -> None:
    vehicle, ground = started(), Link(BOUND, KEY)
    events = events_of(ground, [vehicle.identity_frame(1234)])
    assert events[0] == BootIdLearned(BOOT) and ground.boot_id == BOOT
    received = events[1]
    assert isinstance(received, PacketReceived)
    said = Identity.of(received.values)
    assert (said.vehicle_id, said.dictionary_hash, said.boot_id) == (77, BOUND.hash32, BOOT)
    assert said.signed_by(KEY, 1234) and not said.signed_by(KEY, 1235) and not said.signed_by(bytes(32), 1234)
    again = events_of(ground, [VehicleLink(BOUND, KEY, OTHER_BOOT).identity_frame(20)])
    assert VehicleRestarted(OTHER_BOOT, 1) in again, "ids that end alike are not alike"


def test_a_safe_all_that_was_carried_out_is_told_whatever_the_dictionary() -> None:
    vehicle = started()
    (order,) = vehicle.receive(build_safe_all_frame(KEY, 77, 3), 0)
    assert isinstance(order, Order) and vehicle.memory.identity(0).safed_counter == 0
    vehicle.answer(order, "completed", "none", 10)
    assert vehicle.memory.identity(0).safed_counter == 3


def test_the_ground_sends_safe_all_before_it_has_heard_anything() -> None:
    ground = Link(BOUND, KEY)
    assert open_bound_frame(KEY, 77, ground.send("safe_all", {}, 4)[1:-1]) == SafeAllFrame(4)
    with pytest.raises(OurMistake, match="boot id"):
        ground.send("turn", {"angle": 0.1}, 5, 6000)
    events_of(ground, [started().identity_frame(0)])
    with pytest.raises(OurMistake, match="time is not known"):
        ground.send("turn", {"angle": 0.1}, 5)
    assert ground.send("turn", {"angle": 0.5}, 5, 6000) == frame_of()


def test_the_hash_covers_what_decides_a_command() -> None:
    hashes = {
        changed(old, new).hash32
        for old, new in (
            ("0x10", "0x11"),
            ("max = 1.0", "max = 0.9"),
            ("turn]", "twist]"),
            ("scale = 0.001", "scale = 0.002"),
        )
    }
    assert len(hashes | {BOUND.hash32}) == 5
    assert changed("Turns.", "Turns it.").hash32 == BOUND.hash32 == changed("= 77", "= 78").hash32


@pytest.mark.parametrize(
    "old, new, said",
    [
        ("wire = 2", "wire = 3", "speaks wire 1 and 2"),
        ("wire = 2", "wire = 1", "means nothing on wire version 1"),
        ("vehicle_id = 77", "vehicle_id = 0", "must be 1.."),
        ("vehicle_id = 77", "vehicle_id = 77\napid = 64", "belongs to the wire"),
        ("[packet.answer]\napid = 28", "[packet.answer]\napid = 2046", "already used by"),
        ("[packet.answer]", "[packet.identity]", "belongs to the wire"),
        ("[command.turn]", "[command.safe_all]", "is the wire's own"),
        ('role = "answer.boot_id"', 'role = "boot_id"', "the identity packet tells the start"),
        ('title = "Turn"', 'title = "Turn"\nsafes_all = true', "safe all belongs to the wire"),
    ],
)
def test_a_dictionary_that_contradicts_the_wire_is_refused(old: str, new: str, said: str) -> None:
    with pytest.raises(DictionaryError, match=said):
        changed(old, new)


def test_the_last_word_of_the_start_before_is_late_and_no_restart_back() -> None:
    """It was held back on its way past the first word of the new start: newer than all that was heard, and old news."""
    before, now = (VehicleLink(BOUND, KEY, boot, CommandMemory(BOUND, KEY, boot)) for boot in (BOOT, OTHER_BOOT))
    link = Link(BOUND, KEY)
    told = [
        (before.identity_frame(20_000), 20.0),
        (before.identity_frame(21_000), 23.2),  # held back for 2.2 s
        (now.identity_frame(0), 23.0),
        (now.identity_frame(1000), 24.0),
    ]
    events = []
    for frame, rx_s in sorted(told, key=lambda item: item[1]):
        link.receive_data(frame, rx_s)
        events += events_of(link, [b""])
    assert [e.boot_id for e in events if isinstance(e, VehicleRestarted)] == [OTHER_BOOT]
    assert [(e.time_ms, e.late) for e in events if isinstance(e, PacketReceived)] == [
        (20_000, False), (0, False), (21_000, True), (1000, False)]  # fmt: skip
    assert link.boot_id == OTHER_BOOT


def test_a_recorded_word_of_another_start_does_not_keep_the_living_one_out() -> None:
    """Whoever plays it has the station follow it, until the vehicle speaks again."""
    recorded, living = (VehicleLink(BOUND, KEY, boot, CommandMemory(BOUND, KEY, boot)) for boot in (BOOT, OTHER_BOOT))
    link = Link(BOUND, KEY)
    for frame, rx_s in [
        *((living.identity_frame(1000 * second), 100.0 + second) for second in range(5)),
        (recorded.identity_frame(70_000), 104.5),
        (living.identity_frame(5000), 105.0),
    ]:
        link.receive_data(frame, rx_s)
    assert link.boot_id == OTHER_BOOT
