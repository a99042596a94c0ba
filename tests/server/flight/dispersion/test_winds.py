"""Mean wind, eddies and gust of many flights."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import numpy as np
import pytest

from server.flight.air.atmosphere import WIND_POWER
from server.flight.dispersion.winds import Eddies, power_law
from server.twin.air import gust_m_s
from server.twin.sandpiper import Gust, Vehicle
from tests.server.flight.dispersion.twins import lot_of


def test_the_wind_grows_turns_and_is_scaled_by_flight() -> None:
    winds = lot_of([Vehicle()] * 3).winds
    winds = replace(
        winds,
        mean=power_law(4.0, radians(270.0), 10.0),
        factor=np.array([1.0, 2.0, 1.0]),
        turn=np.array([0.0, 0.0, radians(90.0)]),
        steeper=np.array([0.0, 0.1, 0.0]),
        beside_north=np.array([0.5, 0.0, 0.0]),
    )
    at_160 = winds.steady(np.full(3, 160.0))
    grown = 16.0**WIND_POWER
    assert at_160[0] == pytest.approx([4.0 * grown, 8.0 * grown * 16.0**0.1, 0.0], rel=2e-4, abs=1e-9)
    # A west wind that has turned clockwise by 90 degrees comes from north.
    assert at_160[1] == pytest.approx([0.5 * grown, 0.0, -4.0 * grown], rel=2e-4, abs=1e-9)
    assert winds.steady(np.full(3, -5.0)) == pytest.approx(winds.steady(np.full(3, 1.0)))


def test_eddies_are_as_strong_and_as_long_as_told() -> None:
    """First-order process: the correlation over a way s is exp(-s / length)."""
    many = 4000
    winds = lot_of([Vehicle()] * 1).winds
    winds = replace(winds, eddy_m_s=np.full(many, 1.5), eddy_length_m=np.full(many, 30.0))
    eddies = Eddies(winds, np.random.default_rng(3))
    start = eddies.now
    for _ in range(20):
        eddies.step(0.05, np.full(many, 18.0))
    assert eddies.now.std(axis=1) == pytest.approx([1.5, 1.5, 0.75], rel=0.05)
    assert np.corrcoef(start[0], eddies.now[0])[0, 1] == pytest.approx(np.exp(-18.0 / 30.0), abs=0.04)


def test_the_gust_is_the_simulated_airs() -> None:
    gust = Gust(peak_m_s=9.0, hold_s=1.5)
    winds = lot_of([Vehicle()] * 200).winds
    t = np.linspace(-0.2, 3.0, 200)
    winds = replace(winds, gust_m_s=np.full(200, 9.0), gust_hold_s=1.5)
    assert winds.gust(t) == pytest.approx([gust_m_s(gust, one) for one in t])
