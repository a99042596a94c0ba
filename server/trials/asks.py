"""What a trial asks of the station, and what it is shown of a command under way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol


class SeenCommand(Protocol):
    """What a trial looks at of a command under way; `steps` maps each step to the session second it was reached."""

    @property
    def state(self) -> str:
        """Where it stands."""
        ...

    @property
    def state_text(self) -> str:
        """The same in words, with the reason."""
        ...

    @property
    def reason(self) -> str | None:
        """Why it stands there, where there is something to say."""
        ...

    @property
    def steps(self) -> Mapping[str, float | None]:
        """When each step was reached."""
        ...

    @property
    def missing(self) -> str | None:
        """The first step still expected."""
        ...

    @property
    def sends(self) -> int:
        """How many copies of its frame have left."""
        ...


@dataclass(frozen=True, slots=True)
class Send:
    """Ask for this command; tell what came of it by `on_asked`."""

    command: str
    args: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class SafeAll:
    """Ask for safe all; tell how it looks by `on_safing`."""


@dataclass(frozen=True, slots=True)
class Disarm:
    """Ask for this routine command, which safes what safe all leaves as it is; nothing hangs on the answer."""

    command: str
    args: Mapping[str, float]
