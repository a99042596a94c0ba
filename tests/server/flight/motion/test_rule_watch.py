"""One value against one rule: proof before it is broken, patience before it is kept again."""

from __future__ import annotations

import random

import pytest

from server.flight.motion.rule_watch import KEPT_S, PROOF_S, RuleWatch

LIMIT = 0.5


def told(rows: list[tuple[float, float]]) -> list[tuple[float, bool]]:
    """Return when a watch changed its mind, and to what."""
    watch = RuleWatch(LIMIT)
    return [(t, watch.broken) for t, value in rows if watch.take(t, value)]


@pytest.mark.parametrize("rate_hz", [10.0, 20.0, 25.0, 50.0, 100.0, 200.0])
def test_it_is_told_within_a_fifth_of_a_second_at_any_rate_from_ten_a_second(rate_hz: float) -> None:
    crossing_s = 1.013
    rows = [(n / rate_hz, 1.0 if n / rate_hz > crossing_s else 0.1) for n in range(int(3 * rate_hz))]
    ((t, broken),) = told(rows)
    assert broken and 0.0 < t - crossing_s <= 0.2


def test_slower_than_that_it_is_the_second_row() -> None:
    assert told([(0.5 * n, 1.0 if n >= 3 else 0.0) for n in range(6)]) == [(2.0, True)]


def test_single_rows_beyond_however_many_are_nothing() -> None:
    rng = random.Random(1)
    wild = [(0.05 * n, rng.uniform(0.6, 3.0) if n % 2 else 0.4) for n in range(2000)]
    assert told(wild) == []


def test_what_is_no_number_neither_proves_nor_breaks_a_run() -> None:
    nan = float("nan")
    assert told([(0.0, nan), (0.05, nan), (0.2, nan), (0.3, nan)]) == []
    assert told([(0.0, 1.0), (0.05, nan), (0.1, 1.0)]) == [(0.1, True)]


def test_a_row_that_came_late_takes_nothing_back() -> None:
    assert told([(1.0, 1.0), (0.9, 1.0), (1.05, 1.0), (1.1, 1.0)]) == [(1.1, True)]


def test_about_the_limit_it_is_one_alarm_and_it_ends_after_patience() -> None:
    swings = [(0.05 * n, 0.9 if n // 6 % 2 == 0 else 0.1) for n in range(200)]
    quiet = [(10.0 + 0.05 * n, 0.1) for n in range(100)]
    (first, begun), (last, over) = told(swings + quiet)
    assert (begun, over) == (True, False) and first == pytest.approx(0.1)
    # The last half swing inside the limit began at 9.9 s.
    assert last == pytest.approx(9.9 + KEPT_S, abs=0.051)


def test_ending_tells_whether_it_was_broken_and_begins_anew() -> None:
    watch = RuleWatch(LIMIT)
    assert not watch.end()
    watch.take(0.0, 1.0)
    assert not watch.take(PROOF_S / 2, 1.0) and not watch.end() and not watch.take(PROOF_S * 2, 1.0)
    assert watch.take(PROOF_S * 4, 1.0) and watch.end() and not watch.broken
