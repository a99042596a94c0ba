"""The compiled library against the ground's own code, byte for byte, on random packets and commands of every kind.

Two radios of one vehicle hear good commands and bad ones: repeated, replayed, late, for another start, vehicle or
dictionary, forged, damaged, with a store that fails, and Safe all among them. The suite runs the short form. The long one,
here and on another instruction set (`gcc-arm-linux-gnueabi`, `gcc-powerpc-linux-gnu` and `qemu-user` of the system):

    python -m tests.server.firmware.agreement --commands 1000000
    python -m tests.server.firmware.agreement --commands 1000000 --target powerpc
"""

from __future__ import annotations

import argparse
import math
import random
import struct
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from protocol.bound import (
    BOUND_HEAD,
    COMMAND_APID,
    COMMAND_LABEL,
    COUNTER,
    SAFE_ALL_APID,
    SAFE_ALL_LABEL,
    bound_tag,
    build_bound_frame,
    build_safe_all_frame,
    make_boot_id,
)
from protocol.checksum import append_crc
from protocol.commands import Command
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from protocol.fields import Channel
from protocol.framing import encode_frame
from protocol.vehicle import CommandMemory, Order, Rejected, Repeat, VehicleLink
from protocol.wire_types import BITS_TYPES, FLOAT_TYPES, INTEGER_RANGES, text_size
from server.firmware.process_link import ProcessLink, ProcessMemory, Program
from tests.server.firmware.build import DICTIONARIES, TARGETS, program

KEY = bytes(range(32))
BOOT = 0x5EED_0000_0000_0005
WINDOW_MS = (0, 1, 4999, 5000, 9999, 10_000)  # a command's valid-until ahead of now, as it is obeyed
TOO_FAR_MS = (-1, -5000, 10_001, 60_000, -(2**31))
ODD = [math.nan, math.inf, -math.inf, 0.0, -0.0, 5e-324, -5e-324, 2.2250738585072014e-308, 1e-45, -1.1754942e-38, 1e308]
LETTERS = "ab z9,.~\u00e9\u03b4\u2265\u20ac\U0001f680"


def random_double(rng: random.Random) -> float:
    """Any 64 bits, or any 32-bit float's, or an odd one."""
    kind = rng.randrange(4)
    if kind == 0:
        return rng.choice(ODD)
    if kind == 1:
        return struct.unpack(">d", rng.randbytes(8))[0]
    return struct.unpack(">f", rng.randbytes(4))[0] if kind == 2 else rng.gauss(0.0, 100.0)


def random_value(channel: Channel, type_: str, rng: random.Random) -> object:
    """A value for one channel: mostly one that fits, also edges, halves between steps, and what must be refused."""
    if channel.is_bytes:
        return rng.randbytes(rng.randrange(text_size(type_) + 1))
    if channel.kind == "text":
        return "".join(rng.choice(LETTERS) for _ in range(rng.randrange(70)))
    if type_ in FLOAT_TYPES:
        return random_double(rng)
    if type_ in BITS_TYPES:
        low, high = channel.group_range()
    else:
        low, high = INTEGER_RANGES[type_]
    raw = rng.choice([low, high, 0, rng.randint(low, high), rng.randint(low, high), rng.randint(low, high)])
    edge = rng.random()
    if edge < 0.002:
        return rng.choice(ODD)
    if edge < 0.004 and type_ in BITS_TYPES:
        raw = rng.choice([high + 1, low - 1])
    elif edge < 0.02 and (type_ not in BITS_TYPES or channel.linear):
        raw += rng.choice([-0.5, 0.5, 0.499999, -1.0, 1.0])
    return raw * channel.scale + channel.offset


@dataclass
class Pair:
    """One start of a vehicle with two radios, twice: the ground's Python and the compiled C, given the same."""

    dictionary: Dictionary
    machine: Program
    boot_id: int = BOOT
    vehicle_id: int | None = None
    last_counter: int = 0
    radio: int = 0  # by which they speak and hear

    def __post_init__(self) -> None:
        kept = {"vehicle_id": self.vehicle_id, "last_counter": self.last_counter}
        self.stores_fail = False
        self.stored = 0
        self.memory = CommandMemory(self.dictionary, KEY, self.boot_id, **kept, store=self._store)
        self.c_memory = ProcessMemory(self.machine, self.dictionary, KEY, self.boot_id, **kept)
        self.pythons = [VehicleLink(self.dictionary, KEY, self.boot_id, self.memory) for _ in range(2)]
        self.cs = [ProcessLink(self.machine, self.dictionary, KEY, self.boot_id, self.c_memory) for _ in range(2)]

    @property
    def python(self) -> VehicleLink:
        """The radio in use, in Python."""
        return self.pythons[self.radio]

    @property
    def c(self) -> ProcessLink:
        """The radio in use, in C."""
        return self.cs[self.radio]

    def _store(self, counter: int) -> bool:
        if not self.stores_fail:
            self.stored = counter
        return not self.stores_fail

    def fail_stores(self, fails: bool) -> None:
        """Let both fail to store counters from now on, or not."""
        self.stores_fail = fails
        self.c_memory.fail_stores(fails)

    def packet(self, rng: random.Random) -> int:
        """Encode one random packet by both; returns how many values did not fit, by both."""
        packet = rng.choice(
            [packet for packet in self.dictionary.packets.values() if packet.name not in self.dictionary.wires_own]
        )
        values = {c.name: random_value(c, packet.fields[c.field_index].type, rng) for c in packet.channels}
        time_ms = rng.choice([0, 2**32 - 1, rng.randrange(2**32)])
        before = self.python.refused
        one, other = (link.frame(packet.name, time_ms, values) for link in (self.python, self.c))
        assert one == other, (packet.name, time_ms, values, one.hex(), other.hex())
        assert self.python.refused == self.c.refused, (packet.name, values)
        return self.python.refused - before

    def identity(self, time_ms: int) -> None:
        """Let both say who they are."""
        one, other = (link.identity_frame(time_ms) for link in (self.python, self.c))
        assert one == other, (time_ms, one.hex(), other.hex())

    def hear(self, data: bytes, time_ms: int) -> list[Order]:
        """Let both hear the same bytes; returns the orders, after answers and counts were compared."""
        one, other = (_flat(link.receive(data, time_ms)) for link in (self.python, self.c))
        assert one == other, (data.hex(), time_ms, one, other)
        mine = self.memory
        counts = (mine.last_counter, mine.frames_good, mine.frames_bad, mine.safed_counter, self.stored)
        assert counts == self.c_memory.counts()[:5], (data.hex(), counts, self.c_memory.counts())
        return [item for kind, item in one if kind == "order" and isinstance(item, Order)]

    def answer(self, order: Order, stage: str, reason: str, time_ms: int) -> None:
        """Let both answer an order."""
        one, other = (link.answer(order, stage, reason, time_ms) for link in (self.python, self.c))
        assert one == other, (order, stage, reason)


def _flat(heard: list[Order | Repeat | Rejected]) -> list[tuple[str, object]]:
    out: list[tuple[str, object]] = []
    for item in heard:
        match item:
            case Order():
                out.append(
                    ("order", Order(item.counter, item.command, {k: float(v) for k, v in item.args.items()}, item.code))
                )
            case Repeat():
                out += [("frame", frame) for frame in item.frames]
            case Rejected():
                out += [("frame", item.answer)] if item.answer else [("dropped", None)]
    return out


class Commands:
    """Random uplink: genuine, repeated, replayed, stale, late, meant for others, forged, damaged, Safe all, and noise."""

    def __init__(self, dictionary: Dictionary, rng: random.Random, vehicle_id: int) -> None:
        self._dictionary, self._rng, self._vehicle_id = dictionary, rng, vehicle_id
        self._counter = rng.randrange(1, 40_000)
        self._sent: list[bytes] = []
        self._now_ms = 0
        self.kinds: dict[str, int] = {}

    def next(self, now_ms: int) -> bytes:
        """Return one frame or what is left of it, at a vehicle time."""
        makers = (
            (self._genuine, 40), (self._raw_arguments, 12), (self._repeat, 12), (self._old, 5), (self._safe_all, 6),
            (self._other_boot, 4), (self._other_vehicle, 4), (self._other_dictionary, 4), (self._late, 4),
            (self._unknown, 3), (self._forged, 5), (self._header, 5), (self._flipped, 6), (self._noise, 4),
            (self._long, 1), (self._zero, 2),
        )  # fmt: skip
        self._now_ms = now_ms
        (maker,) = self._rng.choices([m for m, _ in makers], [w for _, w in makers])
        name = maker.__name__.strip("_")
        self.kinds[name] = self.kinds.get(name, 0) + 1
        return maker()

    def _command(self) -> Command:
        return self._rng.choice(list(self._dictionary.command_by_code.values()))

    def _next_counter(self) -> int:
        self._counter = min(self._counter + self._rng.choice([1, 1, 1, 2, 17, 20_000]), 2**32 - 1)
        return self._counter

    def _frame(
        self,
        code: int,
        args: bytes,
        *,
        boot_id: int = BOOT,
        counter: int | None = None,
        vehicle_id: int | None = None,
        told: int | None = None,
        ahead_ms: int | None = None,
    ) -> bytes:
        frame = build_bound_frame(
            KEY,
            self._vehicle_id if vehicle_id is None else vehicle_id,
            boot_id,
            self._dictionary.hash32 if told is None else told,
            self._next_counter() if counter is None else counter,
            self._now_ms + (self._rng.choice(WINDOW_MS) if ahead_ms is None else ahead_ms),
            code,
            args,
        )
        return self._kept(frame)

    def _kept(self, frame: bytes) -> bytes:
        self._sent = [*self._sent[-40:], frame]
        return frame

    def _genuine(self) -> bytes:
        command = self._command()
        values = {}
        for arg in command.args:
            value = self._rng.choice([arg.low, arg.high, self._rng.uniform(arg.low, arg.high)])
            values[arg.name] = round(value) if arg.type in INTEGER_RANGES and arg.scale == 1.0 else value
        try:
            return self._frame(command.code, command.pack_args(values))
        except ValueRefused:  # a linkage, or a float that its field rounds beyond a limit
            return self._raw_arguments()

    def _raw_arguments(self) -> bytes:
        command = self._command()
        parts = []
        for arg in command.args:
            if arg.type in ("f32", "f64"):
                near = self._rng.choice([arg.low, arg.high, random_double(self._rng)])
                size = 4 if arg.type == "f32" else 8
                fits = abs(near) < 3e38 or size == 8 or not math.isfinite(near)
                parts.append(struct.pack(">f" if size == 4 else ">d", near if fits else 0.0))
                if self._rng.random() < 0.3:  # a step or two beside it
                    raw = int.from_bytes(parts[-1], "big") + self._rng.choice([-2, -1, 1, 2])
                    parts[-1] = (raw % 256**size).to_bytes(size, "big")
            else:
                low, high = INTEGER_RANGES[arg.type]
                near = round(self._rng.choice([arg.low, arg.high]) / arg.scale) + self._rng.choice([-1, 0, 1])
                raw = self._rng.choice([low, high, near, self._rng.randint(low, high)])
                size = int(arg.type[1:]) // 8
                parts.append((raw % 256**size).to_bytes(size, "big"))
        args = b"".join(parts)
        kind = self._rng.random()
        if kind < 0.1:
            args += self._rng.randbytes(1)
        elif kind < 0.2:
            args = args[:-1]
        return self._frame(command.code, args)

    def _repeat(self) -> bytes:
        return self._rng.choice(self._sent) if self._sent else self._genuine()

    def _old(self) -> bytes:
        return self._frame(self._command().code, b"", counter=self._rng.randrange(1, self._counter + 1))

    def _safe_all(self) -> bytes:
        """The next, an old one, or one for another vehicle."""
        counter = self._rng.choice([self._next_counter(), self._rng.randrange(1, self._counter + 1)])
        vehicle_id = self._vehicle_id + self._rng.choice([0, 0, 0, 1])
        return self._kept(build_safe_all_frame(KEY, vehicle_id, counter))

    def _other_boot(self) -> bytes:
        boot_id = self._rng.choice([BOOT ^ 1 << self._rng.randrange(64), self._rng.randrange(1, 2**64)])
        return self._frame(self._command().code, b"", boot_id=boot_id)

    def _other_vehicle(self) -> bytes:
        return self._frame(self._command().code, b"", vehicle_id=self._vehicle_id ^ 1 << self._rng.randrange(32) or 1)

    def _other_dictionary(self) -> bytes:
        told = self._dictionary.hash32 ^ 1 << self._rng.randrange(32)
        return self._frame(self._command().code, b"", told=told, ahead_ms=self._rng.choice([5000, -5000]))

    def _late(self) -> bytes:
        return self._frame(self._command().code, b"", ahead_ms=self._rng.choice(TOO_FAR_MS))

    def _unknown(self) -> bytes:
        return self._frame(self._rng.randrange(256), self._rng.randbytes(self._rng.randrange(8)))

    def _body(self, counter: int, boot_id: int = BOOT) -> bytes:
        told, until = self._dictionary.hash32, (self._now_ms + 5000) % 2**32
        return BOUND_HEAD.pack(boot_id, told, counter, until, self._command().code)

    def _signed(self, words: list[int], body: bytes, label: bytes = COMMAND_LABEL) -> bytes:
        signed = struct.pack(">HHH", *words) + body
        return b"\0" + encode_frame(append_crc(signed + bound_tag(KEY, label, self._vehicle_id, signed)))

    def _header(self) -> bytes:
        """A correct tag over a header, a length or a label that is not as it should be."""
        counter = self._next_counter()
        safes = self._rng.random() < 0.3
        body = COUNTER.pack(counter) if safes else self._body(counter)
        words = [0x1000 | (SAFE_ALL_APID if safes else COMMAND_APID), 0xC000 | counter & 0x3FFF, len(body) + 16 - 1]
        label = SAFE_ALL_LABEL if safes else COMMAND_LABEL
        kind = self._rng.randrange(4)
        if kind == 0:
            words[self._rng.randrange(3)] ^= 1 << self._rng.randrange(16)
        elif kind == 1:
            change = self._rng.choice([-4, -1, 1])  # whole but for its length
            body, words[2] = (body + b"\1" if change == 1 else body[:change]), words[2] + change
        elif kind == 2:
            label = COMMAND_LABEL if safes else SAFE_ALL_LABEL
        else:
            words[0] ^= SAFE_ALL_APID ^ COMMAND_APID
        return self._signed(words, body, label)

    def _zero(self) -> bytes:
        """A genuine tag over counter 0, which names no command, or over start 0, which is none."""
        if self._rng.random() < 0.3:
            return self._signed([0x1000 | SAFE_ALL_APID, 0xC000, 19], COUNTER.pack(0), SAFE_ALL_LABEL)
        counter = self._rng.choice([0, self._next_counter()])
        body = self._body(counter, 0 if counter else BOOT)
        return self._signed([0x1000 | COMMAND_APID, 0xC000 | counter & 0x3FFF, len(body) + 15], body)

    def _forged(self) -> bytes:
        counter = self._counter + 1
        safes = self._rng.random() < 0.3
        body = COUNTER.pack(counter) if safes else self._body(counter)
        apid, label = (SAFE_ALL_APID, SAFE_ALL_LABEL) if safes else (COMMAND_APID, COMMAND_LABEL)
        signed = struct.pack(">HHH", 0x1000 | apid, 0xC000 | counter & 0x3FFF, len(body) + 15) + body
        tag = bytearray(bound_tag(KEY, label, self._vehicle_id, signed))
        tag[self._rng.randrange(16)] ^= 1 << self._rng.randrange(8)
        return b"\0" + encode_frame(append_crc(signed + tag))

    def _flipped(self) -> bytes:
        frame = bytearray(self._genuine())
        for _ in range(self._rng.randrange(1, 4)):
            frame[self._rng.randrange(len(frame))] ^= 1 << self._rng.randrange(8)
        return bytes(frame)

    def _noise(self) -> bytes:
        return self._rng.randbytes(self._rng.randrange(60)) + b"\0"

    def _long(self) -> bytes:
        size = self._rng.choice([253, 254, 255, 256, 257, 600])
        return bytes(self._rng.randrange(1, 256) for _ in range(size)) + b"\0"


def hear_beside_a_limit(pair: Pair) -> None:
    """The wide dictionary: a whole number beside the greatest is itself, a scaled one beside its limit is the limit."""
    every = pair.dictionary.commands["every"]
    middle = {"class": 1, "b": 2, "c": 0.3, "d": 3, "e": 4294966999, "f": 2000000.0, "g": 0.5, "h": 0.1}
    address = (KEY, pair.dictionary.uplink.vehicle_id, pair.boot_id, pair.dictionary.hash32)
    (order,) = pair.hear(build_bound_frame(*address, 9, 5000, every.code, every.pack_args(middle)), 0)
    assert order.args == middle
    beyond = bytearray(every.pack_args(middle))
    beyond[6:10] = (4294967001).to_bytes(4, "big")  # e stands behind u8, i8, u16 and i16
    assert pair.hear(build_bound_frame(*address, 10, 5000, every.code, bytes(beyond)), 0) == []


def say_what_does_not_fit(pair: Pair) -> int:
    """Encode each odd value and each limit's neighbors in each channel once; returns how many did not fit, by both."""
    dictionary, before = pair.dictionary, pair.python.refused
    for packet in dictionary.packets.values():
        if packet.name in dictionary.wires_own:
            continue
        fits: dict[str, object] = {c.name: "" if c.kind == "text" else c.offset for c in packet.channels}
        for channel in (c for c in packet.channels if c.kind != "text"):
            type_ = packet.fields[channel.field_index].type
            low, high = INTEGER_RANGES.get(type_, channel.group_range())
            steps = (-1.0, -0.5, 0.5, 1.0) if type_ not in BITS_TYPES or channel.linear else (-1.0, 1.0)
            beside = [raw + step for raw in (low, high) for step in steps]
            for value in [*ODD, *(raw * channel.scale + channel.offset for raw in beside)]:
                values = fits | {channel.name: value}
                one, other = (link.frame(packet.name, 0, values) for link in (pair.python, pair.c))
                assert one == other, (packet.name, channel.name, value, one.hex(), other.hex())
                assert pair.python.refused == pair.c.refused, (packet.name, channel.name, value)
    return pair.python.refused - before


def hear_an_old_counter(dictionary: Dictionary, machine: Program) -> None:
    """A vehicle that kept a counter obeys no lower one by any of its radios, however late a radio was added."""
    pair = Pair(dictionary, machine, last_counter=70_000)
    command = next(iter(dictionary.command_by_code.values()))
    address = (KEY, pair.dictionary.uplink.vehicle_id, pair.boot_id, pair.dictionary.hash32)
    for pair.radio in (0, 1):
        assert pair.hear(build_bound_frame(*address, 69_999, 5000, command.code, b""), 0) == []


def say_starts(pair: Pair, rng: random.Random) -> None:
    """Let both make the id of a start."""
    for starts in (0, 1, 2**32 - 1, rng.randrange(2**32)):
        noise = rng.randbytes(rng.choice([0, 8, 16, 100]))
        made = int.from_bytes(pair.machine.ask("B", KEY + starts.to_bytes(4, "big") + noise), "big")
        assert made == make_boot_id(KEY, starts, noise)


def compare(
    name: str, packets: int, commands: int, seed: int, kind: str = "host", path: Path | None = None, target: str = "here"
) -> dict[str, int]:
    """Run a comparison with the program of a kind or at a path; returns what was tried how often. Fails at the first
    difference."""
    rng = random.Random(f"{name} {seed}")
    dictionary = DICTIONARIES[name]
    seen = {"packets": 0, "refused": 0, "orders": 0, "safe_alls": 0, "identities": 0}
    with Program(path or program(name, kind, target), TARGETS[target].runner) as machine:
        pair = Pair(dictionary, machine)
        say_starts(pair, rng)
        seen["odd"] = say_what_does_not_fit(pair)
        assert seen["odd"] or not any(packet.channels for packet in dictionary.packets.values())
        hear_an_old_counter(dictionary, machine)
        pair = Pair(dictionary, machine)
        for _ in range(packets):
            seen["packets"] += 1
            pair.radio = rng.randrange(2)
            seen["refused"] += pair.packet(rng)
        _hear_commands(Pair(dictionary, machine, vehicle_id=rng.randrange(1, 2**32 - 1)), commands, rng, seen)
        nameless = dict.fromkeys(seen, 0)
        _hear_commands(Pair(dictionary, machine, 0), 30 + commands // 100, rng, nameless)
        assert nameless["orders"] == 0, "a vehicle without a start obeys nothing but Safe all"
    return seen


def _hear_commands(pair: Pair, commands: int, rng: random.Random, seen: dict[str, int]) -> None:
    uplink = Commands(pair.dictionary, rng, pair.memory.vehicle_id)
    owed: list[Order] = []
    reasons = pair.dictionary.packets["answer"].channel("reason").values
    now_ms = 2**32 - 20_000  # so that the clock goes round early
    for _ in range(commands):
        now_ms += rng.choice([0, 1, 20, 500])
        if rng.random() < 0.02:
            pair.fail_stores(rng.random() < 0.3)
        data = uplink.next(now_ms)
        pair.radio = rng.randrange(2)
        cut = rng.randrange(len(data) + 1)
        for piece in (data[:cut], data[cut:]) if rng.random() < 0.3 else (data,):
            for order in pair.hear(piece, now_ms):
                seen["safe_alls" if order.code == 0 else "orders"] += 1
                if rng.random() < 0.9:
                    pair.answer(order, rng.choice(["accepted", "refused"]), rng.choice(reasons), now_ms)
                    owed.append(order)
        while owed and rng.random() < 0.5:
            order = owed.pop(rng.randrange(len(owed)))
            pair.answer(order, rng.choice(["completed", "failed"]), rng.choice(reasons), now_ms)
        if rng.random() < 0.05:
            seen["identities"] += 1
            pair.identity(now_ms)
    for kind, often in uplink.kinds.items():
        seen[kind] = seen.get(kind, 0) + often


def main() -> int:
    """Run the long form and print what was compared."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packets", type=int, default=100_000)
    parser.add_argument("--commands", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", choices=TARGETS, default="here")
    options = parser.parse_args()
    total = dict.fromkeys(("packets", "commands", "orders", "safe_alls"), 0)
    for name in DICTIONARIES:
        begun = time.perf_counter()
        share = [-(-wanted // len(DICTIONARIES)) for wanted in (options.packets, options.commands)]
        seen = compare(name, *share, options.seed, target=options.target)
        print(f"{options.target} {name}: {seen}, no difference, {time.perf_counter() - begun:.1f} s", flush=True)
        for what in total:
            total[what] += seen.get(what, share[1])
    print(f"{options.target}: {total}, no difference")
    return 0


if __name__ == "__main__":
    sys.exit(main())
