"""Loss per kind of packet against a channel that counts what it loses, the theory of two-state chains, and the twin."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from protocol.link import SequenceGap
from server.flight.link.link_types import FEW, WINDOW_S, LinkTypes, TypeReport
from tests.server.flight.twin_windows import heard


def frames(kept: np.ndarray, period_s: float = 0.05) -> tuple[np.ndarray, np.ndarray]:
    """Return (gaps, times) of the packets that came through."""
    places = np.flatnonzero(kept)
    return np.diff(places, prepend=places[0] - 1) - 1, places * period_s


def counted(kept: np.ndarray) -> TypeReport:
    gaps, t = frames(kept)
    link = LinkTypes(1, 57600)
    link.take(np.zeros(t.size, dtype=int), gaps, t, np.full(t.size, 40))
    return link.report(float(t[-1]))[0]


def chain(rng: np.random.Generator, count: int, enter: float, leave: float) -> np.ndarray:
    """Return which of `count` packets a Gilbert channel keeps; the first and the last are kept."""
    good, kept = True, []
    for chance in rng.random(count).tolist():
        good = chance >= enter if good else chance < leave
        kept.append(good)
    kept[0] = kept[-1] = True
    return np.array(kept)


def test_a_short_list_by_hand() -> None:
    kept = np.array([1, 1, 0, 1, 0, 0, 0, 1, 1, 0, 1], dtype=bool)
    found = counted(kept)
    assert (found.received, found.lost) == (6, 5)
    assert dict(found.bursts) == {1: 2, 3: 1}
    assert found.mean_burst == pytest.approx(5 / 3)
    assert found.loss == pytest.approx(5 / 11)
    assert found.longest_silence_s == pytest.approx(0.2)


def test_silence_and_age_grow_until_the_moment_asked() -> None:
    link = LinkTypes(2, 57600)
    link.take(np.array([0, 0]), np.array([0, 0]), np.array([1.0, 1.5]), np.array([10, 10]))
    first, second = link.report(1.75)
    assert (first.age_s, first.longest_silence_s) == (0.25, 0.5)
    assert (second.age_s, second.received, second.mean_burst, second.loss) == (None, 0, None, 0.0)
    assert link.report(9.5)[0].longest_silence_s == 8.0


def test_throughput_against_the_capacity_of_the_modem() -> None:
    link = LinkTypes(1, 57600)
    assert (link.throughput_b_s(5.0), link.use(5.0), link.capacity_b_s) == (0.0, 0.0, 5760.0)
    t = np.arange(0.0, 30.0, 0.01)
    link.take(np.zeros(t.size, dtype=int), np.zeros(t.size, dtype=int), t, np.full(t.size, 30))
    assert link.throughput_b_s(30.0) == pytest.approx(3000.0, rel=0.002)
    assert link.use(30.0) == pytest.approx(3000.0 / 5760.0, rel=0.002)
    assert link.throughput_b_s(35.0) == pytest.approx(1500.0, rel=0.005)
    assert link.throughput_b_s(30.0 + WINDOW_S) == 0.0


def test_many_at_once_count_as_one_by_one() -> None:
    rng = np.random.default_rng(6)
    for _ in range(20):
        count = int(rng.integers(FEW + 1, 400))
        kinds, gaps = rng.integers(-1, 4, count), rng.choice([0, 0, 0, 1, 5, -2, 20000], count)
        t = np.cumsum(rng.exponential(0.3, count)) - rng.choice([0.0, 0.0, 2.0], count)
        t[rng.random(count) < 0.05] = rng.choice([np.nan, np.inf, -np.inf])
        sizes = rng.integers(8, 60, count)
        whole, pieces = LinkTypes(3, 57600), LinkTypes(3, 57600)
        for row in range(count):
            pieces.take(*(column[row : row + 1] for column in (kinds, gaps, t, sizes)))
        whole.take(kinds[:30], gaps[:30], t[:30], sizes[:30])
        whole.take(kinds[30:], gaps[30:], t[30:], sizes[30:])
        now = float(np.nanmax(t[np.isfinite(t)]))
        assert whole.report(now) == pieces.report(now) and whole.throughput_b_s(now) == pieces.throughput_b_s(now)


def test_odd_input_is_survived() -> None:
    link = LinkTypes(1, 0.0)
    kinds = np.array([0, 7, -1, 0, 0, 0])
    gaps = np.array([0, 0, 0, -3, 99999, 2])
    link.take(kinds, gaps, np.array([np.nan, 1.0, 2.0, 1.5, np.inf, 3.0]), np.full(6, 5))
    found = link.report(3.0)[0]
    assert (found.received, found.lost) == (3, 2)  # the first frame came at no known time
    assert link.use(3.0) == 0.0


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 1000), st.lists(st.integers(0, 400), max_size=10))
def test_any_cut_gives_the_same(seed: int, cuts: list[int]) -> None:
    rng = np.random.default_rng(seed)
    kind, gap = rng.integers(-1, 4, 400), np.where(rng.random(400) < 0.1, rng.integers(1, 9, 400), 0)
    t, size = np.cumsum(rng.exponential(0.05, 400)), rng.integers(10, 80, 400)
    t[random.Random(seed).randrange(400)] = np.nan
    whole, pieces = LinkTypes(3, 57600), LinkTypes(3, 57600)
    whole.take(kind, gap, t, size)
    edges = sorted({0, 400, *cuts})
    for a, b in zip(edges, edges[1:], strict=False):
        pieces.take(kind[a:b], gap[a:b], t[a:b], size[a:b])
    assert whole.report(99.0) == pieces.report(99.0)
    assert whole.throughput_b_s(25.0) == pieces.throughput_b_s(25.0)


@pytest.mark.parametrize("scenario", ["calm", "thin-link"])
def test_the_twins_radio(scenario: str) -> None:
    flight = heard(scenario, 4)
    names = list(flight.decoded.packets)
    gaps = {frame: event.missing for frame, event in flight.decoded.events if isinstance(event, SequenceGap)}
    rows = sorted(
        (int(frame), names.index(name), gaps.get(int(frame), 0) or 0, float(ms) / 1000.0)
        for name, packets in flight.decoded.packets.items()
        for frame, ms in zip(packets.frame, packets.time_ms, strict=True)
    )
    frame, kind, gap, t = (np.array(column) for column in zip(*rows, strict=True))
    size = np.diff(flight.decoded.frame_end, prepend=-1)[frame]
    link = LinkTypes(len(names), 57600)
    link.take(kind, gap, t, size)
    reports = link.report(float(t[-1]))
    truth = flight.truth
    lost, received = sum(r.lost for r in reports), sum(r.received for r in reports)
    assert received == frame.size
    missing = truth["downlink_frames_lost"] + truth["downlink_frames_dropped"]
    damaged = truth["downlink_frames_sent"] - truth["downlink_frames_lost"] - received
    # What is lost after the last of a kind is not seen: a burst at the end takes one or two of each.
    assert lost == pytest.approx(missing + damaged, abs=2 * len(names))
    assert 0.5 < link.use(float(t[-1])) < 1.1
    if scenario == "thin-link":
        assert reports[names.index("navigation")].loss == pytest.approx(0.25, abs=0.1)
