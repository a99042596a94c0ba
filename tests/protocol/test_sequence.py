"""Sequence counts: gap, late, repeat, wrap, jump and the silence after which nobody can know."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.sequence import LATE_WINDOW, Place, SequenceTracker

NEXT, GAP, AGAIN, LATE, JUMP = Place.NEXT, Place.AFTER_GAP, Place.REPEATED, Place.LATE, Place.JUMPED

# (counts in order of arrival) -> (place, missing, wrapped) of the last one.
ROWS = [
    ([0], (NEXT, 0, False)),
    ([9000], (NEXT, 0, False)),  # joined in flight: nothing is known to be lost
    ([5, 6], (NEXT, 0, False)),
    ([16383, 0], (NEXT, 0, True)),  # tests/SOURCES.md, sequence-loss: no loss across the wrap
    ([1, 4], (GAP, 2, False)),  # tests/SOURCES.md, sequence-loss: two lost
    ([16382, 1], (GAP, 2, True)),
    ([5, 5], (AGAIN, 0, False)),
    ([5, 6, 5], (AGAIN, 0, False)),
    ([5, 8, 7], (LATE, 0, False)),
    ([5, 8, 7, 7], (AGAIN, 0, False)),
    ([16382, 1, 16383], (LATE, 0, False)),
    ([16382, 1, 0], (LATE, 0, False)),
    ([100, 101, 100 - LATE_WINDOW + 2], (LATE, 0, False)),  # 63 behind: just inside the window
    ([100, 101, 101 - LATE_WINDOW], (JUMP, None, False)),
    ([0, 8191], (GAP, 8190, False)),
    ([0, 8192], (GAP, 8191, False)),  # half-way round is taken as ahead
    ([0, 8193], (JUMP, None, False)),
    ([5, 9, 4], (LATE, 0, False)),  # before the first one heard: late, and new
]


@pytest.mark.parametrize(("counts", "last"), ROWS)
def test_places(counts: list[int], last: tuple[Place, int | None, bool]) -> None:
    tracker = SequenceTracker(rate_hz=50.0)
    for count in counts:
        place = tracker.step(count, 0)
    assert (place, tracker.missing, tracker.wrapped) == last


def test_after_a_jump_counting_goes_on_from_there() -> None:
    tracker = SequenceTracker()
    tracker.step(10_000, 0)
    assert tracker.step(3000, 0) is JUMP
    assert tracker.step(3001, 0) is NEXT
    assert tracker.step(2999, 0) is LATE, "what was seen before the jump says nothing about these counts"


# 50 per second wrap 14 bits after 327.68 s.
@pytest.mark.parametrize("count", [11, 10, 9, 50, 9000, 16000])
def test_a_silence_longer_than_a_wrap_leaves_the_number_unknown(count: int) -> None:
    tracker = SequenceTracker(rate_hz=50.0)
    tracker.step(10, 1000)
    assert tracker.step(count, 1000 + 327_681) is GAP
    assert tracker.missing is None


@pytest.mark.parametrize(("count", "place"), [(11, NEXT), (10, AGAIN), (9, LATE), (50, GAP)])
def test_a_silence_just_shorter_than_a_wrap_is_still_counted(count: int, place: Place) -> None:
    tracker = SequenceTracker(rate_hz=50.0)
    tracker.step(10, 1000)
    assert tracker.step(count, 1000 + 327_680) is place
    assert tracker.missing is not None


def test_a_packet_without_a_rate_never_claims_a_wrap_from_time() -> None:
    tracker = SequenceTracker(rate_hz=0.0)
    tracker.step(10, 0)
    assert tracker.step(11, 10**9) is NEXT


def test_counts_seen_before_an_unknown_gap_are_forgotten() -> None:
    """After a whole wrap unheard, count 10 is a new packet although 10 was heard 16384 packets ago."""
    tracker = SequenceTracker(rate_hz=50.0)
    tracker.step(9, 0)
    tracker.step(10, 20)
    assert tracker.step(11, 400_000) is GAP and tracker.missing is None
    assert tracker.step(10, 400_000) is LATE


def test_a_late_packet_does_not_turn_the_clock_back() -> None:
    tracker = SequenceTracker(rate_hz=50.0)
    tracker.step(10, 500_000)
    tracker.step(12, 500_040)
    assert tracker.step(11, 0) is LATE
    assert tracker.step(13, 500_060) is NEXT


@given(st.lists(st.integers(1, 3000), min_size=1, max_size=60), st.integers(0, 16383))
def test_in_order_loss_is_counted_exactly(steps: list[int], start: int) -> None:
    tracker = SequenceTracker(rate_hz=20.0)
    tracker.step(start, 0)
    number, lost, wraps = start, 0, 0
    for step in steps:
        number += step
        place = tracker.step(number % 16384, (number - start) * 50)
        assert place is (NEXT if step == 1 else GAP)
        lost += tracker.missing
        wraps += tracker.wrapped
    assert lost == sum(steps) - len(steps)
    assert wraps == number // 16384 - start // 16384


@given(st.permutations(range(40)), st.integers(0, 16383), st.lists(st.integers(0, 39), max_size=30))
def test_any_order_inside_the_window_delivers_each_once(order: list[int], start: int, repeats: list[int]) -> None:
    tracker = SequenceTracker(rate_hz=20.0)
    delivered = [n for n in [*order, *repeats] if tracker.step((start + n) % 16384, n * 50) is not AGAIN]
    assert sorted(delivered) == list(range(40))


@given(st.permutations(range(40)))
def test_gaps_less_late_ones_is_what_is_still_missing(order: list[int]) -> None:
    heard = order[:30]
    tracker = SequenceTracker(rate_hz=20.0)
    gaps = late = 0
    for n in heard:
        late += tracker.step(n, 0) is LATE and n > heard[0]
        gaps += tracker.missing
    expected = sum(1 for n in range(heard[0], max(heard) + 1) if n not in heard)
    assert gaps - late == expected
