"""Loss, rate and totals of the downlink against a plain count over the same packets."""

from __future__ import annotations

import random

import pytest

from server.flight.link.link_quality import WINDOW_S, LinkQuality, LinkSecond


def run(arrivals: list[tuple[float, int, int, float]]) -> list[LinkSecond]:
    """Feed (rx_s, received, lost, bytes)."""
    link = LinkQuality()
    found = [link.take(rx_s, received, lost, 0, 0, size) for rx_s, received, lost, size in arrivals]
    return [second for second in found if second is not None]


def test_a_steady_link() -> None:
    seconds = run([(i / 50, 1, 0, 60.0) for i in range(50 * 15 + 1)])
    assert [s.second for s in seconds] == list(range(15))
    assert all(s.loss == 0.0 and s.bytes_per_s == pytest.approx(3000.0) for s in seconds)
    assert seconds[-1].received == 750


def test_against_a_plain_count() -> None:
    rng = random.Random(5)
    arrivals = []
    rx_s = 0.0
    for _ in range(3000):
        rx_s += rng.choice([0.01, 0.02, 0.3, 4.0]) if rng.random() < 0.05 else 0.015
        arrivals.append((rx_s, int(rng.random() < 0.9), rng.choice([0, 0, 0, 1, 3]), float(rng.randint(20, 90))))
    for second in run(arrivals):
        within = [a for a in arrivals if second.second - WINDOW_S < int(a[0]) <= second.second]
        received, lost = sum(a[1] for a in within), sum(a[2] for a in within)
        assert second.loss == pytest.approx(lost / (lost + received))
        passed = min(WINDOW_S, second.second - int(arrivals[0][0]) + 1)
        assert second.bytes_per_s == pytest.approx(sum(a[3] for a in within) / passed)
        assert second.lost == sum(a[2] for a in arrivals if int(a[0]) <= second.second)


def test_seconds_without_a_frame_lower_the_rate() -> None:
    """1000 bytes in ten seconds are 100 bytes per second, also when they all came in two of the ten."""
    seconds = run([(0.5, 1, 0, 500.0), (9.5, 1, 0, 500.0), (10.0, 1, 0, 1.0)])
    assert seconds[-1] == LinkSecond(9, 0.0, 100.0, 2, 0, 0, 0)


def test_loss_now_forgets_what_is_ten_seconds_old() -> None:
    link = LinkQuality()
    link.take(0.5, 0, 100, 0, 0, 1.0)
    for second in range(1, 11):
        link.take(second + 0.5, 1, 0, 0, 0, 1.0)
    assert link.loss_at(9) > 0.9
    assert link.loss_at(10) == 0.0


def test_loss_now_counts_the_second_that_runs() -> None:
    link = LinkQuality()
    link.take(5.1, 3, 0, 0, 0, 1.0)
    link.take(5.9, 0, 1, 2, 1, 1.0)
    assert link.loss_at(5) == pytest.approx(0.25)
    assert (link.received, link.lost, link.damaged, link.repeated) == (3, 1, 2, 1)
    assert LinkQuality().loss_at(0) == 0.0
