"""An accelerometer at the end of its range (row 7); the table heads test_outside_rows.py."""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy.ensemble.motion import Flight, G
from tests.server.analysis.outside import (
    SURE,
    Packet,
    air_packet,
    apogee_m,
    climbs,
    flown,
    forces,
    pressures,
    told,
    unit_packet,
)

STRONG = {"thrust_n": 25.0 * 1.5 * G * 1.15, "target_m": 800.0, "rise_s": 0.02, "rail_m": 2.0}


def rail_exit_m_s(flight: Flight, rail_m: float) -> float:
    """Return the true speed at the rail's end."""
    way = np.hypot(flight.across_m, flight.up_m)
    climbing = flight.t < flight.moments["burnout"]
    return float(np.interp(rail_m, way[climbing], flight.speed_m_s[climbing]))


@pytest.mark.parametrize("is_range_declared", [True, False])
def test_a_clipped_accelerometer_is_not_believed(is_range_declared: bool) -> None:
    """Seen: 24.2 +- 0.6 m/s at the rail's end for 32.4, and a climb rate 62 m/s wrong half a second after burnout."""
    flight = flown(**STRONG)
    span = (-16.0 * G, 16.0 * G) if is_range_declared else None
    packets = [air_packet(pressures(flight)), unit_packet(forces(flight, clip_g=16.0), 100.0, span)]
    heard = told(flight, packets, vehicle={"rail_length_m": 2.0})
    exit_, true = heard.figure("rail_exit"), rail_exit_m_s(flight, 2.0)
    if exit_.get("speed_m_s") is None:
        assert exit_.get("reason"), "absent without a reason"
    else:
        assert heard.number("rail_exit", "low_m_s") <= true <= heard.number("rail_exit", "high_m_s")
    # Half a second of barometer after the force came back is what the climb can be known from.
    for after_s, share in ((0.5, 0.15), (1.0, 0.1), (2.0, 0.03)):
        at_s = flight.moments["burnout"] + after_s
        shown, truly = climbs(heard, flight, at_s, at_s + 0.2)
        off = np.abs(shown - truly)
        assert not (off > share * truly).any(), f"climb rate off by {np.nanmax(off):.0f} m/s after {after_s} s"
    true = flight.moments["greatest_speed"]
    speed = heard.number("greatest_speed", "speed_m_s")
    if speed == speed:
        assert abs(speed - true) < SURE * heard.number("greatest_speed", "sigma_m_s")
    else:
        assert heard.figure("greatest_speed").get("reason"), "absent without a reason"
    assert apogee_m(heard) == pytest.approx(flight.moments["apogee"], rel=0.01)


def test_the_other_unit_is_used_where_one_is_clipped() -> None:
    flight = flown(**STRONG)
    span = (-16.0 * G, 16.0 * G)
    other = Packet("unit_b", 100.0, tuple(f"accel.b.{axis}" for axis in "xyz"), forces(flight, seed=7))
    packets = [air_packet(pressures(flight)), unit_packet(forces(flight, clip_g=16.0), 100.0, span), other]
    heard = told(flight, packets, vehicle={"rail_length_m": 2.0})
    assert heard.number("rail_exit", "low_m_s") <= rail_exit_m_s(flight, 2.0) <= heard.number("rail_exit", "high_m_s")
    shown, truly = climbs(heard, flight, flight.moments["burnout"] + 0.1, flight.moments["burnout"] + 0.6)
    assert np.abs(shown - truly).max() < 0.05 * truly.max()
