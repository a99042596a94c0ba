"""Climbs of random vehicles, written for the prediction of apogee alone: nothing of the station is used, and none is tuned.

A point in a vertical plane with its nose along the way (a gravity turn), thrust, a drag coefficient of its own shape by Mach
number, and instruments with what real ones get wrong: bias, scale, vibration, a port in the flow, a lag of first order,
samples lost in bursts. Units are SI; the air is an exponential of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, exp, hypot, sin

import numpy as np

G = 9.80665
AIR_HEIGHT_M, SOUND_M_S, SOUND_PER_M = 10300.0, 340.5, 0.0041
STEP_S = 0.005
PAD_S = 12.0


@dataclass
class Climb:
    """What the instruments said: rows (time, kind, value, upward value), kind "force" or "height"; and the truth."""

    rows: list[tuple[float, str, float, float]]
    lift_off_s: float
    burnout_s: float
    burnout_mach: float
    apogee_m: float
    has_attitude: bool
    across: list[tuple[float, float]]
    kappa_1_m: float  # at low speed, by mass and size
    diameter_m: float
    mass_kg: float
    drawn: dict[str, float]  # the instruments' errors


def random_climb(seed: int, *, fast: bool | None = None) -> Climb:
    """Return the climb of a random vehicle; `fast` asks for one that burns out beyond M 0.8, or below."""
    rng = np.random.default_rng([seed, 715])
    while True:
        climb = _one(rng)
        if fast is None or (climb.burnout_mach > 0.8) == fast:
            return climb


def _one(rng: np.random.Generator) -> Climb:
    mass = float(np.exp(rng.uniform(np.log(0.08), np.log(25.0))))
    diameter = 0.05 * mass**0.33 * float(rng.uniform(0.8, 1.4))
    cd = float(rng.uniform(0.35, 0.8))
    rise, onset, peak = float(rng.uniform(0.25, 1.1)), float(rng.uniform(0.8, 0.92)), float(rng.uniform(1.02, 1.15))
    slow = float(rng.uniform(-0.1, 0.15))  # of the coefficient, from M 0.8 down to 0
    speed = float(np.exp(rng.uniform(np.log(40.0), np.log(420.0))))
    burn = float(rng.uniform(0.8, 4.5))
    lean = abs(float(rng.normal(0.0, 0.07)))
    bias, scale = float(rng.normal(0.0, 0.5)), float(rng.normal(0.0, 0.008))
    wander = float(rng.normal(0.0, 0.15))  # of the bias, between pad and flight
    vibration = float(rng.uniform(0.0, 6.0))
    port, lag = float(rng.normal(0.0, 0.035)), float(rng.choice([0.02, 0.05, 0.1, 0.25]))
    wind = float(rng.normal(0.0, 3.0))
    rate = float(rng.choice([20.0, 50.0, 100.0]))
    attitude = bool(rng.uniform() < 0.5)
    loss = float(rng.choice([0.0, 0.15]))
    area = 0.7854 * diameter**2

    def coefficient(mach: float) -> float:
        own = cd * (1.0 + slow * max(0.0, 0.8 - mach) / 0.8)
        if mach <= onset:
            return own
        if mach < peak:
            return own * (1.0 + rise * (0.5 - 0.5 * cos(3.14159265 * (mach - onset) / (peak - onset))))
        return own * (1.0 + rise / (1.0 + 1.1 * (mach - peak)))

    thrust = mass * (speed / burn + G) + 0.25 * 1.2 * cd * area * speed**2
    t, h, x, vh, vx, read, heading = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, lean
    times, ups, alongs, leans, barometer, across = [], [], [], [], [], []
    burnout_s, burnout_mach = None, 0.0
    while vh >= 0.0 and t < 120.0:
        air_x = vx - wind * min(1.0, (h / 10.0) ** 0.143 if h > 0 else 0.0)
        air = hypot(vh, air_x)
        sound = SOUND_M_S - SOUND_PER_M * h
        density = 1.2 * exp(-h / AIR_HEIGHT_M)
        drag = 0.5 * density * area * coefficient(air / sound) * air**2 / mass
        push = thrust / mass if t < burn else max(0.0, 1.0 - (t - burn) / 0.08) * thrust / mass
        if air > 20.0:
            heading = np.arctan2(air_x, vh)
        along = push - drag
        ah, ax = along * cos(heading) - G, along * sin(heading)
        if h <= 0.0 and ah < 0.0:
            ah = ax = 0.0
        if burnout_s is None and t > 0.3 and along <= 0.0:
            burnout_s, burnout_mach = t, air / sound
        times.append(t)
        alongs.append(along)
        leans.append(heading)
        ups.append(h)
        across.append(vx)
        read += (h + port * air**2 / (2 * G) - read) * STEP_S / lag
        barometer.append(read)
        vh, vx = vh + ah * STEP_S, vx + ax * STEP_S
        h, x, t = h + vh * STEP_S, x + vx * STEP_S, t + STEP_S
    t0 = PAD_S
    grid = np.array(times) + t0
    rows: list[tuple[float, str, float, float]] = []
    sampled = np.arange(rng.uniform(0.0, 1.0 / rate), grid[-1] - 0.3, 1.0 / rate)
    heard = _heard(rng, sampled, loss, t0)
    force = np.interp(sampled, grid, alongs)
    tilt = np.where(sampled < t0, lean, np.interp(sampled, grid, leans))
    force = np.where(sampled < t0, G * np.cos(lean), force)
    shaking = np.where((sampled > t0) & (sampled < t0 + (burnout_s or 0.0)), vibration, 0.0)
    felt = force * (1.0 + scale) + bias + np.where(sampled < t0, 0.0, wander)
    felt = felt + rng.normal(size=sampled.size) * np.hypot(0.1, shaking)
    up = felt * np.cos(tilt + rng.normal(0.0, 0.01)) if attitude else felt
    rows += [(float(a), "force", float(b), float(c)) for a, b, c, k in zip(sampled, felt, up, heard, strict=True) if k]
    slower = sampled[:: 2 if rate > 20.0 else 1] + 0.001
    heights = np.where(slower < t0, 0.0, np.interp(slower, grid, barometer)) + 0.5 * rng.normal(size=slower.size)
    kept = heard[:: 2 if rate > 20.0 else 1]
    rows += [(float(a), "height", float(b), 0.0) for a, b, k in zip(slower, heights, kept, strict=True) if k]
    told = [(float(a), float(b)) for a, b in zip(sampled, np.interp(sampled, grid, across), strict=True)]
    kappa = 0.5 * 1.2 * cd * area / mass
    burned = t0 + (burnout_s if burnout_s is not None else burn)
    drawn = {
        "port": port,
        "lag_s": lag,
        "bias_m_s2": bias,
        "wander_m_s2": wander,
        "scale": scale,
        "loss": loss,
        "lean": lean,
    }
    if not attitude:
        told = []
    return Climb(sorted(rows), t0, burned, burnout_mach, max(ups), attitude, told, kappa, diameter, mass, drawn)


def _heard(rng: np.random.Generator, t: np.ndarray, loss: float, from_s: float) -> np.ndarray:
    """Which samples arrive: in flight a share is lost in bursts of 0.35 s on average."""
    heard = np.ones(t.size, dtype=bool)
    at = from_s
    while loss > 0.0 and at < t[-1]:
        at += float(rng.exponential(0.35 / loss * (1.0 - loss)))
        end = at + float(rng.exponential(0.35))
        heard[(t > at) & (t < end)] = False
        at = end
    return heard
