"""The compiled library through its process: byte for byte what the ground's own code makes, and its failures in words."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from protocol.bound import build_bound_frame, build_safe_all_frame
from protocol.events import PacketReceived
from protocol.identity import Identity
from protocol.link import Link
from protocol.vehicle import Order, Rejected, Repeat
from server.firmware.process_link import RADIOS, EncoderProblem, ProcessLink, ProcessMemory, Program
from tests.protocol.helpers import SMALL_VALUES, events_of
from tests.server.firmware.agreement import BOOT, KEY, ODD, Pair, compare, hear_beside_a_limit
from tests.server.firmware.build import DICTIONARIES, SANDPIPER_2, SMALL_2, program

TURN = SMALL_2.commands["turn"]
ARGS = TURN.pack_args({"thing": 1, "angle": 0.1, "force": 0.5})


KINDS = (
    "genuine", "raw_arguments", "repeat", "old", "safe_all", "other_boot", "other_vehicle", "other_dictionary", "late",
    "unknown", "forged", "header", "flipped", "noise", "long", "zero",
)  # fmt: skip


@pytest.mark.parametrize("kind", ["host", "host-sanitized"])
@pytest.mark.parametrize("name", DICTIONARIES)
def test_c_and_python_agree_on_packets_and_commands(name: str, kind: str) -> None:
    seen = compare(name, 700, 900, seed=1, kind=kind)
    assert seen["packets"] == 700 and seen["refused"] and seen["orders"] > 100 and seen["safe_alls"] and seen["identities"]
    assert all(seen.get(what, 0) for what in KINDS)


def test_c_and_python_agree_on_every_odd_float() -> None:
    with Program(program("small")) as machine:
        pair = Pair(SMALL_2, machine)
        largest = (3.4028234663852886e38, 3.4028235677973364e38, 3.4028235677973366e38, 3.4028236e38, -3.5e38)
        for value in [*ODD, *largest, 7e-46, 7.1e-46, 255.5, 254.5, -0.5, -0.51, 256.0, 4294967295.5, 3.5]:
            for name in ("a_f32", "a_f64", "a_u16", "a_i16", "a_u8", "a_u32", "a_i32", "low", "pair", "wide", "whole"):
                frames = [link.frame("all", 1, {**SMALL_VALUES, name: value}) for link in (pair.python, pair.c)]
                assert frames[0] == frames[1], (name, value)
                assert pair.python.refused == pair.c.refused, (name, value)


@pytest.mark.parametrize("sign", [1, -1])
def test_halves_are_rounded_to_even_as_python_does(sign: int) -> None:
    with Program(program("wide")) as machine:
        pair = Pair(DICTIONARIES["wide"], machine)
        for half in (0.5, 1.5, 2.5, 2147483646.5, 2147483647.5, 2147483648.5, 0.49999999999999994):
            for beside in (half, math.nextafter(half, 0), math.nextafter(half, 1e300)):
                values = {"double": sign * beside * 1e-7, "new": 0}
                frames = [link.frame("int", 1, values) for link in (pair.python, pair.c)]
                assert frames[0] == frames[1] and pair.python.refused == pair.c.refused, sign * beside


def test_a_whole_number_beside_a_limit_is_itself() -> None:
    with Program(program("wide")) as machine:
        hear_beside_a_limit(Pair(DICTIONARIES["wide"], machine))


def test_counts_and_time_wrap_alike() -> None:
    with Program(program("small")) as machine:
        pair = Pair(SMALL_2, machine)
        for number in range(16_390):
            time_ms = 2**32 - 5 + number
            assert pair.python.frame("hello", time_ms, {"boot_id": 1}) == pair.c.frame("hello", time_ms, {"boot_id": 1})


def test_a_sensor_gone_wrong_does_not_silence_its_packet() -> None:
    """What is no number goes out as the value farthest from zero, and is counted; the packet's count goes on."""
    with Program(program("sandpiper")) as machine:
        link, ground = ProcessLink(machine, SANDPIPER_2, KEY, BOOT), Link(SANDPIPER_2)
        rest = {"pressure": 94000.0, "temperature": 290.0, "altitude": 0.0}
        values = [{**rest, "pressure": value} for value in (math.nan, 1e12, -5.0, 94000.0)]
        events = events_of(ground, [link.frame("barometer", 0, one) for one in values])
        heard = [event for event in events if isinstance(event, PacketReceived)]
        assert [event.count for event in heard] == [0, 1, 2, 3]
        highest = (2**32 - 1) * SANDPIPER_2.packets["barometer"].channel("pressure").scale
        assert [event.values[0] for event in heard] == [highest, highest, 0.0, 94000.0]
        assert link.refused == 3


def test_two_radios_are_one_vehicle() -> None:
    """A frame heard by both is obeyed once; each counts its own packets; who it is can be given to one board."""
    with Program(program("small")) as machine:
        memory = ProcessMemory(machine, SMALL_2, KEY, BOOT, vehicle_id=77, last_counter=8)
        one, other = (ProcessLink(machine, SMALL_2, KEY, BOOT, memory) for _ in range(2))
        old, new = (build_bound_frame(KEY, 77, BOOT, SMALL_2.hash32, n, 5000, TURN.code, ARGS) for n in (8, 9))
        (order,) = one.receive(new)
        assert isinstance(order, Order)
        assert other.receive(new) == []  # nothing answered yet
        done = one.answer(order, "completed", "none", 3)
        assert other.receive(new, 3) == [Repeat(0, (done,))]
        assert [type(item) for item in other.receive(old)] == [Repeat]
        (safe,) = other.receive(build_safe_all_frame(KEY, 77, 1))
        assert safe == Order(1, "safe_all", {}, 0) and one.last_counter == 9
        assert other.receive(build_safe_all_frame(KEY, 78, 20)) == [Rejected("dropped")]
        with pytest.raises(EncoderProblem, match=f"has {RADIOS} radios"):
            [ProcessLink(machine, SMALL_2, KEY, BOOT, memory) for _ in range(RADIOS)]


@pytest.mark.parametrize("boot_id", [0, BOOT])
def test_a_vehicle_without_a_start_id_obeys_nothing_but_safe_all_and_says_so(boot_id: int) -> None:
    with Program(program("small")) as machine:
        pair = Pair(SMALL_2, machine, boot_id)
        frame = build_bound_frame(KEY, SMALL_2.uplink.vehicle_id, BOOT, SMALL_2.hash32, 9, 5000, TURN.code, ARGS)
        assert len(pair.hear(frame, 0)) == (boot_id != 0)
        assert [order.code for order in pair.hear(build_safe_all_frame(KEY, SMALL_2.uplink.vehicle_id, 3), 0)] == [0]
        pair.identity(1)
        (event,) = [e for e in events_of(Link(SMALL_2), [pair.c.identity_frame(1)]) if isinstance(e, PacketReceived)]
        told = Identity.of(event.values)
        assert told.boot_id == boot_id and told.signed_by(KEY, 1)


def test_safe_all_is_obeyed_by_c_whatever_else_is_wrong() -> None:
    frame = build_safe_all_frame(KEY, SMALL_2.uplink.vehicle_id, 3)
    with Program(program("small")) as machine:
        pair = Pair(SMALL_2, machine, last_counter=1000)
        pair.fail_stores(True)
        for now_ms in (0, 2**31, 2**32 - 1):
            for pair.radio in (0, 1):
                (order,) = pair.hear(b"\x7e" + frame, now_ms)  # one junk byte before it
                pair.answer(order, "completed", "none", now_ms)
        assert pair.c_memory.safed_counter == 3


def test_a_safe_all_with_the_counter_of_a_command_leaves_its_answers_alone() -> None:
    with Program(program("small")) as machine:
        pair = Pair(SMALL_2, machine)
        frame = build_bound_frame(KEY, SMALL_2.uplink.vehicle_id, BOOT, SMALL_2.hash32, 9, 5000, TURN.code, ARGS)
        (order,) = pair.hear(frame, 0)
        pair.answer(order, "accepted", "none", 0)
        (safe,) = pair.hear(build_safe_all_frame(KEY, SMALL_2.uplink.vehicle_id, 9), 0)
        pair.answer(safe, "completed", "none", 0)
        assert pair.hear(frame, 0) == []


def test_a_third_answer_is_sent_but_not_repeated() -> None:
    """The library keeps two answers per command: one of accepted and refused, one of completed and failed."""
    with Program(program("small")) as machine:
        link = ProcessLink(machine, SMALL_2, KEY, BOOT)
        order = Order(1, "turn", {}, 0x10)
        assert len({link.answer(order, stage, "none", 0) for stage in ("accepted", "completed", "failed")}) == 3


def test_a_program_that_is_not_there_or_no_encoder_is_said_in_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(EncoderProblem, match="cannot be started"):
        Program(tmp_path / "nothing")
    with Program(Path("/bin/true")) as nothing, pytest.raises(EncoderProblem, match="has ended"):
        nothing.ask("N", b"\0")
