"""What a calibration listens to, by role: groups of channels that belong together, such as the three axes of a unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from protocol.arrays import Floats
from protocol.dictionary import Dictionary
from protocol.fields import Channel
from server.flight.calibration.estimate import UncalibratedFault
from server.telemetry.batch import Rows

AXES = "xyz"
Signals = Mapping[str, tuple[Floats, Floats]]
"""By group: times (n,), s, ascending, and values (n, k)."""


def roles_of(group: str) -> tuple[str, ...]:
    """Return the roles of a group: three axes, or one role alone."""
    return (group,) if group == "pressure" else tuple(f"{group}.{axis}" for axis in AXES)


def channels_of(dictionary: Dictionary, groups: Sequence[str]) -> dict[str, tuple[Channel, ...]]:
    """Return the channels of each group a dictionary has; one whose axes come in several packets counts as missing."""
    found = {}
    for group in groups:
        channels = [dictionary.roles.get(role) for role in roles_of(group)]
        told = tuple(channel for channel in channels if channel is not None)
        if len(told) == len(channels) and len({channel.packet for channel in told}) == 1:
            found[group] = told
    return found


def require(dictionary: Dictionary, groups: Sequence[str]) -> None:
    """Raise UncalibratedFault when a dictionary lacks one of the groups."""
    found = channels_of(dictionary, groups)
    for group in groups:
        if group not in found:
            raise UncalibratedFault(f"the dictionary has no packet with the roles {', '.join(roles_of(group))}")


def step_of(dictionary: Dictionary, group: str) -> float:
    """Return the size of one count on the wire of a group, 0.0 where it is a float or not there."""
    channels = channels_of(dictionary, (group,)).get(group, ())
    return max((float(one.scale) for one in channels if one.scale not in (0, 1)), default=0.0)


@dataclass
class Collector:
    """Gathers the groups out of batches; `signals()` gives all so far, each moment once and in order of time."""

    channels: Mapping[str, tuple[Channel, ...]]
    texts: Mapping[str, Channel] = field(default_factory=dict)
    told: dict[str, str] = field(default_factory=dict)  # the newest text of each of `texts`

    def __post_init__(self) -> None:
        self._parts: dict[str, list[Floats]] = {group: [] for group in self.channels}

    def take(self, tables: Mapping[str, Rows]) -> None:
        """Take the rows of some time, by table."""
        for group, channels in self.channels.items():
            rows = tables.get(channels[0].packet)
            if rows is not None and len(rows):
                self.add(group, rows.t, np.column_stack([rows.numbers(one.name) for one in channels]))
        for role, channel in self.texts.items():
            rows = tables.get(channel.packet)
            if rows is not None and len(rows):
                self.told[role] = rows.texts(channel.name)[-1]

    def add(self, group: str, t_s: Floats, values: Floats) -> None:
        """Take samples of one group: times (n,), values (n, k)."""
        self._parts[group].append(np.column_stack((t_s, values)))

    def signals(self) -> Signals:
        """Return all that was heard of each group."""
        found = {}
        for group, parts in self._parts.items():
            whole = np.concatenate(parts) if parts else np.zeros((0, 1 + len(self.channels[group])))
            self._parts[group] = [whole]
            found[group] = in_order(whole[:, 0], whole[:, 1:])
        return found


def in_order(t_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return finite samples in order of time, each moment once."""
    fine = np.isfinite(t_s) & np.isfinite(values).all(axis=1)
    t, index = np.unique(t_s[fine], return_index=True)
    return t, values[fine][index]
