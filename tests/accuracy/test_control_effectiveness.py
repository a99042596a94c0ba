"""The short form of control_effectiveness: no sign wrong, intervals that hold, and nothing told of what rests."""

from __future__ import annotations

from server.flight.control.roll_authority import NOT_EXCITED
from tests.accuracy.control_effectiveness import PURPOSE, by_axis, reversals


def test_what_is_excited_is_told_and_what_rests_is_not() -> None:
    excited, resting = by_axis(PURPOSE, range(502, 508, 2)), by_axis("rest", range(502, 504, 2))
    held = [one for row in excited.values() for one in row.held]
    assert sum(held) >= len(held) - 1
    assert all(all(row.signs) for row in excited.values())
    errors = [one for row in excited.values() for one in row.errors]
    assert errors and max(errors) < 0.15
    assert all(set(row.verdicts) == {NOT_EXCITED} for row in resting.values())


def test_every_reversal_is_found() -> None:
    assert reversals(range(502, 510, 2)).startswith("reversed roll: told in 4 of 4")
