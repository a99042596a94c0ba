"""The vehicle's end: executed once, answered the same, and never for a frame that is not plainly ours."""

from __future__ import annotations

import math
import random
import struct

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from protocol.commands import build_command_frame
from protocol.errors import ValueRefused
from protocol.events import BootIdLearned, PacketReceived
from protocol.packets import PrimaryHeader
from protocol.vehicle import ANSWERS_KEPT, Order, Rejected, Repeat, VehicleLink
from tests.protocol.helpers import KEY, SANDPIPER, SMALL, SMALL_VALUES, heard, random_chunks, telemetry

ARGS = struct.pack(">Bhf", 2, 1000, 0.5)


def vehicle(boot_id: int = 5) -> VehicleLink:
    return VehicleLink(SMALL, KEY, boot_id)


def order(counter: int, boot_id: int = 5, code: int = 0x10, args: bytes = ARGS, key: bytes = KEY, apid: int = 9) -> bytes:
    return build_command_frame(key, apid, boot_id, counter, code, args)


def answers(*frames: bytes | None) -> list[tuple[float, ...]]:
    """Return (boot id, counter, code, stage, reason) of answer frames, read by the ground's own rules."""
    return [e.values for f in frames for e in heard(SMALL, f or b"") if isinstance(e, PacketReceived)]


ACCEPTED, REFUSED, COMPLETED = 0.0, 1.0, 2.0
NONE, OUT_OF_RANGE, OLD_COUNTER, OTHER_BOOT, UNKNOWN = 0.0, 1.0, 2.0, 3.0, 4.0


# ---------------------------------------------------------------- downlink


def test_its_frames_are_the_wire_by_hand() -> None:
    link = vehicle()
    fields = SMALL.packets["all"].pack(SMALL_VALUES)
    assert link.frame("all", 123_456, SMALL_VALUES) == telemetry(1, 0, 123_456, fields)
    assert link.frame("all", 123_556, SMALL_VALUES) == telemetry(1, 1, 123_556, fields)
    assert link.frame("hello", 123_600, {"boot_id": 5}) == telemetry(2, 0, 123_600, b"\x00\x05")


def test_count_and_clock_wrap() -> None:
    link = vehicle()
    frames = [link.frame("hello", 0, {"boot_id": 5}) for _ in range(16385)]
    assert frames[16383] == telemetry(2, 16383, 0, b"\x00\x05") and frames[16384] == frames[0]
    assert link.frame("beat", 2**32 + 7, {"boot": 5, "n": 1}) == telemetry(3, 0, 7, b"\x00\x05\x01")


def test_a_value_that_does_not_fit_goes_out_as_the_nearest_and_is_counted() -> None:
    link = vehicle()
    assert link.frame("beat", 0, {"boot": 5, "n": 256}) == telemetry(3, 0, 0, b"\x00\x05\xff")
    assert link.frame("beat", 0, {"boot": -3, "n": math.nan}) == telemetry(3, 1, 0, b"\x00\x00\xff")
    assert link.refused == 3


def test_what_is_no_number_at_all_is_refused_and_takes_no_count() -> None:
    link = vehicle()
    for n in ({"boot": 5}, {"boot": 5, "n": None}, {"boot": 5, "n": "many"}):
        with pytest.raises(ValueRefused):
            link.frame("beat", 0, n)
    assert link.frame("beat", 0, {"boot": 5, "n": 1}) == telemetry(3, 0, 0, b"\x00\x05\x01") and link.refused == 0


def test_the_ground_hears_what_the_vehicle_says() -> None:
    link = VehicleLink(SANDPIPER, KEY, 77)
    learned, who, packet = heard(SANDPIPER, link.identity_frame(4), link.frame("startup", 5, {"firmware": "demo"}))
    assert learned == BootIdLearned(77)
    assert who.values[:4] == (2.0, 0.0, 1001.0, float(SANDPIPER.hash32)) and who.time_ms == 4
    assert packet.values == ("demo",) and packet.time_ms == 5


# ---------------------------------------------------------------- commands taken


def test_a_good_command_is_an_order_once() -> None:
    link = vehicle()
    (first,) = link.receive(order(1))
    assert first == Order(1, "turn", {"thing": 2, "angle": 1000 * 0.0001, "force": 0.5}, 0x10)
    assert (link.last_counter, link.frames_good, link.frames_bad) == (1, 1, 0)
    assert answers(link.answer(first, "accepted", "none", 10)) == [(5, 1, 0x10, ACCEPTED, NONE)]


def test_a_repeat_gets_the_same_answers_and_executes_nothing() -> None:
    link = vehicle()
    (first,) = link.receive(order(1))
    sent = [link.answer(first, "accepted", "none", 10), link.answer(first, "completed", "none", 20)]
    (again,) = link.receive(order(1), 30)
    assert isinstance(again, Repeat) and again.counter == 1
    assert answers(*again.frames) == answers(*sent) == [(5, 1, 0x10, ACCEPTED, NONE), (5, 1, 0x10, COMPLETED, NONE)]
    (third,) = link.receive(order(1), 40)
    assert answers(*third.frames) == answers(*sent)
    headers = [PrimaryHeader.unpack(cobs.decode(frame[:-1])) for frame in (*sent, *again.frames, *third.frames)]
    assert [header.count for header in headers] == [0, 1, 2, 3, 4, 5], (
        "each answer is a new packet with the next sequence count"
    )
    assert link.frames_good == 1


def test_a_repeat_before_any_answer_has_none_to_repeat() -> None:
    link = vehicle()
    link.receive(order(1))
    assert link.receive(order(1)) == [Repeat(1, ())]


def test_an_older_counter_is_refused() -> None:
    link = vehicle()
    link.receive(order(10))
    (old,) = link.receive(order(9), 50)
    assert old.reason == "old counter"
    assert answers(old.answer) == [(5, 9, 0x10, REFUSED, OLD_COUNTER)]
    assert link.last_counter == 10 and link.frames_bad == 1
    (new,) = link.receive(order(11))
    assert isinstance(new, Order)


def test_counters_may_jump_ahead_as_far_as_they_like() -> None:
    link = vehicle()
    kinds = [type(link.receive(order(c))[0]) for c in (1, 2, 500, 16385, 0xFFFF_FFFF, 0xFFFF_FFFE)]
    assert kinds == [Order] * 5 + [Rejected]


def test_answers_are_kept_for_the_latest_commands_only() -> None:
    link = vehicle()
    for counter in range(1, ANSWERS_KEPT + 2):
        (one,) = link.receive(order(counter))
        link.answer(one, "accepted", "none", 0)
    (forgotten,) = link.receive(order(1))
    assert forgotten.reason == "old counter", "too old to remember is refused, never executed again"
    (kept,) = link.receive(order(2))
    assert isinstance(kept, Repeat)


def test_another_boot_is_refused_and_burns_nothing() -> None:
    link = vehicle(boot_id=6)
    (other,) = link.receive(order(1, boot_id=5))
    assert other.reason == "other boot"
    assert answers(other.answer) == [(5, 1, 0x10, REFUSED, OTHER_BOOT)], "answered to the boot it was meant for"
    assert link.last_counter == 0
    assert isinstance(link.receive(order(1, boot_id=6))[0], Order)


def test_a_new_start_executes_nothing_meant_for_the_old_one() -> None:
    recorded = [order(counter) for counter in range(1, 30)]
    before = vehicle(boot_id=5)
    assert all(isinstance(before.receive(frame)[0], Order) for frame in recorded)
    after = vehicle(boot_id=6)
    assert all(after.receive(frame)[0].reason == "other boot" for frame in recorded)


@pytest.mark.parametrize(
    ("frame", "reason", "code", "answer_reason"),
    [
        (order(1, code=0x11, args=b""), "unknown command", 0x11, UNKNOWN),
        (order(1, args=struct.pack(">Bhf", 5, 0, 0.5)), "out of range", 0x10, OUT_OF_RANGE),
        (order(1, args=struct.pack(">Bhf", 1, 2619, 0.5)), "out of range", 0x10, OUT_OF_RANGE),
        (order(1, args=ARGS + b"\0"), "out of range", 0x10, OUT_OF_RANGE),
        (order(1, args=b""), "out of range", 0x10, OUT_OF_RANGE),
    ],
)
def test_a_command_without_sense_is_refused_and_its_counter_burnt(
    frame: bytes, reason: str, code: int, answer_reason: float
) -> None:
    link = vehicle()
    (refused,) = link.receive(frame)
    assert refused.reason == reason
    assert answers(refused.answer) == [(5, 1, code, REFUSED, answer_reason)]
    (again,) = link.receive(frame)
    assert answers(*again.frames) == answers(refused.answer), "a repeat gets the same refusal"
    (reused,) = link.receive(order(1))
    assert isinstance(reused, Repeat), "no counter is ever tried twice, not even with a command that makes sense"
    assert link.last_counter == 1


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        (order(1, key=bytes(32)), "wrong tag"),
        (order(1, apid=10), "not a command for this vehicle"),
        (b"AT\r\0", "bad stuffing"),
        (b"x" * 400 + b"\0", "bytes skipped"),
        (vehicle().frame("hello", 0, {"boot_id": 5}), "too short"),
        (vehicle().frame("all", 0, SMALL_VALUES), "not a command for this vehicle"),
    ],
)
def test_what_is_not_ours_gets_no_answer(frame: bytes, reason: str) -> None:
    link = vehicle()
    assert link.receive(frame) == [Rejected(reason)]
    assert (link.frames_good, link.frames_bad, link.last_counter) == (0, 1, 0)


def test_every_bit_flipped_as_sent_is_never_an_order() -> None:
    frame, after = order(1), order(2)
    for bit in range(8 * len(frame)):
        damaged = bytearray(frame)
        damaged[bit // 8] ^= 1 << bit % 8
        link = vehicle()
        out = link.receive(bytes(damaged)) + link.receive(b"\0" if bit >= 8 * (len(frame) - 1) else b"")
        assert out and not any(isinstance(item, Order | Repeat) for item in out), bit
        assert link.last_counter == 0
        (next_one,) = link.receive(after)
        assert isinstance(next_one, Order), "and the next good one is taken"


def test_the_delimiter_flipped_glues_two_commands_and_executes_neither() -> None:
    link = vehicle()
    out = link.receive(order(1)[:-1] + b"\x01" + order(2)) + link.receive(order(3))
    assert [type(item) for item in out] == [Rejected, Order] and out[-1].counter == 3


@given(st.lists(st.integers(1, 12), max_size=30), st.randoms(use_true_random=False))
def test_any_order_of_arrival_in_any_chunks_executes_each_once(counters: list[int], rng: random.Random) -> None:
    data = b"".join(order(counter) for counter in counters)
    link, whole = vehicle(), vehicle().receive(data)
    out = [item for chunk in random_chunks(data, rng, 70) for item in link.receive(chunk)]
    assert [type(item) for item in out] == [type(item) for item in whole]
    done = [item.counter for item in out if isinstance(item, Order)]
    assert done == sorted(set(done)), "each at most once, only ever growing"
    highest, expected = 0, []
    for counter in counters:
        if counter > highest:
            highest = counter
            expected.append(counter)
    assert done == expected


def test_one_megabyte_of_noise_is_never_an_order() -> None:
    rng = random.Random(21)
    link = vehicle()
    for _ in range(256):
        assert not any(isinstance(item, Order | Repeat) for item in link.receive(rng.randbytes(4096)))
    assert link.last_counter == 0 and link.frames_good == 0
    (rejected, taken) = link.receive(b"x\0" + order(1))
    assert isinstance(rejected, Rejected) and isinstance(taken, Order)
