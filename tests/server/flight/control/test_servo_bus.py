"""The servo bus: dead and alive with patience both ways, dated by the last sign of life, the same in any cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.flight.control.servo_bus import ALIVE, ALIVE_ROWS, DEAD, DEAD_ROWS, DEAD_S, BusWatch, age_levels, voltage_levels

STEP_S = 0.05


def told(levels: list[int], start_t: float = 0.0) -> list[tuple[int, bool, float]]:
    t = start_t + STEP_S * np.arange(len(levels))
    return [(c.row, c.dead, round(c.since_t, 6)) for c in BusWatch().take(t, np.array(levels, dtype=np.int8), t)]


def test_levels_at_and_around_the_thresholds_and_of_what_is_no_number() -> None:
    bad = [np.nan, np.inf, -np.inf]
    assert voltage_levels(np.array([0.0, 2.0, 2.01, 2.99, 3.0, 8.0, *bad])).tolist() == [-1, -1, 0, 0, 1, 1, 0, 0, 0]
    assert age_levels(np.array([0.0, 0.1, 0.11, 0.24, 0.25, 60.0, *bad])).tolist() == [1, 1, 0, 0, -1, -1, 0, 0, 0]


def test_it_takes_rows_in_a_row_to_be_dead() -> None:
    alive, dead = [ALIVE] * 10, [DEAD]
    assert told(alive + dead * (DEAD_ROWS - 1) + [ALIVE] + dead * (DEAD_ROWS - 1)) == [(2, False, 0.0)]
    assert told(alive + dead * DEAD_ROWS) == [(2, False, 0.0), (12, True, 0.5)]
    assert told(alive + [DEAD, 0, 0, DEAD, DEAD]) == [(2, False, 0.0), (14, True, 0.5)], "what says nothing is passed over"


def test_it_takes_rows_in_a_row_to_be_alive_again() -> None:
    begun = [ALIVE] * 10 + [DEAD] * 5
    assert [change[1] for change in told(begun + [ALIVE] * (ALIVE_ROWS - 1) + [DEAD])] == [False, True]
    assert told(begun + [ALIVE] * ALIVE_ROWS)[-1] == (len(begun) + ALIVE_ROWS - 1, False, 0.75)


def test_rows_that_come_fast_need_their_time_too() -> None:
    t = 0.001 * np.arange(100)
    levels = np.array([ALIVE] * 10 + [DEAD] * 90, dtype=np.int8)
    assert [round(t[c.row] - 0.01, 3) for c in BusWatch().take(t, levels, t) if c.dead] == [DEAD_S]


def test_lost_rows_make_it_neither_dead_nor_date_it_wrongly() -> None:
    """Heard alive at 1.0 s, then nothing until 4.0 s: three rows prove it dead, the frame's age dates it."""
    t = np.array([0.0, 0.25, 0.5, 0.75, 1.0, 4.0, 4.05, 4.1])
    levels = np.array([1, 1, 1, 1, 1, -1, -1, -1], dtype=np.int8)
    age = np.array([0.02] * 5 + [2.0, 2.05, 2.1])
    change = BusWatch().take(t, levels, t - age)[-1]
    assert (change.row, change.dead) == (7, True) and change.since_t == pytest.approx(2.0)
    # An age that cannot be: older than the last row that showed it alive.
    assert BusWatch().take(t, levels, t - 50.0 * age)[-1].since_t == 1.0
    # A gap with life on both sides is no death.
    assert [c.dead for c in BusWatch().take(t, np.ones(8, dtype=np.int8), t)] == [False]


def test_dead_from_the_first_row_on_is_dated_by_it() -> None:
    assert told([DEAD] * 5, 100.0) == [(DEAD_ROWS - 1, True, 100.0)]
    assert told([ALIVE] * (ALIVE_ROWS - 1)) == []


@given(
    st.lists(st.tuples(st.sampled_from([ALIVE, DEAD, 0]), st.integers(1, 30)), max_size=20),
    st.lists(st.integers(1, 50), min_size=1, max_size=20),
)
def test_cutting_changes_nothing(runs: list[tuple[int, int]], sizes: list[int]) -> None:
    levels = np.array([level for level, count in runs for _ in range(count)], dtype=np.int8)
    t = STEP_S * np.arange(len(levels))
    dated = t - 0.01
    whole = [(c.row, c.dead, c.since_t) for c in BusWatch().take(t, levels, dated)]
    watch, cut, start, turn = BusWatch(), [], 0, 0
    while start < len(levels):
        part = slice(start, start + sizes[turn % len(sizes)])
        cut += [(start + c.row, c.dead, c.since_t) for c in watch.take(t[part], levels[part], dated[part])]
        start, turn = part.stop, turn + 1
    assert cut == whole
