"""What a row of the fault table is, and the list of all rows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

CASES: list[Case] = []


@dataclass(frozen=True)
class Seen:
    """What came of one try: a sentence, and how many bytes are lost that the promise covers."""

    text: str
    lost_bytes: int = 0


@dataclass(frozen=True)
class Case:
    """One fault: its number in the list, how it is injected, what must come of it, how often it is tried.

    `run(place, try_number)` injects it once; `place` is a running `Pad` for faults of a wire or of people, and an empty
    folder for all others. It raises AssertionError when something else than the expected is seen. What a test of its own
    tries elsewhere in the suite has `short` 0.
    """

    number: str
    fault: str
    how: str
    expected: str
    short: int
    long: int
    on_pad: bool
    run: Callable[[Any, int], Seen]

    @property
    def id(self) -> str:
        """The name of the test."""
        return f"{self.number}-{self.fault.replace(' ', '-')}"


def case(
    number: str, fault: str, how: str, expected: str, *, short: int = 1, long: int = 5, on_pad: bool = False
) -> Callable[[Callable[[Any, int], Seen]], Callable[[Any, int], Seen]]:
    """Put a function into the list of cases."""

    def enter(run: Callable[[Any, int], Seen]) -> Callable[[Any, int], Seen]:
        CASES.append(Case(number, fault, how, expected, short, long, on_pad, run))
        return run

    return enter


def fresh(folder: Path, name: str) -> Path:
    """Return a new, empty folder below `folder`."""
    number = 1
    while (place := folder / f"{name}{number}").exists():
        number += 1
    place.mkdir(parents=True)
    return place
