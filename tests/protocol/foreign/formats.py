"""Each sample of a format through its framing: whole in every chunking, through garbage, and with single bits flipped.

The suite runs the short form. The long one, with ten thousand frames of each:

    python -m tests.protocol.foreign.formats --frames 10000
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from pathlib import Path

import protocol.dictionary
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from protocol.events import BootIdLearned, CounterWrapped, PacketReceived
from protocol.foreign.framings import foreign_framing
from protocol.link import Link
from protocol.wire_types import halved, singled
from tests.protocol.helpers import events_of, random_chunks

FOLDER = Path(protocol.dictionary.__file__).parent / "foreign" / "samples"
FORMATS = {path.stem: load_dictionary(path) for path in sorted(FOLDER.glob("*.toml"))}
UNCHECKED = ("siskin",)  # JSON without a checksum: a flipped digit is another number
STEP = {"s": 0.05, "ms": 50.0, "us": 50_000.0}
Sent = tuple[str, tuple[object, ...]]


def _value(channel: object, type_: str, rng: random.Random) -> float:
    if channel.kind != "number":
        return rng.randint(0, 1)
    number = rng.randrange(200) * channel.scale + channel.offset
    return {"f16": halved, "f32": singled}.get(type_, float)(number * 1.1 if type_[0] == "f" else number)


def frames_of(dictionary: Dictionary, count: int, seed: int = 1) -> tuple[list[bytes], list[Sent]]:
    """Return that many frames with rising time and count, and what each says."""
    rng, framing = random.Random(seed), foreign_framing(dictionary)
    counts: dict[str, int] = {}
    frames, sent = [], []
    for number in range(count):
        packet = rng.choice(list(dictionary.packets.values()))
        values = {c.name: _value(c, packet.fields[c.field_index].type, rng) for c in packet.channels}
        values[packet.time] = round(number * STEP[packet.channel(packet.time).unit], 3)
        if packet.count:
            counts[packet.name] = counts.get(packet.name, -1) + 1
            values[packet.count] = counts[packet.name] % 256
        frames.append(framing.encode(packet.name, values))
        sent.append((packet.name, tuple(round(float(values[c.name]), 6) for c in packet.channels)))
    return frames, sent


def heard_of(dictionary: Dictionary, chunks: list[bytes]) -> tuple[list[Sent], list[object]]:
    """Return what the ground heard, and every event that is no packet."""
    events = events_of(Link(dictionary), chunks)
    packets = [event for event in events if isinstance(event, PacketReceived)]
    said = [(event.packet.name, tuple(round(float(value), 6) for value in event.values)) for event in packets]
    return said, [event for event in events if not isinstance(event, PacketReceived | BootIdLearned | CounterWrapped)]


def go_through_clean(dictionary: Dictionary, count: int) -> int:
    """Whole, in random chunks and byte by byte: everything, and nothing else. Returns the frames heard."""
    frames, sent = frames_of(dictionary, count)
    data = b"".join(frames)
    for chunks in ([data], random_chunks(data, random.Random(count)), [bytes([octet]) for octet in data]):
        said, other = heard_of(dictionary, chunks)
        assert other == [] and said == sent, (dictionary.name, other[:3])
    return len(sent)


def go_through_garbage(dictionary: Dictionary, count: int, seed: int = 2) -> tuple[int, int]:
    """Garbage before every twentieth frame costs at most the frame it touches; nothing is heard that was not sent.

    Returns (frames heard, pieces of garbage).
    """
    rng = random.Random(seed)
    frames, sent = frames_of(dictionary, count, seed)
    noisy = [rng.randbytes(rng.randrange(1, 60)) + frame if n % 20 == 10 else frame for n, frame in enumerate(frames)]
    said, _ = heard_of(dictionary, random_chunks(b"".join(noisy), rng))
    left = iter(sent)
    assert all(one in left for one in said), f"{dictionary.name}: heard what was not sent, or out of order"
    pieces = sum(n % 20 == 10 for n in range(count))
    assert len(said) >= count - 2 * pieces, (dictionary.name, len(said), count)
    return len(said), pieces


def flip_every_bit(dictionary: Dictionary, seed: int = 3) -> tuple[int, int]:
    """Flip each bit of one frame of each kind; returns (flips, those that gave a packet that was never sent)."""
    frames, sent = frames_of(dictionary, 12, seed)
    flips = wrong = 0
    for place in {[name for name, _ in sent].index(name) for name in dictionary.packets}:
        for bit in range(8 * len(frames[place])):
            damaged = bytearray(frames[place])
            damaged[bit // 8] ^= 1 << bit % 8
            said, _ = heard_of(dictionary, [*frames[:place], bytes(damaged), *frames[place + 1 :]])
            flips += 1
            wrong += any(one not in sent for one in said)
    return flips, wrong


def main() -> int:
    """Run the long form and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=10_000)
    options = parser.parse_args()
    for name, dictionary in FORMATS.items():
        begun = time.perf_counter()
        clean = go_through_clean(dictionary, options.frames)
        heard, pieces = go_through_garbage(dictionary, options.frames)
        flips, wrong = flip_every_bit(dictionary)
        print(
            f"{name}: 3 chunkings, 0 of {clean} damaged; {heard} of {options.frames} heard through {pieces} pieces "
            f"of garbage; {wrong} of {flips} flips taken for another packet, {time.perf_counter() - begun:.0f} s",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
