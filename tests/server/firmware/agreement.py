"""The compiled library against the ground's own code, byte for byte, on random packets and commands of every kind.

The suite runs the short form. The long one:

    python -m tests.server.firmware.agreement --packets 100000 --commands 100000
"""

from __future__ import annotations

import argparse
import math
import random
import struct
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

from protocol.checksum import append_crc
from protocol.commands import Command, build_command_frame, command_tag
from protocol.dictionary import Dictionary
from protocol.errors import ValueRefused
from protocol.fields import BITS_CODES, INTEGER_RANGES, Channel
from protocol.framing import encode_frame
from protocol.vehicle import Order, Rejected, Repeat, VehicleLink
from server.firmware.process_link import ProcessLink, Program
from tests.server.firmware.build import DICTIONARIES, program

KEY = bytes(range(32))
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
    if channel.kind == "text":
        return "".join(rng.choice(LETTERS) for _ in range(rng.randrange(70)))
    if type_ in ("f32", "f64"):
        return random_double(rng)
    if type_ in BITS_CODES:
        low, high = 0, channel.mask
    else:
        low, high = INTEGER_RANGES[type_]
    raw = rng.choice([low, high, 0, rng.randint(low, high), rng.randint(low, high), rng.randint(low, high)])
    edge = rng.random()
    if edge < 0.002:
        return rng.choice(ODD)
    if edge < 0.004 and type_ in BITS_CODES:
        raw = channel.mask + 1
    elif edge < 0.02 and type_ not in BITS_CODES:
        raw += rng.choice([-0.5, 0.5, 0.499999, -1.0, 1.0])
    return raw * channel.scale + channel.offset


@dataclass
class Pair:
    """One start of a vehicle, twice: the ground's Python and the compiled C, given the same."""

    dictionary: Dictionary
    machine: Program
    boot_id: int = 5
    python: VehicleLink = field(init=False)
    c: ProcessLink = field(init=False)

    def __post_init__(self) -> None:
        self.python = VehicleLink(self.dictionary, KEY, self.boot_id)
        self.c = ProcessLink(self.machine, self.dictionary, KEY, self.boot_id)

    def packet(self, rng: random.Random) -> bool:
        """Encode one random packet by both; returns whether it was refused by both."""
        packet = rng.choice(list(self.dictionary.packets.values()))
        values = {c.name: random_value(c, packet.fields[c.field_index].type, rng) for c in packet.channels}
        time_ms = rng.choice([0, 2**32 - 1, rng.randrange(2**32)])
        one, other = (_frame(link, packet.name, time_ms, values) for link in (self.python, self.c))
        assert one == other, (packet.name, time_ms, values, one and one.hex(), other and other.hex())
        return one is None

    def hear(self, data: bytes, time_ms: int) -> list[Order]:
        """Let both hear the same bytes; returns the orders, after answers and counts were compared."""
        one, other = (_flat(link.receive(data, time_ms)) for link in (self.python, self.c))
        assert one == other, (data.hex(), one, other)
        counts = [(link.last_counter, link.frames_good, link.frames_bad) for link in (self.python, self.c)]
        assert counts[0] == counts[1], (data.hex(), counts)
        return [item[1] for item in one if item[0] == "order"]

    def answer(self, order: Order, stage: str, reason: str, time_ms: int) -> None:
        """Let both answer an order."""
        one, other = (link.answer(order, stage, reason, time_ms) for link in (self.python, self.c))
        assert one == other, (order, stage, reason)


def _frame(link: VehicleLink | ProcessLink, packet: str, time_ms: int, values: dict[str, object]) -> bytes | None:
    try:
        return link.frame(packet, time_ms, values)
    except ValueRefused:
        return None


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
    """Random uplink: genuine, repeated, replayed, stale, forged, damaged, and noise."""

    def __init__(self, dictionary: Dictionary, rng: random.Random, boot_id: int) -> None:
        self._dictionary, self._rng, self._boot_id = dictionary, rng, boot_id
        self._counter = rng.randrange(1, 40_000)
        self._sent: list[bytes] = []
        self.kinds: dict[str, int] = {}

    def next(self) -> bytes:
        """Return one frame or what is left of it."""
        makers = (
            (self._genuine, 40), (self._raw_arguments, 15), (self._repeat, 15), (self._old, 6), (self._other_boot, 6),
            (self._unknown, 4), (self._forged, 5), (self._header, 4), (self._flipped, 6), (self._noise, 4), (self._long, 1),
            (self._zero, 1),
        )  # fmt: skip
        (maker,) = self._rng.choices([m for m, _ in makers], [w for _, w in makers])
        name = maker.__name__.strip("_")
        self.kinds[name] = self.kinds.get(name, 0) + 1
        return maker()

    def _command(self) -> Command:
        return self._rng.choice(list(self._dictionary.commands.values()))

    def _frame(self, code: int, args: bytes, boot_id: int | None = None, counter: int | None = None) -> bytes:
        if counter is None:
            self._counter += self._rng.choice([1, 1, 1, 2, 17, 20_000])
            counter = self._counter
        boot_id = self._boot_id if boot_id is None else boot_id
        frame = build_command_frame(KEY, self._dictionary.uplink.apid, boot_id, counter, code, args)
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

    def _other_boot(self) -> bytes:
        return self._frame(self._command().code, b"", boot_id=self._rng.randrange(65536))

    def _unknown(self) -> bytes:
        return self._frame(self._rng.randrange(256), self._rng.randbytes(self._rng.randrange(8)))

    def _signed(self, header: bytes, body: bytes) -> bytes:
        signed = header + body
        return encode_frame(append_crc(signed + command_tag(KEY, signed)))

    def _header(self) -> bytes:
        """A correct tag over a header or a counter that is not as it should be."""
        self._counter += 1
        words = [0x1000 | self._dictionary.uplink.apid, 0xC000 | self._counter & 0x3FFF, 22]
        body = struct.pack(">HIB", self._boot_id, self._rng.choice([self._counter, self._counter, 0]), self._command().code)
        words[self._rng.randrange(3)] ^= 1 << self._rng.randrange(16)
        return self._signed(struct.pack(">HHH", *words), body[: self._rng.choice([7, 7, 7, 5])])

    def _zero(self) -> bytes:
        """A genuine tag over counter 0, which names no command."""
        header = struct.pack(">HHH", 0x1000 | self._dictionary.uplink.apid, 0xC000, 22)
        return self._signed(header, struct.pack(">HIB", self._boot_id, 0, self._command().code))

    def _forged(self) -> bytes:
        signed = struct.pack(
            ">HHHHIB",
            0x1000 | self._dictionary.uplink.apid,
            0xC000 | (self._counter + 1) & 0x3FFF,
            22,
            self._boot_id,
            self._counter + 1,
            self._command().code,
        )
        tag = bytearray(command_tag(KEY, signed))
        tag[self._rng.randrange(16)] ^= 1 << self._rng.randrange(8)
        return encode_frame(append_crc(signed + tag))

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
    frame = build_command_frame(KEY, pair.dictionary.uplink.apid, pair.boot_id, 9, every.code, every.pack_args(middle))
    (order,) = pair.hear(frame, 0)
    assert order.args == middle
    beyond = bytearray(every.pack_args(middle))
    beyond[6:10] = (4294967001).to_bytes(4, "big")  # e stands behind u8, i8, u16 and i16
    refused = build_command_frame(KEY, pair.dictionary.uplink.apid, pair.boot_id, 10, every.code, bytes(beyond))
    assert pair.hear(refused, 0) == []


def compare(
    name: str, packets: int, commands: int, seed: int, kind: str = "host", path: Path | None = None
) -> dict[str, int]:
    """Run a comparison with the program of a kind or at a path; returns what was tried how often. Fails at the first
    difference."""
    rng = random.Random(f"{name} {seed}")
    dictionary = DICTIONARIES[name]
    seen = {"packets": 0, "refused": 0, "orders": 0}
    with Program(path or program(name, kind)) as machine:
        pair = Pair(dictionary, machine)
        for _ in range(packets):
            seen["packets"] += 1
            seen["refused"] += pair.packet(rng)
        pair = Pair(dictionary, machine)
        uplink = Commands(dictionary, rng, pair.boot_id)
        owed: list[Order] = []
        reasons = dictionary.packets["answer"].channel("reason").values
        for step in range(commands):
            data = uplink.next()
            cut = rng.randrange(len(data) + 1)
            for piece in (data[:cut], data[cut:]):
                for order in pair.hear(piece, step):
                    seen["orders"] += 1
                    if rng.random() < 0.9:
                        pair.answer(order, rng.choice(["accepted", "refused"]), rng.choice(reasons), step)
                        owed.append(order)
            while owed and rng.random() < 0.5:
                pair.answer(
                    owed.pop(rng.randrange(len(owed))), rng.choice(["completed", "failed"]), rng.choice(reasons), step
                )
    return seen | uplink.kinds


def main() -> int:
    """Run the long form and print what was compared."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packets", type=int, default=100_000)
    parser.add_argument("--commands", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    for name in DICTIONARIES:
        begun = time.perf_counter()
        seen = compare(name, options.packets // len(DICTIONARIES), options.commands // len(DICTIONARIES), options.seed)
        print(f"{name}: {seen}, no difference, {time.perf_counter() - begun:.1f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
