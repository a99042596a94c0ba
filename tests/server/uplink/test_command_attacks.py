"""Attacks: uplink frames with flipped bits, random and mutated frames at the vehicle; odd requests from a page.

Every attack on frames goes against both versions of the wire. The suite throws 10^5 frames of each kind. The long form is

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

from protocol.bound import VALID_AT_MOST_MS, build_bound_frame, build_safe_all_frame
from protocol.checksum import append_crc, crc_holds
from protocol.commands import TAG_SIZE, build_command_frame
from protocol.dictionary import Dictionary
from protocol.framing import FrameSplitter, decode_frame, encode_frame
from protocol.vehicle import Order, Rejected, Repeat, VehicleLink
from server.live.acts import arguments_of, text_of
from tests.server.uplink.queue_oracles import decode
from tests.server.uplink.queue_world import KEY, A, dictionary, first_wire, ready_unbound_world, ready_world

BOOT = 7
NOW_MS = 60_000  # the vehicle's clock while it is attacked
# What every vehicle that stands here obeys: a build for flight refuses rehearsal, and wire 1 has none.
NAMES = sorted(name for name, command in dictionary().commands.items() if not command.rehearsal)
WIRES = {"wire 1": first_wire, "wire 2": dictionary}


@pytest.fixture(params=sorted(WIRES))
def words(request: pytest.FixtureRequest) -> Dictionary:
    """The Sandpiper's dictionary on each version of the wire."""
    return WIRES[request.param]()


def numbered(words: Dictionary, code: int, args: bytes, counter: int, **bound: int) -> bytes:
    """Return a frame with these bytes in it, signed for the vehicle under attack but for what `bound` says otherwise."""
    if not words.is_bound:
        return build_command_frame(KEY, words.uplink.apid, BOOT, counter, code, args)
    named = {
        "vehicle_id": words.uplink.vehicle_id,
        "boot_id": BOOT,
        "dictionary_hash": words.hash32,
        "valid_until_ms": NOW_MS + 5000,
        **bound,
    }
    return build_bound_frame(KEY, counter=counter, code=code, args=args, **named)


def frame(words: Dictionary, command: str, counter: int = 5, boot_id: int = BOOT, key: bytes = KEY) -> bytes:
    described = words.commands[command]
    args = described.pack_args({arg.name: 1 if arg.low <= 1 <= arg.high else 0 for arg in described.args})
    if not words.is_bound:
        return build_command_frame(key, words.uplink.apid, boot_id, counter, described.code, args)
    vehicle_id = words.uplink.vehicle_id
    if described.safes_all:
        return build_safe_all_frame(key, vehicle_id, counter)
    return build_bound_frame(key, vehicle_id, boot_id, words.hash32, counter, NOW_MS + 5000, described.code, args)


def packet_of(encoded: bytes) -> bytes:
    """Return the packet in a frame, without its zeros, stuffing and CRC."""
    return decode_frame(encoded.strip(b"\0"))[:-2]


def flip(data: bytes, *bits: int) -> bytes:
    out = bytearray(data)
    for bit in bits:
        out[bit // 8] ^= 1 << bit % 8
    return bytes(out)


def executed(vehicle: VehicleLink, data: bytes) -> list[Order | Repeat]:
    """Return what a vehicle would obey of these bytes; a delimiter before and after puts it in step."""
    return [judged for judged in vehicle.receive(b"\0" + data + b"\0", NOW_MS) if not isinstance(judged, Rejected)]


# ---------------------------------------------------------------- frames


@pytest.mark.parametrize("command", NAMES)
def test_every_single_bit_flip_on_the_wire_is_not_executed(words: Dictionary, command: str) -> None:
    """I16."""
    good = frame(words, command)
    vehicle = VehicleLink(words, KEY, BOOT)
    for bit in range(len(good) * 8):
        assert executed(vehicle, flip(good, bit)) == [], f"bit {bit}"
    assert vehicle.last_counter == 0
    assert [o.command for o in executed(vehicle, good)] == [command], "and the frame itself is good"


@pytest.mark.parametrize("command", NAMES)
def test_every_bit_flip_under_a_repaired_crc_is_stopped_by_the_tag(words: Dictionary, command: str) -> None:
    """A stranger can compute the CRC; only the key stops him. Header, what it is bound to, counter, code, arguments, tag."""
    packet = packet_of(frame(words, command))
    vehicle = VehicleLink(words, KEY, BOOT)
    for bit in range(len(packet) * 8):
        assert executed(vehicle, encode_frame(append_crc(flip(packet, bit)))) == [], f"bit {bit}"


@pytest.mark.parametrize("command", ["channel_fire", "safe_all"])
def test_two_and_three_flipped_bits_are_found_by_the_crc(words: Dictionary, command: str) -> None:
    """I16: The CRC's polynomial finds all double errors within 32751 bits; triples are drawn at random."""
    content = append_crc(packet_of(frame(words, command)))
    bits = range(len(content) * 8)
    assert not any(crc_holds(flip(content, *pair)) for pair in combinations(bits, 2))
    rng = random.Random(3)
    assert not any(crc_holds(flip(content, *rng.sample(bits, 3))) for _ in range(5000))


def test_hazardous_codes_are_four_bits_from_all_others(words: Dictionary) -> None:
    """I16."""
    commands = [c for c in words.commands.values() if not (words.is_bound and c.safes_all)]  # that has no code of its own
    for one in (c for c in commands if c.hazard == "hazardous"):
        assert one.code not in (0, 0xFF)
        assert min((one.code ^ other.code).bit_count() for other in commands if other is not one) >= 4


@pytest.mark.parametrize("length", range(TAG_SIZE))
def test_shortened_tag_is_not_enough(words: Dictionary, length: int) -> None:
    packet = packet_of(frame(words, "safe_all"))
    signed, tag = packet[:-TAG_SIZE], packet[-TAG_SIZE:][:length]
    assert executed(VehicleLink(words, KEY, BOOT), encode_frame(append_crc(signed + tag))) == []


def test_other_key_other_start_and_old_counters_are_not_executed(words: Dictionary) -> None:
    vehicle = VehicleLink(words, KEY, BOOT)
    assert executed(vehicle, frame(words, "ping", key=KEY[::-1])) == []
    assert executed(vehicle, frame(words, "ping", boot_id=BOOT + 1)) == []
    assert len(executed(vehicle, frame(words, "ping", counter=20))) == 1
    for counter in range(1, 20):
        assert executed(vehicle, frame(words, "ping", counter=counter)) == []
    (again,) = executed(vehicle, frame(words, "ping", counter=20))
    assert isinstance(again, Repeat)


def test_safe_all_alone_is_obeyed_again_by_any_start_and_never_by_another_key_or_vehicle() -> None:
    """I8: whatever the counter and the start; what was sent before it is old after it."""
    first, second = VehicleLink(dictionary(), KEY, BOOT), VehicleLink(dictionary(), KEY, BOOT + 1)
    for counter in (20, 20, 7, 20):
        for vehicle in (first, second):
            (order,) = executed(vehicle, frame(dictionary(), "safe_all", counter=counter))
            assert isinstance(order, Order) and (order.command, order.counter) == ("safe_all", counter)
            assert executed(vehicle, frame(dictionary(), "channel_fire", counter=20)) == []
    assert executed(first, frame(dictionary(), "safe_all", key=KEY[::-1])) == []
    assert executed(first, build_safe_all_frame(KEY, dictionary().uplink.vehicle_id + 1, 30)) == []
    assert first.last_counter == 20


def test_captured_uplink_played_back_only_repeats_old_answers(words: Dictionary) -> None:
    """I8."""
    world = ready_world() if words.is_bound else ready_unbound_world()
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


def test_frames_out_of_order_are_refused_by_the_vehicle(words: Dictionary) -> None:
    """I9."""
    vehicle = VehicleLink(words, KEY, BOOT)
    order = [3, 1, 2, 5, 4, 3, 5]
    done = [o.counter for n in order for o in executed(vehicle, frame(words, "ping", counter=n)) if isinstance(o, Order)]
    assert done == [3, 5]
    (judged,) = vehicle.receive(frame(words, "channel_fire", counter=2), NOW_MS)
    assert isinstance(judged, Rejected) and judged.reason == "old counter" and judged.answer


def test_arming_on_the_vehicle_ends_by_itself_and_firing_is_then_refused() -> None:
    """I9."""
    world = ready_world()
    world.arm_and_confirm("channel_arm", channel=1)
    world.advance(1.0)
    armed = world.arm("channel_fire", channel=1)
    assert armed.ok
    world.vehicle.now_s += 61.0
    until_ms = world.vehicle.ms + 5000
    fire = world.dictionary.commands["channel_fire"]
    world.vehicle.receive(numbered(dictionary(), fire.code, b"\x01", 50, valid_until_ms=until_ms))
    assert [reason for _, reason in world.vehicle.refused] == ["not armed"]
    assert [e.command for e in world.vehicle.executed] == ["channel_arm"]


def test_counter_is_burned_even_by_a_command_that_makes_no_sense(words: Dictionary) -> None:
    vehicle = VehicleLink(words, KEY, BOOT)
    for counter, (code, args) in enumerate([(0x01, b""), (0x2D, b""), (0x2D, b"\x09"), (0x2D, b"\x01\x01")], 5):
        data = numbered(words, code, args, counter)
        assert executed(vehicle, data) == []
        assert vehicle.last_counter == counter
        assert [type(again) for again in executed(vehicle, data)] == [Repeat]


def throw_frames(words: Dictionary, count: int, seed: int) -> Counter[str]:
    """Throw `count` random and `count` mutated frames at a vehicle; return what became of them."""
    rng = random.Random(seed)
    vehicle = VehicleLink(words, KEY, BOOT)
    good = [frame(words, name, counter=n).strip(b"\0") for n, name in enumerate(NAMES, 1000)]
    packets = [packet_of(one) for one in good]
    counts: Counter[str] = Counter()
    for number in range(count):
        content = rng.randbytes(rng.randint(1, 60))
        random_frame = encode_frame(append_crc(content)) if number % 2 else content + b"\0"
        for kind, data in (("random", random_frame), ("mutated", mutate(rng, good, packets))):
            if data.strip(b"\0") in good:
                continue
            for judged in vehicle.receive(data, NOW_MS):
                counts[f"{kind}: {'EXECUTED' if not isinstance(judged, Rejected) else judged.reason}"] += 1
        vehicle.receive(b"\0")
    assert vehicle.last_counter == 0
    return counts


def throw_signed(count: int, seed: int) -> Counter[str]:
    """Throw `count` frames signed with the right key, but for something else, at a vehicle; return what became of them.

    What a frame is bound to is spoiled in one way, so that it reaches the check that has to stop it.
    """
    rng, words = random.Random(seed), dictionary()
    vehicle = VehicleLink(words, KEY, BOOT)
    counts: Counter[str] = Counter()
    commands = [c for c in words.commands.values() if not c.safes_all]
    for number in range(1, count + 1):
        described = rng.choice(commands)
        args = described.pack_args({arg.name: rng.choice((arg.low, arg.high)) for arg in described.args})
        late_ms = rng.choice((1, rng.randint(1, 3_600_000)))
        early_ms = rng.choice((VALID_AT_MOST_MS + 1, rng.randint(VALID_AT_MOST_MS + 1, 2**31)))
        kind, bound = rng.choice(
            [
                ("other vehicle", {"vehicle_id": words.uplink.vehicle_id ^ 1 << rng.randrange(9)}),
                ("other start", {"boot_id": BOOT ^ 1 << rng.randrange(3, 64)}),
                ("other dictionary", {"dictionary_hash": words.hash32 ^ 1 << rng.randrange(32)}),
                ("too late", {"valid_until_ms": NOW_MS - late_ms}),
                ("too far ahead", {"valid_until_ms": NOW_MS + early_ms}),
            ]
        )
        data = numbered(words, described.code, args, number, **bound)
        for judged in vehicle.receive(data, NOW_MS):
            counts[f"{kind}: {judged.reason if isinstance(judged, Rejected) else 'EXECUTED'}"] += 1
    return counts


def mutate(rng: random.Random, good: list[bytes], packets: list[bytes]) -> bytes:
    """Return a good frame spoiled somehow: bits, bytes, cuts, joins; or a spoiled packet with a right CRC.

    `good` are frames without their zeros, which are put around what was spoiled.
    """
    number = rng.randrange(len(good))
    how = rng.randrange(5)
    if how == 0:
        whole = good[number] + b"\0"
        return flip(whole, *rng.sample(range(len(whole) * 8), rng.randint(1, 3)))
    if how == 1:
        cut = rng.randrange(len(good[number]) - 1)
        return good[number][:cut] + good[rng.randrange(len(good))][cut + 1 :] + b"\0"
    packet = packets[number]
    if how == 2:
        return encode_frame(append_crc(flip(packet, *rng.sample(range(len(packet) * 8), rng.randint(1, 4)))))
    if how == 3:
        other = packets[rng.randrange(len(packets))]
        mixed = packet[:-TAG_SIZE] + other[-TAG_SIZE:]
        return encode_frame(append_crc(mixed if mixed != packet else packet[:-1]))
    body = packet[:-TAG_SIZE] + rng.randbytes(TAG_SIZE)
    return encode_frame(append_crc(body))


def test_hundred_thousand_random_and_mutated_frames_execute_nothing(words: Dictionary) -> None:
    counts = throw_frames(words, 100_000, seed=11)
    assert not any("EXECUTED" in name for name in counts), counts
    assert sum(n for name, n in counts.items() if name.startswith("random")) > 90_000
    assert sum(n for name, n in counts.items() if name.startswith("mutated")) > 90_000
    assert counts["mutated: wrong tag"] > 30_000, "most mutated frames reach the last barrier"


def test_hundred_thousand_signed_for_something_else_execute_nothing() -> None:
    """I8, I20: another vehicle, another start, another dictionary, another time: each check is reached and stops all."""
    counts = throw_signed(100_000, seed=12)
    assert set(counts) == {
        "other vehicle: wrong tag",
        "other start: other boot",
        "other dictionary: other dictionary",
        "too late: too late",
        "too far ahead: too late",
    }
    assert sum(counts.values()) == 100_000 and min(counts.values()) > 10_000


def test_every_frame_of_the_station_reads_the_same_to_an_outsider() -> None:
    """I16."""
    world = ready_world()
    for number, name in enumerate(NAMES, 1):
        described = dictionary().commands[name]
        for pick in ("low", "high"):
            args = {arg.name: getattr(arg, pick) for arg in described.args}
            until_ms = None if described.safes_all else world.addressee.valid_until_ms(world.now_s)
            decoded = decode(world, world.link.send(name, args, number, until_ms))
            boot_id = None if described.safes_all else BOOT
            assert (decoded.boot_id, decoded.valid_until) == (boot_id, until_ms)
            assert (decoded.counter, decoded.command) == (number, name)
            assert dict(decoded.args) == pytest.approx(args)


def test_frame_after_noise_of_any_length_is_still_found_once(words: Dictionary) -> None:
    rng = random.Random(5)
    ping = frame(words, "ping")
    splitter = FrameSplitter()
    for size in (0, 1, 254, 255, 256, 300, 5000):
        noise = bytes(rng.randrange(1, 256) for _ in range(size))
        found = [data for data, dropped in splitter.feed(noise + b"\0" + ping) if data and not dropped]
        assert found.count(ping.strip(b"\0")) == 1


def test_junk_right_before_a_frame_of_version_two_costs_nothing() -> None:
    """A frame that begins with a zero needs none after the junk; nor does one whose terminator was lost cost the next."""
    junk, cut = b"\x7e", frame(dictionary(), "ping", counter=4)[:-1]
    vehicle = VehicleLink(dictionary(), KEY, BOOT)
    heard = vehicle.receive(junk + frame(dictionary(), "ping", counter=3) + cut + frame(dictionary(), "ping"), NOW_MS)
    assert [one.counter for one in heard if isinstance(one, Order)] == [3, 4, 5]


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
    assert len(args) <= 256
    assert all(len(name) <= 40 and (name.isprintable()) for name in args)
    assert arguments_of({"channel": 2, "angle": 0.1}) == {"channel": 2, "angle": 0.1}


def test_every_argument_that_a_dictionary_may_have_can_be_asked_for() -> None:
    """Names of 40 letters, as many as a frame holds: seen, longer ones than 20 and a seventeenth were refused as missing."""
    wanted = {f"{'n' * 37}{number:03}": number for number in range(200)}
    assert arguments_of(wanted) == wanted


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
    chosen, began, done = parser.parse_args(), time.monotonic(), 0
    runs = {name: throw_frames(words(), chosen.frames, chosen.seed) for name, words in WIRES.items()}
    runs["signed for something else"] = throw_signed(chosen.frames, chosen.seed)
    for run, counts in runs.items():
        print(run)
        for name in sorted(counts):
            print(f"{counts[name]:>9}  {name}")
        done += sum(n for name, n in counts.items() if "EXECUTED" in name)
    print(f"{done:>9}  executed, in {time.monotonic() - began:.0f} s")
    raise SystemExit(1 if done else 0)


if __name__ == "__main__":
    main()
