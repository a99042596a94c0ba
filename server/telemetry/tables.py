"""What tables and columns a session has, as the page, the exports and the store need to know it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from protocol.dictionary import Dictionary
from protocol.fields import Channel
from protocol.units import conversion
from server.telemetry.computed_tables import COMPUTED_TABLES, TABLES_OF_ROLE


@dataclass(frozen=True)
class TableSpec:
    """One table: packets come first in the dictionary's order, then what the station computes."""

    name: str
    title: str
    computed: bool
    rate_hz: float
    columns: tuple[Channel, ...]

    @cached_property
    def numeric(self) -> tuple[str, ...]:
        """Names of the columns that hold numbers."""
        return tuple(c.name for c in self.columns if c.kind != "text")

    @cached_property
    def texts(self) -> tuple[str, ...]:
        """Names of the columns that hold texts."""
        return tuple(c.name for c in self.columns if c.kind == "text")


def table_specs(dictionary: Dictionary) -> dict[str, TableSpec]:
    """Return every table of a session recorded with `dictionary`, by name."""
    specs = {
        packet.name: TableSpec(packet.name, packet.description or packet.name, False, packet.rate_hz, packet.channels)
        for packet in dictionary.packets.values()
    }
    computed = dict(COMPUTED_TABLES)
    for name, (role, title, columns) in TABLES_OF_ROLE.items():
        if role in dictionary.roles:
            computed[name] = (title, columns)
    for name, (title, columns) in computed.items():
        channels = []
        for column in columns:
            scale, offset = conversion(column.unit, column.display_unit) or (1.0, 0.0)
            channels.append(
                Channel(
                    name=column.name,
                    packet=name,
                    kind="number",
                    field_index=0,
                    unit=column.unit,
                    display_unit=column.display_unit,
                    display_scale=scale,
                    display_offset=offset,
                    role=column.role,
                    description=column.description,
                )
            )
        specs[name] = TableSpec(name, title, True, 0.0, tuple(channels))
    return specs
