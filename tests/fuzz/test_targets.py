"""Seeds, found cases and some hundred mutations of them through every fuzz target: the short form of `tests.fuzz.run`."""

from __future__ import annotations

import random

import pytest

from tests.fuzz.targets import TARGETS, seeds

MUTATIONS = {"downlink": 400, "uplink": 2000, "dictionary": 600, "session": 200, "onboard": 1500}


def mutated(seed: bytes, rng: random.Random) -> bytes:
    """Change a few bytes, cut, double or insert something."""
    data = bytearray(seed)
    for _ in range(rng.randint(1, 6)):
        place = rng.randrange(len(data) + 1) if data else 0
        what = rng.randrange(5)
        if what == 0 and data:
            data[place % len(data)] = rng.randrange(256)
        elif what == 1:
            del data[place : place + rng.randint(1, 64)]
        elif what == 2:
            data[place:place] = data[place : place + rng.randint(1, 64)]
        elif what == 3:
            data[place:place] = rng.choice([b"\0", b"\xff" * 8, b"1e999", b"nan", b"[[", b'"', b"../", b"\r\n", b"<b>"])
        else:
            del data[place + rng.randint(0, 2000) :]
    return bytes(data)


@pytest.mark.parametrize("target", TARGETS)
def test_seeds_found_cases_and_mutations_end_as_documented(target: str) -> None:
    rng = random.Random(target)
    start = seeds(target)
    for data in [b"", *start]:
        TARGETS[target](data)
    for _ in range(MUTATIONS[target]):
        TARGETS[target](mutated(rng.choice(start), rng))
