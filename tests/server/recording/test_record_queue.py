"""The bounded queue between the callers and the disk."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from server.recording.record_queue import RecordQueue
from server.recording.records import Kind
from server.recording.segment import PackedRecord

PLENTY = 1 << 30


def entry(sequence: int, kind: Kind = Kind.RECEIVED, size: int = 800, mono_ns: int | None = None) -> PackedRecord:
    return PackedRecord(kind, sequence, sequence * 10 if mono_ns is None else mono_ns, b"x" * size)


def sequences(entries: list[PackedRecord]) -> list[int]:
    return [one.sequence for one in entries]


def test_first_in_first_out_in_batches() -> None:
    queue = RecordQueue()
    for number in range(5):
        queue.push(entry(number), PLENTY)
    assert sequences(queue.take(2000)) == [0, 1]
    assert sequences(queue.take(1)) == [2]
    assert len(queue) == 2
    assert sequences(queue.take(PLENTY)) == [3, 4]
    assert queue.take(PLENTY) == []


def test_what_is_put_back_comes_first_again() -> None:
    queue = RecordQueue()
    for number in range(4):
        queue.push(entry(number), PLENTY)
    taken = queue.take(2000)
    queue.push(entry(4), PLENTY)
    queue.put_back(taken)
    assert sequences(queue.take(PLENTY)) == [0, 1, 2, 3, 4]


def test_over_the_limit_the_oldest_received_bytes_go_and_notes_stay() -> None:
    queue = RecordQueue()
    queue.push(entry(0, Kind.INTENT), 8000)
    for number in range(1, 10):
        queue.push(entry(number), 8000)
    kept = sequences(queue.take(PLENTY))
    assert kept == [0, 3, 4, 5, 6, 7, 8, 9]
    dropped = queue.forget_dropped()
    assert (dropped.received, dropped.notes) == (2, 0)
    assert (dropped.first_sequence, dropped.last_sequence) == (1, 2)
    assert (dropped.first_mono_ns, dropped.last_mono_ns) == (10, 20)
    assert dropped.note()["dropped_received"] == 2
    assert not queue.dropped


def test_notes_go_only_when_nothing_else_is_left() -> None:
    queue = RecordQueue()
    for number in range(10):
        queue.push(entry(number, Kind.RECEIVED if number == 5 else Kind.ACT), PLENTY)
    queue.shrink(5000)
    assert sequences(queue.take(PLENTY)) == [4, 6, 7, 8, 9]
    assert (queue.dropped.received, queue.dropped.notes) == (1, 4)
    assert (queue.dropped.first_sequence, queue.dropped.last_sequence) == (0, 5)


def test_old_bytes_are_dropped_by_time_and_old_notes_stay() -> None:
    queue = RecordQueue()
    for number, kind in enumerate([Kind.RECEIVED, Kind.INTENT, Kind.RECEIVED, Kind.RECEIVED]):
        queue.push(entry(number, kind), PLENTY)
    queue.drop_older(30)
    assert sequences(queue.take(PLENTY)) == [1, 3]
    assert queue.dropped.received == 2


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 3000)), max_size=60), st.integers(1, 20_000))
def test_nothing_is_lost_uncounted_and_the_bound_holds(pushes: list[tuple[bool, int]], limit: int) -> None:
    queue = RecordQueue()
    for number, (raw, size) in enumerate(pushes):
        queue.push(entry(number, Kind.RECEIVED if raw else Kind.NOTE, size), limit)
    kept = queue.take(PLENTY)
    assert len(kept) + queue.dropped.received + queue.dropped.notes == len(pushes)
    assert sequences(kept) == sorted(sequences(kept))
    assert sum(len(one.data) for one in kept) <= limit
