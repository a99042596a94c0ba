"""Small vehicles with formats of their own, and their traffic."""

from __future__ import annotations

import random
from pathlib import Path

import protocol.dictionary
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary, parse_dictionary
from protocol.foreign.framings import foreign_framing
from tests.protocol.helpers import HEAD

FOLDER = Path(protocol.dictionary.__file__).parent
WREN, PLOVER = (load_dictionary(FOLDER / f"{name}.toml") for name in ("wren", "plover"))
SAMPLES = {"wren": WREN, "plover": PLOVER}

FIELDS = """
[packet.all]
apid = 1
tag = "ALL"
fields = [
  { name = "a", type = "u8" }, { name = "b", type = "i8" }, { name = "c", type = "u16", scale = 0.1, offset = -40 },
  { name = "d", type = "i16" }, { name = "e", type = "u32" }, { name = "f", type = "i32" }, { name = "g", type = "f32" },
  { name = "h", type = "f64" }, { name = "k", type = "text6" },
  { name = "i", type = "bits8", bits = [ { name = "j", bit = 1, width = 3 } ] },
]
"""
VALUES: dict[str, object] = {"a": 7, "b": -3, "c": 12.5, "d": -300, "e": 4_000_000_000, "f": -5, "g": 1.5, "h": 0.1}
VALUES |= {"k": "fin 3", "j": 5}


def with_framing(framing: str, body: str = FIELDS) -> Dictionary:
    """Return a dictionary of `body` whose [framing] table is given."""
    text = body if 'kind = "text"' in framing else body.replace('tag = "ALL"\n', "")
    return parse_dictionary(f"{HEAD}{text}\n[framing]\n{framing}")


def traffic(dictionary: Dictionary, packets: int, seed: int = 1) -> list[bytes]:
    """Return lines or records of a sample's packets with rising time and count."""
    rng, framing, counts, out = random.Random(seed), foreign_framing(dictionary), {}, []
    for number in range(packets):
        packet = rng.choice(list(dictionary.packets.values()))
        values: dict[str, object] = {}
        for channel in packet.channels:
            values[channel.name] = rng.randint(0, 1) if channel.kind != "number" else channel.offset + 5 * channel.scale
        seconds = packet.channel(packet.time).unit == "s"
        values[packet.time] = number * (0.05 if seconds else 50)
        if packet.count:
            counts[packet.name] = counts.get(packet.name, -1) + 1
            values[packet.count] = counts[packet.name] % 256
        out.append(framing.encode(packet.name, values))
    return out
