"""The live store: bounded, every row numbered, the newest as they came."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

import server.live.store
from server.live.store import FULL_ROWS, LiveStore, TableStore
from server.telemetry.batch import Rows
from server.telemetry.journal import JournalEntry
from server.telemetry.tables import table_specs
from tests.protocol.helpers import SMALL

SPEC = table_specs(SMALL)["all"]


def rows(start: int, stop: int, **over: float) -> Rows:
    """Rows whose every number tells its row."""
    n = np.arange(start, stop, dtype=np.float64)
    columns = {c.name: [str(i) for i in range(start, stop)] if c.kind == "text" else n.copy() for c in SPEC.columns}
    for name, value in over.items():
        columns[name][:] = value
    return Rows(n.astype(np.int64), n / 10, n / 5, np.zeros(len(n), dtype=bool), columns)


@pytest.mark.parametrize("step", [1, 7, 900, 40_000])
def test_the_newest_rows_are_exactly_as_they_came(step: int) -> None:
    table, total = TableStore(SPEC), 60_000 if step > 1 else 3000
    for start in range(0, total, step):
        table.add(rows(start, min(start + step, total)))
    assert table.next_index == total
    assert table.count <= 2 * FULL_ROWS
    first, newest = table.since(0, min(FULL_ROWS, total))
    assert first == total - len(newest)
    numbers = range(first, total)
    assert [row[0] for row in newest] == [n / 10 for n in numbers]
    assert [row[-1] for row in newest] == [str(n) for n in numbers]
    assert table.last("a_u8")[:2] == (total - 1, (total - 1) / 5)


def test_when_what_was_known_at_a_timeline_second_had_come() -> None:
    store = LiveStore(table_specs(SMALL))
    assert store.rx_at(5.0) is None
    store.add({"all": rows(10, 100)}, [])  # row n: timeline n / 10, arrived at n / 5
    assert store.rx_at(0.9) is None
    assert (store.rx_at(1.0), store.rx_at(5.04), store.rx_at(1e9)) == (2.0, 10.0, 99 / 5)


def test_a_late_row_counts_with_the_row_before_it() -> None:
    store, late = LiveStore(table_specs(SMALL)), rows(10, 20)
    late.t[5] = 0.2
    store.add({"all": late}, [])
    assert [store.rx_at(t) for t in (1.3, 1.4, 1.5, 1.6, 1.7)] == [2.6, 3.0, 3.0, 3.2, 3.4]


def test_what_is_old_thins_out_but_reaches_back_to_the_beginning() -> None:
    table = TableStore(SPEC)
    for start in range(0, 200_000, 1000):
        table.add(rows(start, start + 1000))
    t = table.matrix()[:, 0]
    assert t[0] == 0.0 and (np.diff(t) > 0).all()
    assert len(t) == len(table.texts()["note"]) == table.count
    assert [float(text) / 10 for text in table.texts()["note"]] == t.tolist()


def test_thinning_keeps_every_second_row_of_the_older_half() -> None:
    table = TableStore(SPEC)
    table.add(rows(0, 2 * FULL_ROWS))
    table.add(rows(2 * FULL_ROWS, 2 * FULL_ROWS + 1))
    kept = [int(text) for text in table.texts()["note"]]
    assert kept == [*range(0, FULL_ROWS, 2), *range(FULL_ROWS, 2 * FULL_ROWS + 1)]


def test_since_a_row_number() -> None:
    table = TableStore(SPEC)
    table.add(rows(0, 100))
    assert table.since(100, 50) == (100, [])
    first, some = table.since(97, 50)
    assert (first, len(some)) == (97, 3)
    first, some = table.since(0, 10)
    assert (first, len(some), some[0][0]) == (90, 10, 9.0)


def test_what_json_cannot_say_is_said_in_words() -> None:
    table = TableStore(SPEC)
    table.add(rows(0, 1, a_f32=math.nan, a_f64=math.inf, a_i32=-math.inf))
    table.add(rows(1, 2))
    _, (bad, good) = table.since(0, 10)
    names = ["t", "rx", *[c.name for c in SPEC.columns]]
    told = dict(zip(names, bad, strict=True))
    assert (told["a_f32"], told["a_f64"], told["a_i32"]) == ("nan", "inf", "-inf")
    assert all(isinstance(v, float | str) for v in good)
    json.dumps([bad, good], allow_nan=False)
    assert math.isnan(table.matrix()[0, 2 + SPEC.numeric.index("a_f32")])


def test_roles_find_their_newest_value() -> None:
    store = LiveStore(table_specs(SMALL))
    assert store.latest("boot_id") is None and store.latest("no such role") is None
    n = np.array([7.0])
    beat = Rows(np.array([0]), n, n * 2, np.array([False]), {"boot": n, "n": n})
    store.add({"beat": beat}, [])
    assert store.latest("boot_id")[:2] == (7.0, 14.0)
    assert store.cursor()["beat"] == 1


def entry(number: int, topic: str = "event", key: str = "") -> JournalEntry:
    return JournalEntry(float(number), float(number), topic, key or f"e{number}", "info", f"text {number}")


def test_journal_is_numbered_and_given_from_a_number_on() -> None:
    store = LiveStore(table_specs(SMALL))
    store.add({}, [entry(n) for n in range(10)])
    version = store.version
    store.add({}, [])
    assert store.version == version
    assert [e["i"] for e in store.journal_since(7)] == [7, 8, 9]
    assert store.journal_since(10) == [] and len(store.journal_since(0)) == 10


def test_a_trimmed_journal_keeps_the_state_of_things_and_never_gives_what_was_not_asked_for(monkeypatch) -> None:
    monkeypatch.setattr(server.live.store, "JOURNAL_KEPT", 100)
    store = LiveStore(table_specs(SMALL))
    store.add({}, [entry(0, "phase", "ground"), entry(1, "alarm", "limit x")])
    for n in range(2, 400):
        store.add({}, [entry(n)])
        assert len(store.journal) <= 101
        for since in (0, n // 2, n - 60, n):
            numbers = [e["i"] for e in store.journal_since(since)]
            assert numbers == sorted(numbers) and all(i >= since for i in numbers)
            assert numbers[-1] == n
    kept = {(e["topic"], e["key"]) for e in store.journal}
    assert {("phase", "ground"), ("alarm", "limit x")} <= kept


def test_many_commands_push_no_standing_alarm_out_of_the_journal(monkeypatch) -> None:
    monkeypatch.setattr(server.live.store, "JOURNAL_KEPT", 100)
    store = LiveStore(table_specs(SMALL))
    store.add({}, [entry(0, "alarm", "limit x")])
    for n in range(1, 2000):
        store.add({}, [entry(n, "command", f"c{n}")])
        assert len(store.journal) <= 101
    kept = [e["i"] for e in store.journal]
    assert kept[0] == 0 and kept == sorted(kept) and kept[1:] == list(range(kept[1], 2000)) and len(kept) > 50
