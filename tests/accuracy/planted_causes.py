"""Flights whose state vector is no number from a known cause, planted into healthy ones: for the test of precursors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from server.flight.inertial.precursors import POSITION, QUATERNION, Flown, Sensor, Switch

CAUSES: Mapping[str, str] = {
    "switch": "control",
    "time": "the step of time",
    "stuck": "the gyro of unit A",
    "end": "the accelerometer of unit A",
    "length": "the quaternion's length",
    "jump": "the barometer",
    "no number": "the barometer",
    "divisor": "the climb rate",
    "nothing": "",
}
"""Name of each planted cause, and what must be named for it; "" where nothing may be."""


def healthy(rng: np.random.Generator) -> Flown:
    """Return a drawn flight of invented shape: frames, two units, a barometer, and switches; nothing is wrong in it."""
    rate, seconds = float(rng.choice([10.0, 20.0, 50.0])), float(rng.uniform(20.0, 60.0))
    t = np.arange(-10.0, seconds, 1.0 / rate)
    burn, top = rng.uniform(0.8, 3.0), rng.uniform(6.0, 12.0)
    speed = np.interp(t, [-10.0, 0.0, burn, top, top + 2.0, seconds], [0.0, 0.0, 9.8 * (top - burn), 0.0, -6.0, -6.0])
    roll = np.where(t > 0.0, rng.uniform(1.0, 9.0) * np.sin(rng.uniform(0.5, 2.0) * t), 0.0)
    state = np.zeros((len(t), 13))
    state[:, 2] = np.cumsum(speed) / rate
    state[:, 3:6] = np.column_stack([4.0 * (t > 0.0), 0.1 * np.abs(speed), speed]) + rng.normal(0.0, 0.05, (len(t), 3))
    state[:, POSITION] += rng.normal(0.0, 0.02, (len(t), 3))
    half = 0.5 * np.cumsum(roll) / rate
    lean = np.clip(0.05 + 0.05 * t, 0.05, 0.9) / 2.0
    state[:, QUATERNION] = np.column_stack(
        [np.cos(lean) * np.cos(half), np.sin(lean) * np.cos(half), np.sin(lean) * np.sin(half), np.cos(lean) * np.sin(half)]
    )
    state[:, 10:13] = np.column_stack([0.1 * np.sin(3.0 * t), 0.1 * np.cos(3.0 * t), roll]) + rng.normal(
        0, 0.003, (len(t), 3)
    )
    sensors = []
    for name in "AB":
        own = np.arange(-10.0 + rng.uniform(0.0, 0.03), seconds, 1.0 / float(rng.choice([25.0, 50.0, 100.0])))
        push = np.interp(own, t, np.gradient(speed, t) + 9.8)
        force = np.column_stack([0.0 * own, 0.0 * own, push]) + rng.normal(0.0, 0.1, (len(own), 3))
        gyro = np.column_stack([np.interp(own, t, state[:, k]) for k in (10, 11, 12)]) + rng.normal(
            0.0, 0.003, (len(own), 3)
        )
        sensors.append(Sensor(f"the accelerometer of unit {name}", own, np.round(force, 2)))
        sensors.append(Sensor(f"the gyro of unit {name}", own, np.round(gyro, 3), True))
    pressure = 100_000.0 * np.exp(-state[:, 2] / 8400.0) + rng.normal(0.0, 2.0, len(t))
    sensors.append(Sensor("the barometer", t + 0.001, pressure[:, None]))
    return Flown(t, state, sensors, (), t > 0.0)


def _sensor(flown: Flown, name: str, values: np.ndarray) -> Flown:
    return replace(flown, sensors=[replace(one, values=values) if one.name == name else one for one in flown.sensors])


def planted(cause: str, rng: np.random.Generator) -> tuple[Flown, int]:
    """Return a flight with a cause and the frame it leads to a bad number in."""
    flown = healthy(rng)
    t, state = flown.t, flown.state.copy()
    place = int(np.searchsorted(t, rng.uniform(1.0, t[-1] - 2.0)))
    switches = []
    for name in ("the gate", "the phase"):
        at = rng.uniform(0.5, t[-1] - 1.0)
        switches.append((name, t, (t >= at).astype(np.float64)))
    control_at = rng.uniform(2.0, t[-1] - 3.0)
    name = CAUSES[cause]
    sensor = next((one for one in flown.sensors if one.name == name), None)
    own = 0 if sensor is None else int(np.searchsorted(sensor.t, t[place], side="right")) - 1
    values = np.zeros((0, 1)) if sensor is None else sensor.values.copy()
    if cause == "switch":
        control_at = t[place]
    elif cause == "time":
        t = t.copy()
        t[place] = t[place - 1] - rng.choice([0.0, 0.02])
    elif cause == "stuck":
        values[own - int(rng.integers(8, 20)) : own + 3] = values[own]
    elif cause == "end":
        values[own - int(rng.integers(1, 6)) : own + 1, 2] = np.inf
    elif cause == "length":
        many = int(rng.integers(5, 20))
        state[place - many : place, QUATERNION] *= np.linspace(1.0, rng.uniform(1.01, 1.5), many)[:, None]
    elif cause == "jump":
        values[own] += rng.choice([-1.0, 1.0]) * rng.uniform(2e3, 2e4)
    elif cause == "no number":
        values = np.column_stack([values, values])
        values[own, 1] = np.nan
    elif cause == "divisor":
        flies = np.flatnonzero((t > 1.0) & (t < t[-1] - 1.0))
        place = int(flies[np.argmin(np.abs(state[flies, 5]))])
    if sensor is not None:
        flown = _sensor(flown, name, values)
    switches.append(("control", t + rng.uniform(0.0, 0.02), (t >= control_at - 1e-9).astype(np.float64)))
    bad = slice(6, 13) if rng.random() < 0.5 else slice(0, 13)
    if cause == "divisor":
        bad = QUATERNION
    state[place, bad] = np.nan
    return replace(flown, t=t, state=state, switches=[Switch(*one) for one in switches]), place
