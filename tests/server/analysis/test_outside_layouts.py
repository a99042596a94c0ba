"""One flight in packets split in every way (row 15); the table heads test_outside_rows.py."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.accuracy.ensemble.motion import Flight, Floats
from tests.server.analysis.outside import (
    FORCE,
    RATES,
    Packet,
    air_packet,
    apogee_m,
    flown,
    moment,
    nose_rates,
    off_lift_off,
    predicted,
    pressures,
    state_packet,
    tilts,
    told,
    upright,
)


def swinging() -> tuple[Flight, Floats]:
    """Return a flight and the tilt of a nose that swings once every 25 m."""
    flight = flown(thrust_n=110.0, target_m=280.0, rail_tilt=0.1)
    since = np.clip(flight.t - flight.moments["lift_off"] - 0.3, 0.0, None)
    turned = np.cumsum(np.where(since > 0.0, 2.0 * np.pi * flight.speed_m_s / 25.0, 0.0)) * 0.01
    ascending = flight.t <= flight.moments["apogee_time"]
    return flight, tilts(flight) + np.where(ascending, 0.06 * np.exp(-0.1 * since) * np.sin(turned), 0.0)


def unit(letter: str) -> tuple[str, ...]:
    """Return the roles of an inertial unit."""
    return tuple(role.replace(".a.", f".{letter}.") for role in (*FORCE, *RATES))


def test_an_attitude_in_a_packet_of_its_own_costs_nothing() -> None:
    """Seen: no drag at all, and a swing with "too few samples" (an untrue reason)."""
    flight, tilt = swinging()
    inertial = Packet("unit", 50.0, unit("a"), np.column_stack([upright(flight), nose_rates(tilt)]))
    together = state_packet(flight, tilt)
    split = [
        replace(together, name=f"part{first}", roles=together.roles[first:last], values=together.values[:, first:last])
        for first, last in ((0, 6), (6, 10), (10, 13))
    ]
    # Rates of their own: few of them have one time.
    apart = [replace(part, rate_hz=rate) for part, rate in zip(split, (20.0, 25.0, 50.0), strict=True)]
    base = [air_packet(pressures(flight)), inertial]
    whole, parts = (told(flight, [*base, *more], vehicle={"rail_length_m": 1.5}) for more in ([together], apart))
    assert parts.number("drag", "kappa_1_m") == pytest.approx(whole.number("drag", "kappa_1_m"), rel=0.05)
    assert whole.figure("swing").get("excited") and parts.figure("swing").get("excited"), parts.figure("swing")
    assert parts.number("swing", "period_s") == pytest.approx(whole.number("swing", "period_s"), rel=0.1)
    assert parts.number("lean", "greatest_tilt_rad") == pytest.approx(whole.number("lean", "greatest_tilt_rad"), rel=0.1)


@pytest.mark.parametrize("layout", ["only unit b", "unit b and a state vector", "only z", "an axis a packet"])
def test_forces_are_used_however_they_come(layout: str) -> None:
    """Seen: no burnout, no prediction, no drag, and nothing said."""
    flight, tilt = swinging()
    felt = upright(flight)
    whole = np.column_stack([felt, nose_rates(tilt)])
    packets = {
        "only unit b": [Packet("unit", 50.0, unit("b"), whole)],
        "unit b and a state vector": [Packet("unit", 50.0, unit("b"), whole), state_packet(flight, tilt)],
        "only z": [Packet("unit", 50.0, FORCE[2:], felt[:, 2])],
        "an axis a packet": [Packet(f"unit{axis}", 50.0, (FORCE[axis],), felt[:, axis]) for axis in range(3)],
    }[layout]
    heard = told(flight, [air_packet(pressures(flight)), *packets])
    off, _ = off_lift_off(heard, flight)
    assert abs(off) < 0.05
    assert moment(heard, "burnout") == pytest.approx(flight.moments["burnout"], abs=0.1)
    assert apogee_m(heard) == pytest.approx(flight.moments["apogee"], rel=0.01)
    assert predicted(heard, flight).value == pytest.approx(flight.moments["apogee"], rel=0.08)
    assert heard.alarms() == []
    if layout == "unit b and a state vector":
        assert heard.number("drag", "kappa_1_m") > 0.0
