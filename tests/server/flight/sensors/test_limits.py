"""Limits: levels, patience both ways, and the same changes however the rows are cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.flight.sensors.limits import CLEAR_ROWS, HELD_S, RAISE_ROWS, LimitWatch, limit_levels

BATTERY = {"warning_low": 6.6, "caution_low": 7.0, "caution_high": 8.5}
MOTOR = {"caution_high": 50.0, "warning_high": 60.0}


def test_levels_at_and_around_each_limit() -> None:
    values = np.array([6.5, 6.6, 6.99, 7.0, 8.5, 8.51, 900.0])
    assert limit_levels(values, BATTERY).tolist() == [2, 1, 1, 0, 0, 1, 1]
    assert limit_levels(np.array([50.0, 50.1, 60.0, 60.1]), MOTOR).tolist() == [0, 1, 1, 2]
    assert limit_levels(np.array([1.0]), {}).tolist() == [0]


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_within_no_limits(bad: float) -> None:
    """As the page draws it. Health tells of it; an alarm would have to show a value that is none."""
    assert limit_levels(np.array([bad]), {**BATTERY, **MOTOR}).tolist() == [2]


def changes(values: list[float], limits: dict[str, float] = MOTOR, every_s: float = HELD_S) -> list[tuple[int, int]]:
    return LimitWatch(limits).take(every_s * np.arange(len(values)), np.array(values, dtype=float))


def test_patience_both_ways() -> None:
    assert changes([55] * (RAISE_ROWS - 1) + [0] + [55] * (RAISE_ROWS - 1)) == []
    assert changes([55] * RAISE_ROWS) == [(RAISE_ROWS - 1, 1)]
    raised = [55] * RAISE_ROWS
    assert changes(raised + [0] * (CLEAR_ROWS - 1) + [55] + [0] * (CLEAR_ROWS - 1)) == [(2, 1)]
    assert changes(raised + [0] * CLEAR_ROWS) == [(2, 1), (2 + CLEAR_ROWS, 0)]


def test_it_is_held_however_fast_the_rows_come() -> None:
    rows = round(HELD_S / 0.05) + 1
    assert changes([55] * 3 + [0] * (rows - 1), every_s=0.05) == [(2, 1)]
    assert changes([55] * 3 + [0] * rows, every_s=0.05) == [(2, 1), (2 + rows, 0)]


def test_it_gets_worse_but_is_not_called_better_before_it_is_well() -> None:
    assert changes([55] * 3 + [65] * 3) == [(2, 1), (5, 2)]
    assert changes([55] * 4 + [65] * 3) == [(2, 1), (6, 2)]
    assert changes([55] * 4 + [65, 65, 55] * 9) == [(2, 1)]
    assert changes([65] * 3 + [55] * 30) == [(2, 2)]
    assert changes([55, 65, 65]) == [(2, 1)]


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 20.0, 100.0])
@pytest.mark.parametrize("kind", ["noise", "noise and drift", "steps", "slow steps", "swing"])
def test_a_value_dithering_about_its_limit_for_a_minute_is_one_alarm(kind: str, rate_hz: float) -> None:
    t = np.arange(0.0, 60.0, 1.0 / rate_hz)
    noise = np.random.default_rng(4).normal(0.0, 0.5, len(t))
    about = {
        "noise": noise,
        "noise and drift": 0.02 * (t - 30.0) + noise,
        "steps": np.where(np.floor(t * rate_hz / 6.0) % 2 == 0, 3.0, -3.0),
        "slow steps": np.where(np.floor(t / 8.0) % 2 == 0, 3.0, -3.0),
        "swing": np.sin(2.0 * np.pi * t / 7.0),
    }[kind]
    told = LimitWatch({"caution_high": 50.0}).take(t, 50.0 + about)
    assert sum(level > 0 for _, level in told) == 1, told


def test_what_is_no_number_neither_raises_nor_clears() -> None:
    assert changes([55, np.nan, 55, np.inf, 55]) == [(4, 1)]
    assert changes([55] * 3 + [np.nan] * 50) == [(2, 1)]


@given(
    st.lists(st.sampled_from([0.0, 55.0, 65.0, float("nan"), float("inf")]), max_size=60),
    st.lists(st.integers(1, 7), min_size=1, max_size=20),
)
def test_cutting_changes_nothing(values: list[float], sizes: list[int]) -> None:
    whole = changes(values, every_s=3.0)
    watch, cut, start, turn = LimitWatch(MOTOR), [], 0, 0
    while start < len(values):
        size = sizes[turn % len(sizes)]
        part = np.array(values[start : start + size])
        cut += [(start + row, level) for row, level in watch.take(3.0 * (start + np.arange(len(part))), part)]
        start, turn = start + size, turn + 1
    assert cut == whole
