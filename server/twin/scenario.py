"""What a scenario is: a name, a sentence, and the numbers of the vehicle it changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from server.twin.sandpiper import Number, Vehicle, changed


@dataclass(frozen=True)
class Scenario:
    """One demonstration flight. `changes` maps dotted names of `sandpiper.Vehicle` to values."""

    name: str
    title: str
    changes: Mapping[str, Number] = field(default_factory=dict)

    def vehicle(self) -> Vehicle:
        """Return the Sandpiper with this scenario's numbers; an unknown name raises KeyError."""
        return changed(Vehicle(), self.changes)
