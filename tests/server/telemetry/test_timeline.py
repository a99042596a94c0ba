"""One time axis across restarts of the vehicle."""

from __future__ import annotations

import random

import pytest

from server.telemetry.timeline import Timeline


def test_vehicle_time_is_the_timeline_until_it_restarts() -> None:
    line = Timeline()
    assert [line.place(0, ms, 100 + ms / 1000) for ms in (5000, 5050, 5025)] == [5.0, 5.05, 5.025]
    assert (line.last_t, line.last_rx_s, line.base(0)) == (5.05, 105.025, 0.0)


def test_a_restart_goes_on_by_the_stations_clock() -> None:
    line = Timeline()
    line.place(0, 60_000, 200.0)
    assert line.place(1, 500, 203.5) == pytest.approx(63.5)
    assert line.place(1, 1500, 204.5) == pytest.approx(64.5)
    assert line.base(1) == pytest.approx(63.0)
    assert line.place(0, 59_990, 204.6) == pytest.approx(59.99)  # a late packet of the time before
    assert line.last_t == pytest.approx(64.5)


def test_the_timeline_never_falls_back_over_a_restart() -> None:
    rng, line, last = random.Random(1), Timeline(), 0.0
    rx_s = 0.0
    for epoch in range(30):
        for ms in sorted(rng.randrange(100_000) for _ in range(20)):
            rx_s += rng.random()
            t = line.place(epoch, ms, rx_s)
            assert t >= last or epoch == 0
            last = max(last, t)


def test_a_station_clock_that_stands_still_is_no_step_back() -> None:
    line = Timeline()
    line.place(0, 9000, 50.0)
    assert line.place(1, 10, 49.0) == pytest.approx(9.0)
