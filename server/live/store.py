"""The live session's rows in memory, bounded, with an absolute number for every row.

Each table keeps its newest `FULL_ROWS` rows as they came and, of what is older, ever fewer: whenever a table is full, the
older half is thinned to every second row. A station that stands on the pad for hours stays small, and the page still
sees the whole time. The recording keeps everything; nothing here is a record.

Row numbers count all rows ever added. After thinning, the oldest rows kept no longer have their own number; what counts
is the number of the next row, so a reader who knows it can ask for all rows since.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import NamedTuple

import numpy as np

from server.telemetry.batch import Rows
from server.telemetry.columns import PLACE_COLUMNS
from server.telemetry.journal import JournalEntry, JournalShape
from server.telemetry.tables import TableSpec

FULL_ROWS = 16384
JOURNAL_KEPT = 20000
ONE_OFF = frozenset({"command", "permit", "trial", "mark"})
"""Topics whose entries come under a new key each time."""


class Heard(NamedTuple):
    """A value, the session second it arrived and the timeline second it stands for."""

    value: float
    rx_s: float
    t: float


class TableStore:
    """Rows of one table: t, rx and the numeric columns in one matrix, texts beside it."""

    def __init__(self, spec: TableSpec) -> None:
        self.spec = spec
        self.next_index = 0
        self.count = 0
        self._width = len(PLACE_COLUMNS) + len(spec.numeric)
        self._matrix = np.zeros((256, self._width))
        self._texts: dict[str, list[str]] = {name: [] for name in spec.texts}
        self._newest: list[float] | None = None

    def add(self, rows: Rows) -> None:
        """Append rows in order of arrival."""
        size = len(rows)
        for start in range(0, size, FULL_ROWS // 2):
            self._add_part(rows, start, min(start + FULL_ROWS // 2, size))

    def _add_part(self, rows: Rows, start: int, stop: int) -> None:
        self._make_room(stop - start)
        part = self._matrix[self.count : self.count + stop - start]
        part[:, 0] = rows.t[start:stop]
        part[:, 1] = rows.rx_s[start:stop]
        for i, name in enumerate(self.spec.numeric, start=2):
            part[:, i] = rows.columns[name][start:stop]
        for name, texts in self._texts.items():
            texts += rows.columns[name][start:stop]
        if not rows.late[stop - 1]:
            self._newest = part[-1].tolist()
        elif (in_time := np.flatnonzero(~rows.late[start:stop])).size:
            self._newest = part[in_time[-1]].tolist()
        self.count += stop - start
        self.next_index += stop - start

    def _make_room(self, size: int) -> None:
        while self.count + size > FULL_ROWS * 2:
            self._thin()
        if self.count + size > len(self._matrix):
            bigger = np.zeros((min(max(2 * len(self._matrix), self.count + size), FULL_ROWS * 2), self._width))
            bigger[: self.count] = self._matrix[: self.count]
            self._matrix = bigger

    def _thin(self) -> None:
        """Keep every second row of the older half."""
        half = self.count // 2
        keep = np.concatenate((np.arange(0, half, 2), np.arange(half, self.count)))
        self._matrix[: len(keep)] = self._matrix[keep]
        for name, texts in self._texts.items():
            self._texts[name] = [texts[i] for i in keep.tolist()]
        self.count = len(keep)

    def matrix(self) -> np.ndarray:
        """Return all rows kept, shape (count, 2 + numeric columns); a view, valid until the next `add`."""
        return self._matrix[: self.count]

    def texts(self) -> dict[str, list[str]]:
        """Return the text columns of all rows kept."""
        return self._texts

    def since(self, index: int, at_most: int) -> tuple[int, list[list[object]]]:
        """Return (number of the first row, rows) from row number `index` on, the newest `at_most` of them.

        A row is [t, rx, values in the table's order]; non-finite numbers are "nan", "inf", "-inf".
        """
        size = min(self.next_index - index, at_most, self.count)
        block = self._matrix[self.count - size : self.count]
        rows: list[list[object]] = block.tolist() if np.isfinite(block).all() else _worded(block.tolist())
        if self._texts:
            rows = [self._with_texts(row, self.count - size + i) for i, row in enumerate(rows)]
        return self.next_index - size, rows

    def _with_texts(self, row: list[object], position: int) -> list[object]:
        numbers = iter(row[2:])
        values = [self._texts[c.name][position] if c.kind == "text" else next(numbers) for c in self.spec.columns]
        return [*row[:2], *values]

    def last(self, column: str) -> Heard | None:
        """Return a numeric column's value in the newest row; a packet that came late is never the newest."""
        if self._newest is None:
            return None
        return Heard(self._newest[2 + self.spec.numeric.index(column)], self._newest[1], self._newest[0])


def _worded(rows: list[list[float]]) -> list[list[object]]:
    return [[value if value - value == 0 else _word(value) for value in row] for row in rows]


def _word(value: float) -> str:
    return "nan" if value != value else "inf" if value > 0 else "-inf"


class LiveStore:
    """All tables and the journal of the session being recorded."""

    def __init__(self, specs: dict[str, TableSpec]) -> None:
        self.specs = specs
        self.tables = {name: TableStore(spec) for name, spec in specs.items()}
        self._places = {
            c.role: (spec.name, c.name) for spec in specs.values() for c in spec.columns if c.role and c.kind != "text"
        }
        self.journal: list[JournalShape] = []
        self.journal_next = 0
        self.version = 0

    def add(self, rows: dict[str, Rows], entries: list[JournalEntry]) -> None:
        """Take what the pipeline made of one record."""
        for name, part in rows.items():
            self.add_rows(name, part)
        self.add_entries(entries)

    def add_rows(self, name: str, rows: Rows) -> None:
        """Append rows of one table."""
        self.tables[name].add(rows)
        self.version += 1

    def add_entries(self, entries: list[JournalEntry]) -> None:
        """Append journal entries; what was judged late comes late, whatever moment it belongs to."""
        for entry in entries:
            self.journal.append(entry.as_dict(self.journal_next))
            self.journal_next += 1
        if len(self.journal) > JOURNAL_KEPT:
            self._trim_journal()
        if entries:
            self.version += 1

    def _trim_journal(self) -> None:
        """Drop old entries, but never the one that is the present state of something.

        Of what has a new key each time that would be everything for ever: events go, of the others a quarter stays.
        """
        newest = {(e["topic"], e["key"]): e["i"] for e in self.journal}
        cut = len(self.journal) - JOURNAL_KEPT // 2
        old = [e for e in self.journal[:cut] if newest[(e["topic"], e["key"])] == e["i"] and e["topic"] != "event"]
        one_off = [e["i"] for e in old if e["topic"] in ONE_OFF]
        first = one_off[-JOURNAL_KEPT // 4 :][0] if one_off else 0
        self.journal = [e for e in old if e["topic"] not in ONE_OFF or e["i"] >= first] + self.journal[cut:]

    def latest(self, role: str) -> Heard | None:
        """Return the newest value of a role, or None when there is none."""
        place = self._places.get(role)
        return self.tables[place[0]].last(place[1]) if place else None

    def rx_at(self, t: float) -> float | None:
        """Return the session second in which the newest row up to timeline second `t` came, None when there is none.

        A late row came when the timeline was further than its own t: it counts with the row before it, as on the page.
        """
        found = []
        for table in self.tables.values():
            rows = table.matrix()
            row = int(np.searchsorted(np.maximum.accumulate(rows[:, 0]), t, side="right")) - 1
            if row >= 0:
                found.append(float(rows[row, 1]))
        return max(found, default=None)

    def cursor(self) -> dict[str, int]:
        """Return the number of the next row of every table."""
        return {name: table.next_index for name, table in self.tables.items()}

    def journal_since(self, index: int) -> list[JournalShape]:
        """Return the entries numbered `index` and later."""
        missing = self.journal_next - index
        newest = self.journal[max(0, len(self.journal) - missing) :] if missing > 0 else []
        # Where the journal was trimmed, that many entries reach further back than asked for.
        return newest[bisect_left(newest, index, key=lambda entry: entry["i"]) :]
