"""The vehicle's numbers and how a scenario changes them."""

from __future__ import annotations

import math

import pytest

from server.twin.sandpiper import Vehicle, changed


def test_the_sandpiper_of_the_design() -> None:
    # design.md, "Demo scenario": 66 mm, 1.24 m, 1.62 kg, +-15 degrees, three cameras, four lateral motors.
    vehicle = Vehicle()
    assert vehicle.body.diameter_m == 0.066 and vehicle.body.length_m == 1.24
    assert vehicle.body.dry_mass_kg + vehicle.motor.propellant_kg == pytest.approx(1.62)
    assert math.degrees(vehicle.fins.travel_rad) == pytest.approx(15.0)
    assert vehicle.cameras.fitted == 3 and len(vehicle.firing.lateral_continuity) == 4
    assert vehicle.radio.down.bytes_per_s == 5760.0  # check_values 8: 57600 baud 8N1


def test_changes_reach_the_named_number_only() -> None:
    vehicle = Vehicle()
    other = changed(vehicle, {"wind.gust.peak_m_s": 9.0, "rail.length_m": 1.5})
    assert other.wind.gust.peak_m_s == 9.0 and other.rail.length_m == 1.5
    assert changed(other, {"wind.gust.peak_m_s": 0.0, "rail.length_m": 2.4}) == vehicle


@pytest.mark.parametrize("name", ["wind.gusts.peak_m_s", "nothing", "rail.lenght_m"])
def test_unknown_names_are_refused(name: str) -> None:
    with pytest.raises(KeyError, match=name):
        changed(Vehicle(), {name: 1.0})
