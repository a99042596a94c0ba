"""Flights of foreign shapes with a full attitude, for the strapdown's check: every number is invented.

Speed, height and tilt are the ensemble's (`tests/accuracy/ensemble/motion.py`, which shares nothing with `server/`); swing,
roll, and what two inertial units make of it are drawn here. Rotations are scipy's. The units' errors come from other
distributions than the station believes in: flat ones with hard ends instead of normal ones, bias that wanders at every time
scale, vibration while it burns that is sampled too slowly, clocks that are rounded, packets lost in bursts.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from math import exp, log, pi, radians

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation

from tests.accuracy.ensemble.motion import Air, DoesNotFly, Flight, Vehicle, draw_vehicle, fly
from tests.accuracy.ensemble.motion import G as GRAVITY

Floats = NDArray[np.float64]
STEP_S = 0.002
PAD_S = 30.0


@dataclass(frozen=True)
class Heard:
    """One unit as heard: times (n,), force (n, 3) m/s2 (infinite at an end of its range), rates (n, 3) rad/s."""

    t: Floats
    force: Floats
    rates: Floats


@dataclass(frozen=True)
class TurningFlight:
    """The truth on an even grid from the pad to apogee, and two units as heard of it; quaternions scalar first."""

    seed: int
    t: Floats
    quaternion: Floats
    velocity: Floats
    height: Floats
    moments: dict[str, float]
    units: dict[str, Heard]
    traits: dict[str, float]

    def truth_at(self, t_s: float) -> int:
        """Return the truth's place at a time."""
        return int(np.clip(np.searchsorted(self.t, t_s), 0, len(self.t) - 1))


def _wander(rng: np.random.Generator, count: int, memory_s: float, sigma: float) -> Floats:
    keep = exp(-STEP_S / memory_s)
    drive = rng.normal(0.0, sigma * np.sqrt(1.0 - keep * keep), count)
    return np.asarray(lfilter([1.0], [1.0, -keep], drive), dtype=np.float64)


def _attitude(
    t: Floats, flight: Flight, draw: random.Random, rng: np.random.Generator, traits: dict[str, float]
) -> Rotation:
    """Return the attitude: the flight's own tilt, a swing that dies away after the rail, and a roll that comes and goes."""
    left = flight.moments["lift_off"] + 0.25
    since = np.clip(t - left, 0.0, None)
    flies = (since > 0.0).astype(np.float64)
    tilt = uniform_filter1d(np.interp(t, flight.t, flight.tilt), round(0.2 / STEP_S))
    size, turns, dies = (
        radians(draw.uniform(0.0, 9.0)),
        2.0 * pi * exp(draw.uniform(log(0.4), log(3.0))),
        draw.uniform(0.4, 3.0),
    )
    swing = size * np.exp(-since / dies) * np.sin(turns * since)
    beside = (
        0.6 * size * np.exp(-since / (1.3 * dies)) * np.sin(0.9 * turns * since) + _wander(rng, len(t), 1.0, 0.01) * flies
    )
    cant = draw.choice((0.0, 0.5, 2.0, 6.0)) * draw.choice((-1.0, 1.0))
    torque = uniform_filter1d(_wander(rng, len(t), 0.5, draw.uniform(0.2, 3.0)) * flies, 25)
    speed = np.interp(t, flight.t, flight.speed_m_s)
    rolls = 2.0 * pi * cant * speed / max(float(speed.max()), 1.0) + np.cumsum(torque * flies) * STEP_S * 0.3
    roll = np.cumsum(uniform_filter1d(rolls * flies, 50)) * STEP_S
    traits |= {"swing_deg": float(np.degrees(size)), "roll_turns_s": float(np.abs(rolls).max() / (2.0 * pi))}
    heading = draw.uniform(-pi, pi)
    # About the vertical, then two leans, then the roll about the nose.
    return Rotation.from_euler("ZYX", np.column_stack([np.full(len(t), heading), tilt + swing, beside])) * (
        Rotation.from_rotvec(np.column_stack([np.zeros((len(t), 2)), roll]))
    )


def _unit(
    t: Floats, attitude: Rotation, push: Floats, powered: Floats, draw: random.Random, rng: np.random.Generator, loss: float
) -> Heard:
    """Return what a unit sends of the truth: errors, rounding, and packets lost in bursts of a third of a second."""
    turn = (attitude[:-1].inv() * attitude[1:]).as_rotvec() / STEP_S
    rates = np.vstack([turn[:1], 0.5 * (turn[:-1] + turn[1:]), turn[-1:]])
    force = attitude.inv().apply(push)
    flat = rng.uniform
    felt = force @ (np.eye(3) + flat(-0.025, 0.025, (3, 3))).T + flat(-0.3, 0.3, 3)
    shake = draw.choice((0.0, 0.5, 1.5, 4.0))
    felt += rng.normal(0.0, 1.0, felt.shape) * (draw.uniform(0.03, 0.15) + shake * powered[:, None])
    spun = rates @ (np.eye(3) + flat(-0.017, 0.017, (3, 3))).T + np.radians(flat(-1.0, 1.0, 3))
    spun += felt * np.radians(flat(-0.08, 0.08, 3)) / GRAVITY
    spun += np.column_stack([_wander(rng, len(t), memory, radians(0.01)) for memory in (3.0, 3.0, 3.0)])
    spun += np.column_stack([_wander(rng, len(t), 60.0, radians(0.02)) for _ in range(3)])
    spun += rng.normal(0.0, radians(draw.uniform(0.05, 0.2)), spun.shape)
    spun = np.clip(np.round(spun / 0.001) * 0.001, -radians(2000.0), radians(2000.0))
    end = draw.choice((16.0, 32.0, 50.0)) * GRAVITY
    felt = np.where(np.abs(felt) >= end, np.copysign(np.inf, felt), np.round(felt, 2))
    every = max(1, round(1.0 / draw.choice((20.0, 25.0, 50.0, 100.0, 200.0)) / STEP_S))
    sent = np.arange(rng.integers(0, every), len(t), every)
    if loss > 0.0:
        enter, leave = STEP_S * every / 0.35 * loss / (1.0 - loss), STEP_S * every / 0.35
        lost, state = np.zeros(len(sent), dtype=bool), False
        for k, dice in enumerate(rng.random(len(sent))):
            state = dice >= leave if state else dice < enter
            lost[k] = state
        sent = sent[~lost]
    return Heard(np.round(t[sent], 3), felt[sent], spun[sent])


def draw_flight(seed: int) -> TurningFlight:
    """Draw a vehicle that flies to between 80 and 5000 m, and two units of it."""
    draw = random.Random(f"strapdown {seed}")
    rng = np.random.default_rng([77, seed])
    while True:
        target = exp(draw.uniform(log(80.0), log(5000.0)))
        try:
            vehicle: Vehicle = draw_vehicle(draw, target, draw.random() < 0.15 and target < 1500.0)
            flight = fly(vehicle, Air(101325.0, 288.0, 0.0065), "single", PAD_S, 1.0)
        except DoesNotFly:
            continue
        return _drawn(seed, flight, draw, rng)


def _drawn(seed: int, flight: Flight, draw: random.Random, rng: np.random.Generator) -> TurningFlight:
    traits: dict[str, float] = {}
    t = np.arange(0.0, flight.moments["apogee_time"], STEP_S)
    attitude = _attitude(t, flight, draw, rng, traits)
    nose = attitude[0].apply([0.0, 0.0, 1.0])
    toward = np.array([nose[0], nose[1]]) / max(float(np.hypot(nose[0], nose[1])), 1e-9)
    across = np.gradient(flight.across_m, flight.t)
    flat = np.interp(t, flight.t, np.where(flight.t < flight.moments["lift_off"], 0.0, across))
    velocity = np.column_stack([flat * toward[0], flat * toward[1], np.interp(t, flight.t, flight.climb_m_s)])
    pushed = np.vstack([np.zeros((1, 3)), np.diff(velocity, axis=0) / STEP_S])
    push = 0.5 * (pushed + np.vstack([pushed[1:], pushed[-1:]])) + [0.0, 0.0, GRAVITY]
    height = np.concatenate([[0.0], np.cumsum(0.5 * (velocity[1:, 2] + velocity[:-1, 2]) * STEP_S)])
    powered = np.interp(t, flight.t, flight.powered)
    loss = draw.choice((0.0, 0.0, draw.uniform(0.0, 0.15)))
    traits |= {"loss": loss, "apogee_m": flight.moments["apogee"]}
    units = {name: _unit(t, attitude, push, powered, draw, rng, loss) for name in "ab"}
    x, y, z, w = attitude.as_quat().T
    return TurningFlight(seed, t, np.column_stack([w, x, y, z]), velocity, height, flight.moments, units, traits)
