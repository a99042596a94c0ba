"""Garbage into the compiled receiver under the compiler's sanitizers: no finding, nothing obeyed, nothing answered."""

from __future__ import annotations

from tests.server.firmware.build import SANDPIPER_2
from tests.server.firmware.fuzz import fuzz


def test_two_million_bytes_of_garbage_and_damage() -> None:
    seen = fuzz(7, 2_000_000)
    assert seen["bytes"] >= 2_000_000 and seen["dropped"] > 10_000
    assert seen["orders"] == seen["answers"] == 0


def test_the_search_would_see_an_obeyed_frame() -> None:
    seen = fuzz(7, 1000, "honest")
    refused = sum(command.rehearsal != "" for command in SANDPIPER_2.commands.values())  # by a flight build, of itself
    assert seen["orders"] == len(SANDPIPER_2.commands) - refused
    assert seen["answers"] == refused > 0
