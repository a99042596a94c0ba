"""One step of a bench trial, as `plan` reads it and `trial` takes it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from protocol.commands import Command, Condition


@dataclass(frozen=True)
class Sample:
    """What a step of a sweep measures: the role, what was asked, the direction it is reached in, and for how long."""

    role: str
    group: str  # which sweep: one linkage
    commanded: float
    direction: int
    dwell_s: float


@dataclass(frozen=True)
class Followed:
    """What is kept while a step is under way: which servo, and the roles of its commanded and measured angle."""

    group: str
    commanded: str
    measured: str


@dataclass(frozen=True)
class Step:
    """One step with every placeholder filled in. `command` is None for a mere wait."""

    place: str
    title: str
    command: Command | None
    args: Mapping[str, float]
    expect: tuple[Condition, ...]
    within_s: float
    settle_s: float
    is_ping: bool = False
    sample: Sample | None = None
    followed: Followed | None = None

    @property
    def label(self) -> str:
        """What its times are gathered under: the command and its worded arguments, whichever channel it is for."""
        if self.command is None:
            return self.title
        words = [arg.values[int(self.args[arg.name])] for arg in self.command.args if arg.values]
        return ", ".join([self.command.title, *words])
