"""Limits: levels, patience both ways, and the same changes however the rows are cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.flight.limits import CLEAR_ROWS, RAISE_ROWS, LimitWatch, limit_levels

BATTERY = {"warning_low": 6.6, "caution_low": 7.0, "caution_high": 8.5}
MOTOR = {"caution_high": 50.0, "warning_high": 60.0}


def test_levels_at_and_around_each_limit() -> None:
    values = np.array([6.5, 6.6, 6.99, 7.0, 8.5, 8.51, 900.0])
    assert limit_levels(values, BATTERY).tolist() == [2, 1, 1, 0, 0, 1, 1]
    assert limit_levels(np.array([50.0, 50.1, 60.0, 60.1]), MOTOR).tolist() == [0, 1, 1, 2]
    assert limit_levels(np.array([1.0]), {}).tolist() == [0]


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_within(bad: float) -> None:
    """Health tells of it; an alarm would have to show a value that is none."""
    assert limit_levels(np.array([bad]), {**BATTERY, **MOTOR}).tolist() == [0]


def changes(values: list[float], limits: dict[str, float] = MOTOR) -> list[tuple[int, int]]:
    return LimitWatch(limits).take(np.array(values, dtype=float))


def test_patience_both_ways() -> None:
    assert changes([55] * (RAISE_ROWS - 1) + [0] + [55] * (RAISE_ROWS - 1)) == []
    assert changes([55] * RAISE_ROWS) == [(RAISE_ROWS - 1, 1)]
    raised = [55] * RAISE_ROWS
    assert changes(raised + [0] * (CLEAR_ROWS - 1) + [55] + [0] * (CLEAR_ROWS - 1)) == [(2, 1)]
    assert changes(raised + [0] * CLEAR_ROWS) == [(2, 1), (2 + CLEAR_ROWS, 0)]


def test_it_gets_worse_but_is_not_called_better_before_it_is_well() -> None:
    assert changes([55] * 3 + [65] * 3) == [(2, 1), (5, 2)]
    assert changes([55] * 4 + [65] * 3) == [(2, 1), (6, 2)]
    assert changes([55] * 4 + [65, 65, 55] * 9) == [(2, 1)]
    assert changes([65] * 3 + [55] * 30) == [(2, 2)]
    assert changes([55, 65, 65]) == [(2, 1)]


def test_noise_about_a_limit_makes_one_alarm_not_many() -> None:
    noisy = 50.0 + np.random.default_rng(4).normal(0, 1, 5000)
    watch = LimitWatch({"caution_high": 52.0})
    assert len(watch.take(noisy)) <= 2


@given(
    st.lists(st.sampled_from([0.0, 55.0, 65.0, float("nan"), float("inf")]), max_size=60),
    st.lists(st.integers(1, 7), min_size=1, max_size=20),
)
def test_cutting_changes_nothing(values: list[float], sizes: list[int]) -> None:
    whole = changes(values)
    watch, cut, start, turn = LimitWatch(MOTOR), [], 0, 0
    while start < len(values):
        size = sizes[turn % len(sizes)]
        cut += [(start + row, level) for row, level in watch.take(np.array(values[start : start + size]))]
        start, turn = start + size, turn + 1
    assert cut == whole
