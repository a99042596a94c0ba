"""The short form of the dispersion's measurement: few days, so only what would be grossly wrong."""

from __future__ import annotations

from server.flight.dispersion.flights import NOMINAL
from tests.accuracy.dispersion import NUMBERS, judged, table


def test_regions_hold_what_the_simulated_vehicle_does() -> None:
    """Of 12 regions of two days at least 9: fewer come by chance in 2 of 1 000 tries were each alone (binomial)."""
    days = [judged(seed, (NOMINAL,), 160) for seed in (2, 4)]
    assert sum(one.held for day in days for one in day.values()) >= 9
    assert len(table(days)) == len(NUMBERS) + 1
    assert all(0.0 < one.size < 5e6 for day in days for one in day.values())
