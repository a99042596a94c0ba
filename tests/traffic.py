"""Made-up but lawful traffic for tests and benchmarks: mixed frames of every packet of a dictionary."""

from __future__ import annotations

import random

from protocol.dictionary import Dictionary
from protocol.identity import IDENTITY_NAME
from protocol.vehicle import VehicleLink

KEY = bytes(range(32))


def random_values(dictionary: Dictionary, packet: str, rng: random.Random) -> dict[str, object]:
    """Return engineering values that fit every field of one packet."""
    out: dict[str, object] = {}
    described = dictionary.packets[packet]
    for channel in described.channels:
        type_ = described.fields[channel.field_index].type
        if channel.kind == "text":
            out[channel.name] = rng.choice(["", "boost", "coast, 212.4 m", "x" * 200, "δ ≥ 3"])
        elif channel.mask:
            out[channel.name] = rng.randint(0, channel.mask)
        elif type_[0] == "f":
            out[channel.name] = rng.choice([0.0, -0.0, rng.gauss(0, 100), rng.random()])
        else:
            low, high = (
                (0, 2 ** int(type_[1:]) - 1)
                if type_[0] == "u"
                else (-(2 ** (int(type_[1:]) - 1)), 2 ** (int(type_[1:]) - 1) - 1)
            )
            out[channel.name] = rng.choice([0, low, high, rng.randint(low, high)]) * channel.scale + channel.offset
    return out


def mixed_frames(dictionary: Dictionary, count: int, seed: int = 1, distinct: int = 400) -> list[bytes]:
    """Return `count` frames with the packets' own share of the link; field bytes are drawn from `distinct` per type."""
    rng = random.Random(seed)
    link = VehicleLink(dictionary, KEY, 5)
    names = [name for name in dictionary.packets if name != "startup"]
    weights = [max(dictionary.packets[name].rate_hz, 0.2) for name in names]
    pool = {}
    for name in names:
        values = [random_values(dictionary, name, rng) for _ in range(distinct)]
        for value in values:
            if "boot_id" in value and name == "link":
                value["boot_id"] = 5
            if name == IDENTITY_NAME:
                value |= {"boot_high": 0, "boot_low": 5}
        pool[name] = [dictionary.packets[name].pack(value) for value in values]
    total_rate = sum(weights)
    frames = []
    for i, name in enumerate(rng.choices(names, weights, k=count)):
        frames.append(link.frame_of_fields(dictionary.packets[name], int(i * 1000 / total_rate), rng.choice(pool[name])))
    return frames
