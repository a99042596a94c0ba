"""Attacks: uplink frames with flipped bits, random and mutated frames at the vehicle; odd requests from a page.

The suite throws 10^5 frames of each kind. The long form is

    python -m tests.server.uplink.test_command_attacks --frames 1000000
"""

from __future__ import annotations

import argparse
import json
import random
import time
from collections import Counter
from itertools import combinations

import pytest

from protocol.checksum import append_crc, crc_holds
from protocol.commands import TAG_SIZE, build_command_frame
from protocol.framing import FrameSplitter, decode_frame, encode_frame
from protocol.vehicle import Order, Rejected, Repeat, VehicleLink
from server.live.acts import arguments_of, text_of
from tests.server.uplink.queue_oracles import decode
from tests.server.uplink.queue_world import KEY, A, dictionary, ready_world

BOOT = 7
NAMES = sorted(dictionary().commands)


def frame(command: str, counter: int = 5, boot_id: int = BOOT, key: bytes = KEY) -> bytes:
    described = dictionary().commands[command]
    args = described.pack_args({arg.name: 1 if arg.low <= 1 <= arg.high else 0 for arg in described.args})
    return build_command_frame(key, dictionary().uplink.apid, boot_id, counter, described.code, args)


def flip(data: bytes, *bits: int) -> bytes:
    out = bytearray(data)
    for bit in bits:
        out[bit // 8] ^= 1 << bit % 8
    return bytes(out)


def executed(vehicle: VehicleLink, data: bytes) -> list[Order | Repeat]:
    """Return what a vehicle would obey of these bytes; a delimiter before and after puts it in step."""
    return [judged for judged in vehicle.receive(b"\0" + data + b"\0") if not isinstance(judged, Rejected)]


# ---------------------------------------------------------------- frames


@pytest.mark.parametrize("command", NAMES)
def test_every_single_bit_flip_on_the_wire_is_not_executed(command: str) -> None:
    """I16."""
    good = frame(command)
    vehicle = VehicleLink(dictionary(), KEY, BOOT)
    for bit in range(len(good) * 8):
        assert executed(vehicle, flip(good, bit)) == [], f"bit {bit}"
    assert vehicle.last_counter == 0
    assert [o.command for o in executed(vehicle, good)] == [command], "and the frame itself is good"


@pytest.mark.parametrize("command", NAMES)
def test_every_bit_flip_under_a_repaired_crc_is_stopped_by_the_tag(command: str) -> None:
    """A stranger can compute the CRC; only the key stops him. Header, boot id, counter, code, arguments and tag."""
    packet = decode_frame(frame(command)[:-1])[:-2]
    vehicle = VehicleLink(dictionary(), KEY, BOOT)
    for bit in range(len(packet) * 8):
        assert executed(vehicle, encode_frame(append_crc(flip(packet, bit)))) == [], f"bit {bit}"


@pytest.mark.parametrize("command", ["channel_fire", "safe_all"])
def test_two_and_three_flipped_bits_are_found_by_the_crc(command: str) -> None:
    """I16: The CRC's polynomial finds all double errors within 32751 bits; triples are drawn at random."""
    content = decode_frame(frame(command)[:-1])
    bits = range(len(content) * 8)
    assert not any(crc_holds(flip(content, *pair)) for pair in combinations(bits, 2))
    rng = random.Random(3)
    assert not any(crc_holds(flip(content, *rng.sample(bits, 3))) for _ in range(5000))


def test_hazardous_codes_are_four_bits_from_all_others() -> None:
    """I16."""
    commands = list(dictionary().commands.values())
    for one in (c for c in commands if c.hazard == "hazardous"):
        assert one.code not in (0, 0xFF)
        assert min((one.code ^ other.code).bit_count() for other in commands if other is not one) >= 4


@pytest.mark.parametrize("length", range(TAG_SIZE))
def test_shortened_tag_is_not_enough(length: int) -> None:
    packet = decode_frame(frame("safe_all")[:-1])[: -2 - TAG_SIZE]
    tag = decode_frame(frame("safe_all")[:-1])[-2 - TAG_SIZE : -2][:length]
    assert executed(VehicleLink(dictionary(), KEY, BOOT), encode_frame(append_crc(packet + tag))) == []


def test_other_key_other_start_and_old_counters_are_not_executed() -> None:
    vehicle = VehicleLink(dictionary(), KEY, BOOT)
    assert executed(vehicle, frame("ping", key=KEY[::-1])) == []
    assert executed(vehicle, frame("ping", boot_id=BOOT + 1)) == []
    assert len(executed(vehicle, frame("ping", counter=20))) == 1
    for counter in range(1, 20):
        assert executed(vehicle, frame("ping", counter=counter)) == []
    (again,) = executed(vehicle, frame("ping", counter=20))
    assert isinstance(again, Repeat)


def test_captured_uplink_played_back_only_repeats_old_answers() -> None:
    """I8."""
    world = ready_world()
    for command, args in (("board_release", {}), ("channel_arm", {"channel": 1}), ("channel_fire", {"channel": 1})):
        assert world.arm_and_confirm(command, **args).ok
        world.advance(1.0)
    before = list(world.vehicle.executed)
    assert [e.command for e in before] == ["board_release", "channel_arm", "channel_fire"]
    for _ in range(3):
        for captured in world.up.history:
            assert world.vehicle.receive(captured), "the old answers come again"
    assert world.vehicle.executed == before
    world.reboot()
    for captured in world.up.history:
        world.vehicle.receive(captured)
    assert world.vehicle.executed == before


def test_frames_out_of_order_are_refused_by_the_vehicle() -> None:
    """I9."""
    vehicle = VehicleLink(dictionary(), KEY, BOOT)
    order = [3, 1, 2, 5, 4, 3, 5]
    done = [o.counter for n in order for o in executed(vehicle, frame("ping", counter=n)) if isinstance(o, Order)]
    assert done == [3, 5]
    (judged,) = vehicle.receive(frame("channel_fire", counter=2))
    assert isinstance(judged, Rejected) and judged.reason == "old counter" and judged.answer


def test_arming_on_the_vehicle_ends_by_itself_and_firing_is_then_refused() -> None:
    """I9."""
    world = ready_world()
    world.arm_and_confirm("channel_arm", channel=1)
    world.advance(1.0)
    armed = world.arm("channel_fire", channel=1)
    assert armed.ok
    world.vehicle.now_s += 61.0
    fire = frame("channel_fire", counter=50)
    world.vehicle.receive(fire)
    assert [e.command for e in world.vehicle.executed] == ["channel_arm"]


def test_counter_is_burned_even_by_a_command_that_makes_no_sense() -> None:
    vehicle = VehicleLink(dictionary(), KEY, BOOT)
    apid = dictionary().uplink.apid
    for counter, (code, args) in enumerate([(0x01, b""), (0x2D, b""), (0x2D, b"\x09"), (0x2D, b"\x01\x01")], 5):
        data = build_command_frame(KEY, apid, BOOT, counter, code, args)
        assert executed(vehicle, data) == []
        assert vehicle.last_counter == counter
        assert [type(again) for again in executed(vehicle, data)] == [Repeat]


def throw_frames(count: int, seed: int) -> Counter[str]:
    """Throw `count` random and `count` mutated frames at a vehicle; return what became of them."""
    rng = random.Random(seed)
    vehicle = VehicleLink(dictionary(), KEY, BOOT)
    good = [frame(name, counter=n) for n, name in enumerate(NAMES, 1000)]
    packets = [decode_frame(one[:-1])[:-2] for one in good]
    counts: Counter[str] = Counter()
    for number in range(count):
        content = rng.randbytes(rng.randint(1, 60))
        random_frame = encode_frame(append_crc(content)) if number % 2 else content + b"\0"
        for kind, data in (("random", random_frame), ("mutated", mutate(rng, good, packets))):
            if data in good:
                continue
            for judged in vehicle.receive(data):
                counts[f"{kind}: {'EXECUTED' if not isinstance(judged, Rejected) else judged.reason}"] += 1
        vehicle.receive(b"\0")
    assert vehicle.last_counter == 0
    return counts


def mutate(rng: random.Random, good: list[bytes], packets: list[bytes]) -> bytes:
    """Return a good frame spoiled somehow: bits, bytes, cuts, joins; or a spoiled packet with a right CRC."""
    number = rng.randrange(len(good))
    how = rng.randrange(5)
    if how == 0:
        return flip(good[number], *rng.sample(range(len(good[number]) * 8), rng.randint(1, 3)))
    if how == 1:
        cut = rng.randrange(len(good[number]) - 1)
        return good[number][:cut] + good[rng.randrange(len(good))][cut + 1 :]
    packet = packets[number]
    if how == 2:
        return encode_frame(append_crc(flip(packet, *rng.sample(range(len(packet) * 8), rng.randint(1, 4)))))
    if how == 3:
        other = packets[rng.randrange(len(packets))]
        mixed = packet[:-TAG_SIZE] + other[-TAG_SIZE:]
        return encode_frame(append_crc(mixed if mixed != packet else packet[:-1]))
    body = packet[:-TAG_SIZE] + rng.randbytes(TAG_SIZE)
    return encode_frame(append_crc(body))


def test_hundred_thousand_random_and_mutated_frames_execute_nothing() -> None:
    counts = throw_frames(100_000, seed=11)
    assert not any("EXECUTED" in name for name in counts), counts
    assert sum(n for name, n in counts.items() if name.startswith("random")) > 90_000
    assert sum(n for name, n in counts.items() if name.startswith("mutated")) > 90_000
    assert counts["mutated: wrong tag"] > 30_000, "most mutated frames reach the last barrier"


def test_every_frame_of_the_station_reads_the_same_to_an_outsider() -> None:
    """I16."""
    world = ready_world()
    for number, name in enumerate(NAMES, 1):
        described = dictionary().commands[name]
        for pick in ("low", "high"):
            args = {arg.name: getattr(arg, pick) for arg in described.args}
            decoded = decode(world, world.link.send(name, args, number))
            assert (decoded.boot_id, decoded.counter, decoded.command) == (BOOT, number, name)
            assert dict(decoded.args) == pytest.approx(args)


def test_frame_after_noise_of_any_length_is_still_found_once() -> None:
    rng = random.Random(5)
    splitter = FrameSplitter()
    for size in (0, 1, 254, 255, 256, 300, 5000):
        noise = bytes(rng.randrange(1, 256) for _ in range(size))
        found = [data for data, dropped in splitter.feed(noise + b"\0" + frame("ping")) if data and not dropped]
        assert frame("ping")[:-1] in found


# ---------------------------------------------------------------- requests from a page

NESTED = "[" * 900 + "]" * 900
ODD = [
    "null", "true", "false", "-1", "0", "5", "1.5", "1e400", "-1e400", "NaN", "Infinity", "9" * 4000, '""', '"1"',
    '"\\ud800"', '"' + "x" * 5000 + '"', "[]", "[1]", "{}", '{"channel": 1}', NESTED, '{"a": ' * 300 + "1" + "}" * 300,
]  # fmt: skip


@pytest.mark.parametrize("odd", ODD, ids=range(len(ODD)))
def test_odd_value_as_an_argument_is_refused_in_words_and_never_raises(odd: str) -> None:
    world = ready_world()
    value = json.loads(odd)
    args = arguments_of({"channel": value})
    json.dumps(args, allow_nan=False).encode("utf-8", "replace")
    good = world.arm("channel_arm", channel=1)
    world.advance(0.5)
    for reply in (
        world.queue.confirm(str(good.id), "channel_arm", args, A, world.now_s),
        world.queue.submit("channel_safe", args, A, world.now_s),
        world.queue.arm("channel_arm", args, A, world.now_s),
    ):
        assert reply.ok is False and reply.sentence and len(reply.sentence) < 200
    world.carry_out()
    world.advance(1.0)
    assert world.vehicle.executed == []


@pytest.mark.parametrize("odd", ODD, ids=range(len(ODD)))
def test_odd_value_in_place_of_the_arguments_or_names_is_refused(odd: str) -> None:
    world = ready_world()
    value = json.loads(odd)
    args = arguments_of(value)
    if value not in (None, {}):
        assert world.queue.arm("board_release", args, A, world.now_s).ok is False
    name = text_of(value)
    assert len(name) <= 40 and name.isprintable()
    for reply in (
        world.queue.submit(name, {}, A, world.now_s),
        world.queue.arm(name, {}, A, world.now_s),
        world.queue.confirm(name, name, {}, A, world.now_s),
        world.queue.cancel(name, A, world.now_s),
    ):
        assert reply.ok is False and reply.sentence
    world.carry_out()
    assert world.up.history == []


def test_names_of_arguments_cannot_carry_anything_long_or_unprintable() -> None:
    args = arguments_of({"x" * 1000: 1, "\ud800\n": 2, **{f"n{i}": i for i in range(100)}})
    assert len(args) <= 16
    assert all(len(name) <= 20 and (name.isprintable()) for name in args)
    assert arguments_of({"channel": 2, "angle": 0.1}) == {"channel": 2, "angle": 0.1}


def test_fuzzed_requests_never_raise_and_never_send_anything_hazardous() -> None:
    rng = random.Random(17)
    world = ready_world()
    values = [json.loads(odd) for odd in ODD if len(odd) < 100] + [1, 2, 3, 0.1]
    words = [*NAMES, "", "c1", "c2", "safe all"]
    for _ in range(3000):
        names = ("channel", "fin", "angle", "on", "camera")
        args = arguments_of({rng.choice(names): rng.choice(values) for _ in range(2)})
        command, id = text_of(rng.choice(words)), text_of(rng.choice(words))
        act = rng.choice(["submit", "arm", "cancel"])
        if act == "cancel":
            world.queue.cancel(id, A, world.now_s)
        else:
            getattr(world.queue, act)(command, args, A, world.now_s)
        world.carry_out()
        if rng.random() < 0.05:
            world.advance(0.1)
    hazards = {world.dictionary.commands[e.command].hazard for e in world.vehicle.executed}
    assert hazards == {"routine"}


def main() -> None:
    """Throw many frames and print what became of them."""
    parser = argparse.ArgumentParser(description="Random and mutated uplink frames against the vehicle's side.")
    parser.add_argument("--frames", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    chosen, began = parser.parse_args(), time.monotonic()
    counts = throw_frames(chosen.frames, chosen.seed)
    for name in sorted(counts):
        print(f"{counts[name]:>9}  {name}")
    done = sum(n for name, n in counts.items() if "EXECUTED" in name)
    print(f"{done:>9}  executed, in {time.monotonic() - began:.0f} s")
    raise SystemExit(1 if done else 0)


if __name__ == "__main__":
    main()
