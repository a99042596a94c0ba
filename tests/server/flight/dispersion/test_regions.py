"""Intervals and bands: how often they hold what comes from the same draw, and their measures."""

from __future__ import annotations

from math import pi, radians

import numpy as np
import pytest

from protocol.arrays import Floats
from server.flight.dispersion.regions import FEWEST, Band, band, inside, interval

FIELD = [(-100.0, -50.0), (100.0, -50.0), (0.0, 0.0), (100.0, 50.0), (-100.0, 50.0)]


def test_an_interval_holds_as_often_as_it_says() -> None:
    """Of 79 drawn alike the second to the 78th hold the next with (80 - 4) / 80 exactly."""
    random = np.random.default_rng(5)
    held = 0
    for _ in range(4000):
        values = random.standard_t(3, 80)
        found = interval(values[:-1])
        assert found is not None
        held += found.low <= values[-1] <= found.high
    assert held / 4000 == pytest.approx(0.95, abs=0.012)


def test_too_few_say_nothing() -> None:
    assert interval(np.arange(FEWEST - 1.0)) is None
    assert band(np.ones((2, 2 * FEWEST - 1))) is None
    assert interval(np.append(np.full(50, np.nan), np.arange(FEWEST - 1.0))) is None


@pytest.mark.parametrize("middle", [(0.0, 0.0), (150.0, 20.0), (-5.0, -400.0)])
def test_a_band_holds_as_often_as_it_says(middle: tuple[float, float]) -> None:
    random = np.random.default_rng(6)

    def landings(count: int) -> Floats:
        east, north = random.standard_normal((2, count)) * np.array([[60.0], [25.0]])
        return np.stack([east + middle[0], north + middle[1]])

    held = []
    for _ in range(60):
        found = band(landings(400))
        assert found is not None
        held.append(found.holds(landings(400)).mean())
    # About the pad the hole that was filled and the gap that was closed hold some more.
    assert 0.938 <= np.mean(held) <= (0.985 if middle == (0.0, 0.0) else 0.962)


def test_a_bands_measures() -> None:
    north = Band(100.0, 200.0, radians(350.0), radians(20.0))
    assert north.area_m2 == pytest.approx((20.0 / 360.0) * pi * (200.0**2 - 100.0**2))
    places = np.array([[0.0, 0.0, 150.0, 0.0, 20.0], [150.0, -150.0, 0.0, 250.0, 150.0]])
    assert north.holds(places).tolist() == [True, False, False, False, True]


def test_inside_a_field_with_a_bay() -> None:
    places = np.array([[-50.0, 50.0, 90.0, -50.0, -150.0], [0.0, 0.0, 47.0, 60.0, 0.0]])
    assert inside(FIELD, places).tolist() == [True, False, True, False, False]
