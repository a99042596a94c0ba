"""Two healthy inertial units of an invented vehicle (row 12); the table heads test_outside_rows.py."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import pi

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.accuracy.ensemble.motion import Flight, Floats, G
from tests.accuracy.recorded.told import Heard
from tests.server.analysis.outside import (
    FORCE,
    RATES,
    Packet,
    air_packet,
    flown,
    nose_rates,
    pressures,
    tilts,
    told,
    upright,
)


@cache
def burning() -> Flight:
    """Return a flight that burns for two and a half seconds."""
    return flown(target_m=900.0, thrust_n=120.0, rail_tilt=0.08)


def inertial(
    letter: str, seed: int, shake: float = 0.0, turned: float = 0.0, scale: float = 1.0, clip_g: float = 1e3
) -> Packet:
    """Return a healthy unit: its own noise, turned (rad) about its side, stretched, clipped."""
    flight, rng = burning(), np.random.default_rng(seed)
    cos, sin = np.cos(turned), np.sin(turned)
    mounted = np.array([[cos, 0.0, sin], [0.0, 1.0, 0.0], [-sin, 0.0, cos]])
    force = upright(flight, noise=0.0) @ mounted.T * scale
    force += rng.normal(0.0, 1.0, force.shape) * (0.08 + shake * (flight.powered > 0.05)[:, None])
    rates = nose_rates(tilts(flight)) @ mounted.T + rng.normal(0.0, 0.002, force.shape) + rng.normal(0.0, 0.004, 3)
    roles = tuple(role.replace(".a.", f".{letter}.") for role in (*FORCE, *RATES))
    return Packet(f"unit_{letter}", 25.0, roles, np.column_stack([np.clip(force, -clip_g * G, clip_g * G), rates]))


def assert_no_complaint(heard: Heard) -> None:
    """Neither an alarm nor a finding about the units."""
    assert [text for text in (*heard.alarms(), *heard.findings()) if "inertial unit" in text] == []


@pytest.mark.parametrize("what", ["nothing", "shaken", "turned", "stretched", "clipped"])
def test_healthy_units_are_not_reported(what: str) -> None:
    """Seen: alarm and finding for 3 m/s2 of vibration, 3 deg of misalignment, 5 % of scale, one unit clipping."""
    flight = burning()
    a, b = {
        "nothing": (inertial("a", 5), inertial("b", 6)),
        "shaken": (inertial("a", 5, shake=3.0), inertial("b", 6, shake=3.0)),
        "turned": (inertial("a", 5), inertial("b", 6, turned=3.0 * pi / 180.0)),
        "stretched": (inertial("a", 5), inertial("b", 6, scale=1.05)),
        "clipped": (inertial("a", 5), inertial("b", 6, clip_g=6.0)),
    }[what]
    assert_no_complaint(told(flight, [air_packet(pressures(flight)), a, b]))


def test_a_unit_that_is_broken_is_still_reported() -> None:
    """The other side of the same coin: a unit that turns away in flight is no ordinary one."""
    flight = burning()
    broken = inertial("b", 6)
    grows = np.clip(flight.t - flight.moments["lift_off"], 0.0, None)
    values = broken.values.copy()
    values[:, 3] += np.minimum(0.2 * grows, 1.5)
    heard = told(flight, [air_packet(pressures(flight)), inertial("a", 5), replace(broken, values=values)])
    assert [text for text in heard.alarms() if "inertial units disagree in rates" in text]


def test_an_ordinary_gyro_on_the_pad_is_not_reported() -> None:
    """Seen: "drifts at rest" after minutes on the pad, for the floor of some degrees an hour of any cheap part."""
    rng, step_s = np.random.default_rng(0), 0.01
    count = round(15 * 60.0 / step_s)
    waiting = replace(burning(), t=np.arange(count) * step_s)

    def floor() -> Floats:
        memories = (0.3, 3.0, 30.0, 300.0, 3000.0)  # noise that wanders at every time scale
        keeps = [float(np.exp(-step_s / memory)) for memory in memories]
        size = 10.0 / 3600.0 * pi / 180.0
        return np.sum(
            [lfilter([1.0], [1.0, -k], rng.normal(0.0, size * np.sqrt(1.0 - k * k), count)) for k in keeps], axis=0
        )

    packets = [air_packet(101325.0 + rng.normal(0.0, 3.0, count), 2.0)]
    for letter in "ab":
        rates = np.column_stack([floor() for _ in range(3)]) + rng.normal(0.0, 0.03 * pi / 180.0, (count, 3))
        force = np.column_stack([rng.normal(0.0, 0.05, (count, 2)), G + rng.normal(0.0, 0.05, count)])
        roles = tuple(role.replace(".a.", f".{letter}.") for role in (*FORCE, *RATES))
        packets.append(Packet(f"unit_{letter}", 20.0, roles, np.column_stack([force, rates + rng.normal(0.0, 0.004, 3)])))
    assert_no_complaint(told(waiting, packets))
