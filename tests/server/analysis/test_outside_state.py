"""State vectors of invented firmware that is honest as far as it goes; none of it is to be doubted for what it is not.

Seen before, over an ensemble: 51 of 56 vehicles with a state vector were doubted, none of them for a fault of its own.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.accuracy.ensemble.motion import Air, Flight, Floats
from tests.server.analysis.outside import (
    DUAL,
    FAST,
    STEP_S,
    air_packet,
    climbs,
    flown,
    forces,
    pressures,
    standard_height,
    state_packet,
    tilts,
    told,
    unit_packet,
)


def lost_under_canopy(flight: Flight, seed: int) -> Floats:
    """Return tilts (rad) that are right up to the top and say nothing of how it hangs afterwards."""
    keep = np.exp(-STEP_S / 1.0)
    drive = np.random.default_rng(seed).normal(0.0, 1.2 * np.sqrt(1.0 - keep * keep), len(flight.t))
    wander = lfilter([1.0 - keep], [1.0, -keep], lfilter([1.0], [1.0, -keep], drive)) * 1.4
    return np.where(flight.t > flight.moments["apogee_time"] + 0.5, wander, tilts(flight))


@pytest.mark.parametrize("seed", range(4))
def test_an_attitude_lost_under_the_canopy_bends_no_climb_and_doubts_no_honest_velocity(seed: int) -> None:
    """Seen: "parts from the ground's own estimate: velocity_up" where it was the ground that was 10 to 40 m/s off."""
    flight = flown("dual", **DUAL)
    packets = [
        air_packet(pressures(flight)),
        unit_packet(forces(flight, hangs=(0.7, -0.5, 0.4), lies=(0.9, 0.4, 0.1), noise=0.3)),
        state_packet(flight, lost_under_canopy(flight, seed)),
    ]
    heard = told(flight, packets)
    assert [text for text in heard.alarms() if "parts from" in text] == []
    landing_s = flight.moments["landing"]
    for start, stop in ((flight.moments["apogee_time"] + 5.0, landing_s), (landing_s + 2.0, landing_s + 10.0)):
        ground, truth = climbs(heard, flight, start, stop)
        assert np.sqrt(np.mean((ground - truth) ** 2)) < 4.0


@pytest.mark.parametrize(("temperature_k", "share"), [(308.0, 0.04), (258.0, -0.04), (308.0, -0.04), (258.0, 0.04)])
def test_a_height_by_pressure_beside_a_velocity_by_forces_is_no_jump(temperature_k: float, share: float) -> None:
    """Seen: "state vector jumped: position_up" in 15 of 56, in the boost: standard air, a port in the flow, a slow bay."""
    air = Air(100300.0, temperature_k, 0.0065)
    flight = flown("dual", air, **FAST | {"main_at_m": 200.0})
    up = standard_height(pressures(flight, air, lag_s=0.1, share=share))
    heard = told(flight, [air_packet(pressures(flight, air)), state_packet(flight, tilts(flight), up)])
    assert [text for text in heard.alarms() if "jumped" in text] == []


def test_a_position_that_really_jumps_in_the_boost_is_told() -> None:
    flight = flown("dual", **FAST | {"main_at_m": 200.0})
    up = flight.up_m + 40.0 * (flight.t > flight.moments["lift_off"] + 2.0)
    heard = told(flight, [air_packet(pressures(flight)), state_packet(flight, tilts(flight), up)])
    assert [text for text in heard.alarms() if "jumped" in text]


@pytest.mark.parametrize("kind", ["single", "ballistic"])
def test_meeting_the_ground_is_no_jump(kind: str) -> None:
    """Seen: "jumped: velocity_up" at the touchdown of one that came down at 20 m/s."""
    flight = flown(kind, **FAST)
    heard = told(flight, [air_packet(pressures(flight)), state_packet(flight, tilts(flight))])
    assert [text for text in heard.alarms() if "jumped" in text] == []


def test_a_velocity_that_falls_to_nothing_in_the_climb_is_told() -> None:
    flight = flown("single", **FAST)
    state = state_packet(flight, tilts(flight))
    state.values[(flight.t > flight.moments["burnout"] + 1.0) & (flight.t < flight.moments["burnout"] + 1.4), 3:6] = 0.0
    heard = told(flight, [air_packet(pressures(flight)), state])
    assert [text for text in heard.alarms() if "jumped" in text]
