"""What a trial keeps while it runs: where it is, its first failure, and all that the result is made of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypedDict

from server.flight.control.linkage import SweepPoint


class Progress(TypedDict):
    """Where a trial is, for a person to watch. `step_number` of `steps`: all cycles; 0 before the first."""

    state: str
    run: int
    runs: int
    cycle: int
    cycles: int
    variant: str
    step: str
    step_number: int
    steps: int
    passed: int
    failed: int


class Failure(Progress):
    """Where a trial was at its first failure, why (`cause`), and the session second (`rx`)."""

    cause: str
    rx: float


@dataclass
class Score:
    """What is kept. Times in seconds, angles in rad."""

    passed: int = 0
    failed: int = 0
    failure: Failure | None = None
    by_variant: dict[str, list[int]] = field(default_factory=dict)  # title -> [passed, failed]
    latencies: dict[str, list[float]] = field(default_factory=dict)  # label -> asked to verified
    sweeps: dict[str, list[SweepPoint]] = field(default_factory=dict)
    pings: int = 0
    pings_answered: int = 0
    ping_sends: int = 0
    round_trips: list[float] = field(default_factory=list)
