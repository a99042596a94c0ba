"""What was heard around the flight, kept as columns so that a moment later can be judged as a whole.

Kept from `BEFORE_S` before lift-off to `LONGEST_S` after it; on the pad old pieces are dropped, so that hours of waiting
cost nothing. A window is cut by vehicle time and by the order of arrival: judging at frame k sees exactly what had been
heard up to frame k, whether the data came in one piece or packet by packet.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats, Ints
from server.telemetry.batch import Rows

Block = tuple[Ints, Floats]
"""Rows in order of arrival: the frames they came with, shape (n,), and t and the columns side by side."""
Piece = tuple[Ints, Floats, Mapping[str, Floats]]
"""The same as it came: frames, t, columns by name. Live every packet is one, so nothing is done with it by itself."""
BEFORE_S = 60.0
LONGEST_S = 1200.0
PIECES = 64
NEAR_S = 0.3
NOTHING_MERGED: Mapping[str, tuple[str, ...]] = {}


@dataclass(frozen=True)
class Window:
    """Samples of one series: times of shape (n,) in order of arrival, and its columns by role or name, each (n,)."""

    t: Floats
    columns: Mapping[str, Floats]

    def __len__(self) -> int:
        return len(self.t)

    def __getitem__(self, name: str) -> Floats:
        return self.columns[name]

    def stack(self, *names: str) -> Floats:
        """Return those columns side by side, shape (n, len(names))."""
        return np.column_stack([self.columns[name] for name in names])


def merged(window: Window, leading: tuple[str, ...]) -> Window:
    """Return the rows that hold the leading columns, with the others of other packets brought to their times.

    Where all come in one packet, or none of the leading ones does, nothing is changed. Between samples not further apart
    than `NEAR_S` a straight line; elsewhere there is nothing (NaN).
    """
    leads = np.isfinite(window.stack(*leading)).all(axis=1)
    known = {name: np.isfinite(column) for name, column in window.columns.items()}
    apart = {name for name, there in known.items() if there.any() and not (there & leads).any()}
    if not leads.any() or not apart:
        return window
    order = np.argsort(window.t[leads], kind="stable")
    t = window.t[leads][order]
    return Window(
        t,
        {
            name: _brought_to(t, window.t[known[name]], column[known[name]]) if name in apart else column[leads][order]
            for name, column in window.columns.items()
        },
    )


def _brought_to(t: Floats, known_t: Floats, values: Floats) -> Floats:
    if len(known_t) < 2:
        return np.full(len(t), np.nan)
    at, first = np.unique(known_t, return_index=True)
    after = np.clip(np.searchsorted(at, t), 1, len(at) - 1) if len(at) > 1 else np.zeros(len(t), dtype=np.int64)
    near = (at[after] - at[after - 1] <= NEAR_S) & (t >= at[0]) & (t <= at[-1])
    return np.where(near, np.interp(t, at, values[first]), np.nan)


class Series:
    """One table's rows, piece by piece; `PIECES` at a time are joined into a block, and blocks are left as they are.

    A block that took in what comes later would never end before any time, and nothing would ever be forgotten. The first
    block may be of fewer pieces, `first`, so that tables heard together are not all joined in the same moment.
    """

    def __init__(self, names: tuple[str, ...], first: int = PIECES) -> None:
        self.names = names
        self._block_of = first
        self._blocks: deque[Block] = deque()
        self._pieces: list[Piece] = []

    @property
    def kept(self) -> int:
        """How many rows are held."""
        return sum(len(part[0]) for part in (*self._blocks, *self._pieces))

    def add(self, order: Ints, t: Floats, columns: Mapping[str, Floats]) -> None:
        """Append rows; a missing column is all NaN."""
        self._pieces.append((order, t, columns))
        if len(self._pieces) >= self._block_of:
            self._block_of = PIECES
            self._blocks.append(self._joined())
            self._pieces.clear()

    def forget_before(self, t_s: float) -> None:
        """Drop blocks that end before a time."""
        while self._blocks and self._blocks[0][1][-1, 0] < t_s:
            self._blocks.popleft()

    def clear(self) -> None:
        """Drop everything."""
        self._blocks.clear()
        self._pieces.clear()

    def window(self, start_s: float, stop_s: float, upto_order: int) -> Window:
        """Return the rows of a stretch of vehicle time that had come with frame `upto_order`."""
        blocks = [*self._blocks, *([self._joined()] if self._pieces else [])]
        if not blocks:
            return Window(np.zeros(0), {name: np.zeros(0) for name in self.names})
        order, table = (np.concatenate(parts) for parts in zip(*blocks, strict=True))
        t = table[:, 0]
        table = table[(order <= upto_order) & (t >= start_s) & (t <= stop_s)]
        return Window(table[:, 0].copy(), {name: table[:, i].copy() for i, name in enumerate(self.names, 1)})

    def _joined(self) -> Block:
        """Return the pieces as one block."""
        order = np.concatenate([order for order, _, _ in self._pieces])
        table = np.empty((len(order), 1 + len(self.names)))
        table[:, 0] = np.concatenate([t for _, t, _ in self._pieces])
        for place, name in enumerate(self.names, 1):
            table[:, place] = np.concatenate(
                [columns[name] if name in columns else np.full(len(t), np.nan) for _, t, columns in self._pieces]
            )
        return order, table


class FlightLog:
    """All series of a session that judging needs, by name."""

    def __init__(
        self, series: Mapping[str, tuple[str, ...]], merged: Mapping[str, tuple[str, ...]] = NOTHING_MERGED
    ) -> None:
        self._merged = merged
        self._series = {
            name: Series(columns, 1 + place * PIECES // len(series)) for place, (name, columns) in enumerate(series.items())
        }
        self.lift_off_s: float | None = None
        self.closed = False

    def add(self, name: str, rows: Rows, columns: Mapping[str, Floats]) -> None:
        """Append rows of a series."""
        if self.closed or not len(rows):
            return
        series = self._series[name]
        if self.lift_off_s is not None and rows.t[0] > self.lift_off_s + LONGEST_S:
            return
        series.add(rows.order, rows.t, columns)
        if self.lift_off_s is None:
            # Windows begin at most BEFORE_S back, so that what is dropped here never matters.
            series.forget_before(float(rows.t[0]) - 2 * BEFORE_S)

    def window(self, name: str, start_s: float, stop_s: float, upto_order: int) -> Window:
        """Return a stretch of a series; before lift-off is known at most `BEFORE_S` back can be asked for."""
        window = self._series[name].window(start_s, stop_s, upto_order)
        return merged(window, self._merged[name]) if name in self._merged else window

    @property
    def kept(self) -> int:
        """How many rows are held, of all series."""
        return sum(series.kept for series in self._series.values())

    def close(self) -> None:
        """The flight is judged: drop everything, keep nothing more."""
        self.closed = True
        for series in self._series.values():
            series.clear()
