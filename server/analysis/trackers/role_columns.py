"""How trackers look up the columns they need by role."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import repeat
from typing import TypeVar

import numpy as np

from protocol.arrays import Bools, Floats, Ints
from protocol.fields import Channel
from protocol.roles import to_role_unit
from server.telemetry.batch import Batch, Rows

Take = TypeVar("Take")
Flying = Callable[[Ints], Bools]
"""Tells for frames (by order, shape (n,)) of the last batch whether the vehicle flew."""

TEXT_ROLES = frozenset({"event.text"})


class RoleColumns:
    """The dictionary's roles, and the rows and columns of a batch that hold them.

    A role on a channel of the wrong kind, a voltage as text or in meters, counts as not there: nothing could be computed
    of it. Values are in the units of the registry (`protocol.roles`).
    """

    def __init__(self, roles: Mapping[str, Channel]) -> None:
        self.roles = {
            role: c
            for role, c in roles.items()
            if (c.kind == "text") == (role in TEXT_ROLES) and to_role_unit(role, c.unit) is not None
        }
        self._names: dict[tuple[tuple[str, ...], str], list[tuple[str, str]]] = {}

    def table_of(self, batch: Batch, role: str) -> tuple[Rows, Channel] | None:
        """Return the rows in which a role comes and its channel, or None when the batch has none."""
        channel = self.roles.get(role)
        if channel is None:
            return None
        rows = batch.rows.get(channel.packet)
        return (rows, channel) if rows is not None else None

    def columns(self, rows: Rows, roles: tuple[str, ...], packet: str) -> dict[str, Floats]:
        """Return the columns of those roles that live in this packet, by role."""
        names = self._names.get((roles, packet))
        if names is None:
            found = [(role, self.roles[role]) for role in roles if role in self.roles]
            names = self._names[roles, packet] = [(role, c.name) for role, c in found if c.packet == packet]
        return {role: rows.numbers(name) for role, name in names}

    def together(self, batch: Batch, roles: tuple[str, ...]) -> tuple[Rows, dict[str, Floats]] | None:
        """Return rows and all those roles' columns when one packet holds them all and the batch has some of it."""
        found = self.table_of(batch, roles[0])
        if found is None:
            return None
        columns = self.columns(found[0], roles, found[1].packet)
        return (found[0], columns) if len(columns) == len(roles) else None

    def steps(
        self, batch: Batch, ways: Iterable[tuple[tuple[str, ...], Take]]
    ) -> Iterator[tuple[int, float, float, Take, tuple[float, ...]]]:
        """Go through the rows of several packets in order of arrival, as (order, rx_s, t, take, values).

        `ways` are the roles that one packet must hold together, each with what takes their values. Of rows that came in one
        frame the way named first comes first. Made one by one: an hour's at once keep the collector of garbage busy.
        """
        tables = [(*found, take) for roles, take in ways if (found := self.together(batch, roles)) is not None]
        if not tables:
            return iter(())
        # repeat has no end, so that zip cannot be strict; a table's columns are of one length.
        rows = [
            zip(
                table.order.tolist(),
                table.rx_s.tolist(),
                table.t.tolist(),
                repeat(take),
                zip(*[column.tolist() for column in columns.values()], strict=True),
                strict=False,
            )
            for table, columns, take in tables
        ]
        whose = np.repeat(np.arange(len(tables)), [len(table.order) for table, _, _ in tables])
        order = np.argsort(np.concatenate([table.order for table, _, _ in tables]), kind="stable")
        return map(next, map(rows.__getitem__, whose[order].tolist()))


def changes(values: Floats, before: float | None) -> list[tuple[int, float]]:
    """Return (row, value) wherever a column differs from the row before it; non-finite rows are passed over."""
    out: list[tuple[int, float]] = []
    if before is not None and len(values) and (values == before).all():
        return out
    for row, value in enumerate(values.tolist()):
        if value == value and value != before:
            out.append((row, value))
            before = value
    return out
