"""What a rehearsal leaves: each moment's stimuli and what the flight computer answered to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from protocol.arrays import Floats
from server.rehearsal.answers import Answer
from server.rehearsal.plant import Ordered
from server.rehearsal.sensor_faults import Stimulus


class Frame(NamedTuple):
    """One moment: when (us since the beginning), what was sent, and the answer, None where none was wanted or none came."""

    time_us: int
    stimuli: Sequence[Stimulus]
    answer: Answer | None


class Outage(NamedTuple):
    """The computer was without power from a frame and a time on, s, until another; then it started anew."""

    frame: int
    from_s: float
    until_s: float


@dataclass
class Flown:
    """One run. `ended` is why it ended before its time, "" when it was flown to its end.

    `deployed_s` is when recovery was first ordered, `delays_s` each step's time from sending to its answer, `missed` how
    many moments passed in which the computer was still busy, `invalid` why the run shows nothing of it, "" when it does.
    `ordered` are the lateral motors. `cut`: it was asked to end before the landing. `truth` is the simulated vehicle's true
    motion, None in a replay; `true_phases` are the phases it really went through, (name, since when in s).
    """

    frames: list[Frame] = field(default_factory=list)
    ended: str = ""
    ordered: list[Ordered] = field(default_factory=list)
    outages: list[Outage] = field(default_factory=list)
    deployed_s: float | None = None
    delays_s: list[float] = field(default_factory=list)
    lost: int = 0
    missed: int = 0
    invalid: str = ""
    cycle_us: int = 0
    took_s: float = 0.0
    firmware: str = ""
    truth: Mapping[str, Floats] | None = None
    landed: bool = False
    cut: bool = False
    landing_s: float | None = None
    true_phases: Sequence[tuple[str, float]] = ()

    @property
    def duration_s(self) -> float:
        """Rehearsed seconds."""
        return self.frames[-1].time_us / 1e6 if self.frames else 0.0
