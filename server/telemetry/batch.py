"""What the decoders hand on: the packets of one stretch of a session, as columns, with their place in time and order.

Live, a batch is one received chunk; for a whole recording it is everything. What follows must give the same result
either way, so nothing may depend on where one batch ends and the next begins.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from protocol.arrays import Bools, Floats, Ints
from protocol.events import Event, PacketReceived
from protocol.raw_columns import Column


@dataclass
class Rows:
    """Rows of one table in order of arrival: `order` (frame index), `t`, `rx_s` (each shape (n,)), and the columns."""

    order: Ints
    t: Floats
    rx_s: Floats
    late: Bools
    columns: Mapping[str, Column]

    def __len__(self) -> int:
        return len(self.order)

    def part(self, start: int, stop: int) -> Rows:
        """Return the rows of frames `start` to `stop`, by order, the last not included."""
        rows = slice(*np.searchsorted(self.order, (start, stop)).tolist())
        columns: dict[str, Column] = {name: column[rows] for name, column in self.columns.items()}
        return Rows(self.order[rows], self.t[rows], self.rx_s[rows], self.late[rows], columns)

    def numbers(self, name: str) -> Floats:
        """Return a column of numbers, shape (n,); raises TypeError for one of texts."""
        column = self.columns[name]
        if isinstance(column, list):
            raise TypeError(f"{name} is a column of texts")
        return column

    def texts(self, name: str) -> list[str]:
        """Return a column of texts, one per row; raises TypeError for one of numbers."""
        column = self.columns[name]
        if not isinstance(column, list):
            raise TypeError(f"{name} is a column of numbers")
        return column


@dataclass
class Batch:
    """One stretch of a session: rows by table, link events with (order, rx_s, t), and the frames' arrival.

    `frame_rx_s` holds the arrival of every frame of the stretch, good or not, `frame_bytes` its size on the wire and
    `frame_t` the greatest t heard up to and with it; `first_order` is the order of the first of them.
    """

    rows: dict[str, Rows] = field(default_factory=dict)
    events: list[tuple[int, float, float, Event]] = field(default_factory=list)
    frame_rx_s: Floats = field(default_factory=lambda: np.zeros(0))
    frame_bytes: Floats = field(default_factory=lambda: np.zeros(0))
    frame_t: Floats = field(default_factory=lambda: np.zeros(0))
    first_order: int = 0
    identities: list[PacketReceived] = field(default_factory=list)  # live only: what the vehicle said of itself
    failure: Exception | None = None  # what kept some of the bytes from being decoded

    def part(self, start: int, stop: int) -> Batch:
        """Return the frames `start` to `stop`, by order, the last not included."""
        rows = {name: part for name, whole in self.rows.items() if len(part := whole.part(start, stop))}
        events = [event for event in self.events if start <= event[0] < stop]
        frames = slice(start - self.first_order, stop - self.first_order)
        return Batch(rows, events, self.frame_rx_s[frames], self.frame_bytes[frames], self.frame_t[frames], start)


def joined(parts: Sequence[Rows]) -> Rows:
    """Return rows of one table, n > 0 stretches of it, as one."""
    if len(parts) == 1:
        return parts[0]
    columns: dict[str, Column] = {}
    for name, first in parts[0].columns.items():
        if isinstance(first, list):
            columns[name] = [text for part in parts for text in part.texts(name)]
        else:
            columns[name] = np.concatenate([part.numbers(name) for part in parts])
    order, late = np.concatenate([part.order for part in parts]), np.concatenate([part.late for part in parts])
    return Rows(order, np.concatenate([p.t for p in parts]), np.concatenate([p.rx_s for p in parts]), late, columns)


def rows_from_events(items: list[tuple[int, float, float, PacketReceived]]) -> Rows:
    """Make rows of one table from live packets, n > 0 of one kind, given as (order, rx_s, t, event); columns in SI units."""
    packet = items[0][3].packet
    by_channel = zip(*[event.values for _, _, _, event in items], strict=True)
    columns: dict[str, Column] = {}
    if packet.has_texts:
        for channel, values in zip(packet.channels, by_channel, strict=True):
            columns[channel.name] = list(values) if channel.kind == "text" else np.array(values, dtype=np.float64)
    else:  # all at once: live it is made for every few rows
        columns.update(zip(packet.channel_names, np.array(list(by_channel), dtype=np.float64), strict=True))
    return Rows(
        np.array([order for order, _, _, _ in items], dtype=np.int64),
        np.array([t for _, _, t, _ in items], dtype=np.float64),
        np.array([rx_s for _, rx_s, _, _ in items], dtype=np.float64),
        np.array([event.late for _, _, _, event in items], dtype=bool),
        columns,
    )
