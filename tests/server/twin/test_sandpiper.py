"""How a scenario changes the vehicle's numbers."""

from __future__ import annotations

import pytest

from server.twin.sandpiper import Vehicle, changed


def test_changes_reach_the_named_number_only() -> None:
    vehicle = Vehicle()
    other = changed(vehicle, {"wind.gust.peak_m_s": 9.0, "rail.length_m": 1.5})
    assert other.wind.gust.peak_m_s == 9.0 and other.rail.length_m == 1.5
    assert changed(other, {"wind.gust.peak_m_s": 0.0, "rail.length_m": 2.4}) == vehicle


@pytest.mark.parametrize("name", ["wind.gusts.peak_m_s", "nothing", "rail.lenght_m"])
def test_unknown_names_are_refused(name: str) -> None:
    with pytest.raises(KeyError, match=name):
        changed(Vehicle(), {name: 1.0})
