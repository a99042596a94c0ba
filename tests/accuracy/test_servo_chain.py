"""The servo chain's intervals in short form; `python -m tests.accuracy.servo_chain` is the wide one."""

from __future__ import annotations

from collections import defaultdict

from tests.accuracy.servo_chain import PARTS, Found, note, one


def test_the_intervals_hold_what_the_servos_are() -> None:
    found: Found = defaultdict(list)
    for seed in (2, 4, 6, 8):
        note(found, *one(seed, 20.0, "bench"))
    held = [low - 1e-9 <= true <= high + 1e-9 for part in PARTS for true, _, low, high in found[part]]
    assert len(held) >= 22 and sum(held) >= len(held) - 2


def test_calm_fins_tell_nothing() -> None:
    for seed in range(40):
        _, _, chain = one(seed, (20.0, 50.0, 100.0)[seed % 3], "calm")
        assert chain.reason and all(getattr(chain, part).value is None for part in PARTS)
