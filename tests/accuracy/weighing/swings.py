"""Bifilar pendulums with air drag, sway, a noisy gyro and a radio, and what their builder measured of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.weighing.pendulum import Hung, Measured
from tests.accuracy.weighing.errors import drawn

STEPS_PER_PERIOD = 120
BATCH = 100


@dataclass(frozen=True)
class SimulatedSwing:
    """One record of a gyro, (n,) and (n, 3), what was measured with it, the air's guessed share, and the truth."""

    t_s: Floats
    rates_rad_s: Floats
    hung: Hung
    air: Measured
    axis: str
    period_s: float
    inertia_kg_m2: float


def _integrated(
    inertia: Floats,
    mass: Floats,
    spacing: Floats,
    length: Floats,
    g: Floats,
    drag: Floats,
    square: Floats,
    angle: Floats,
    step: Floats,
    count: int,
) -> Floats:
    """Return the rates, (count, runs), of the full equation of motion, by Runge and Kutta's method of fourth order."""

    def speed(a: Floats, w: Floats) -> Floats:
        root = np.sqrt(length**2 - (spacing * np.sin(a / 2.0)) ** 2)
        first = spacing**2 * np.sin(a) / (4.0 * root)
        second = spacing**2 * np.cos(a) / (4.0 * root) + spacing**4 * np.sin(a) ** 2 / (16.0 * root**3)
        moment = -mass * first * second * w**2 - mass * g * first - inertia * (drag * w + square * w * np.abs(w))
        return moment / (inertia + mass * first**2)

    a, w, out = angle.copy(), np.zeros_like(angle), np.empty((count, len(angle)))
    for place in range(count):
        out[place] = w
        k1, l1 = w, speed(a, w)
        k2, l2 = w + 0.5 * step * l1, speed(a + 0.5 * step * k1, w + 0.5 * step * l1)
        k3, l3 = w + 0.5 * step * l2, speed(a + 0.5 * step * k2, w + 0.5 * step * l2)
        k4, l4 = w + step * l3, speed(a + step * k3, w + step * l3)
        a, w = a + step * (k1 + 2 * k2 + 2 * k3 + k4) / 6.0, w + step * (l1 + 2 * l2 + 2 * l3 + l4) / 6.0
    return out


def swings(seeds: list[int]) -> Iterator[SimulatedSwing]:
    """Yield one simulated swing for each seed."""
    for start in range(0, len(seeds), BATCH):
        yield from _batch(seeds[start : start + BATCH])


def _batch(seeds: list[int]) -> Iterator[SimulatedSwing]:
    rngs = [np.random.default_rng([18, 7, seed]) for seed in seeds]
    draw = np.array([rng.uniform(size=10) for rng in rngs])
    mass, length = 0.4 * 15.0 ** draw[:, 0], 0.6 + 1.9 * draw[:, 1]
    roll = draw[:, 2] > 0.75
    body = 0.6 + 1.6 * draw[:, 3]
    inertia = np.where(roll, mass * (0.02 + 0.03 * draw[:, 3]) ** 2, mass * body**2 * (0.05 + 0.05 * draw[:, 4]))
    # A roll axis is hung on a bar wider than the body, or it would turn too slowly to be told.
    spacing = np.where(roll, 0.10 + 0.10 * draw[:, 5], np.minimum(0.3 + 0.5 * draw[:, 5], body))
    g = 9.780 + 0.052 * draw[:, 6]
    air = np.where(roll, 0.0, 1.2 * pi / 4.0 * (body / 16.0) ** 2 * body**3 / 12.0)
    moved = air * (1.0 + np.array([drawn(rng, 0.3) for rng in rngs]))
    stiffness = mass * g * spacing**2 / (4.0 * length)
    period = 2.0 * pi * np.sqrt((inertia + moved) / stiffness)
    angle = np.radians(4.0 + 26.0 * draw[:, 7])
    drag = 2.0 * pi / period * 10.0 ** (-2.6 + 1.2 * draw[:, 8])
    square = 0.04 * draw[:, 9]
    swung = np.array([rng.uniform(14.0, 60.0) for rng in rngs])
    step = period / STEPS_PER_PERIOD
    rates = _integrated(inertia + moved, mass, spacing, length, g, drag, square, angle, step,
                        int(swung.max() * STEPS_PER_PERIOD) + 2)  # fmt: skip
    for i, rng in enumerate(rngs):
        fine = np.arange(len(rates)) * step[i]
        t, seen = _heard(rng, fine, rates[:, i], swung[i] * period[i], sqrt(g[i] / length[i]), roll[i])
        hung = Hung(
            *(Measured(value + drawn(rng, sigma), sigma)
              for value, sigma in ((mass[i], 0.002 + 0.001 * mass[i]), (spacing[i], 0.001), (length[i], 0.002)))
        )  # fmt: skip
        yield SimulatedSwing(
            t,
            seen,
            hung,
            Measured(air[i], 0.3 * air[i]),
            "roll" if roll[i] else "lateral",
            float(period[i]),
            float(inertia[i]),
        )


def _heard(
    rng: np.random.Generator, fine: Floats, rate: Floats, swung_s: float, sway: float, roll: bool
) -> tuple[Floats, Floats]:
    """Return what comes of a gyro: handling, release, free swing, a hand that ends it; times in ms, some packets lost."""
    before, after = rng.uniform(2.0, 8.0), rng.uniform(1.0, 6.0)
    hz = float(rng.choice([20.0, 25.0, 50.0, 100.0]))
    t = np.arange(0.0, before + swung_s + after, 1.0 / hz)
    t += rng.uniform(-0.1, 0.1, len(t)) / hz
    free = (t >= before) & (t < before + swung_s)
    main = np.where(free, np.interp(t - before, fine, rate), 0.0)
    wobble = np.convolve(rng.normal(size=len(t)), np.ones(max(1, int(0.4 * hz))), "same") / sqrt(0.4 * hz)
    main += np.where(free, 0.0, 0.5 * wobble)
    toward = rng.uniform(0.0, 2.0 * pi)
    tilt = rng.normal(0.0, np.radians(3.0), 2)
    if roll:
        axis = np.array([tilt[0], tilt[1], 1.0])
    else:
        axis = np.array([np.cos(toward), np.sin(toward), tilt[0]])
    axis /= np.linalg.norm(axis)
    seen = main[:, None] * axis * (1.0 + rng.uniform(-0.02, 0.02))
    strength = np.max(np.abs(rate))
    lean = rng.uniform(0.0, 0.06) * strength * np.exp(-np.clip(t - before, 0, None) / rng.uniform(20, 200))
    seen += (lean * np.cos(sway * t + rng.uniform(0, 2 * pi)))[:, None] * rng.normal(size=3) / sqrt(3.0)
    noise = rng.uniform(0.0005, 0.006)
    slow = np.cumsum(rng.normal(size=seen.shape), axis=0) * rng.uniform(0.0, 0.0005) / sqrt(hz)
    warm = (1.0 - np.exp(-t / rng.uniform(30.0, 300.0)))[:, None] * rng.normal(0.0, 0.01, 3)
    seen = seen + noise * rng.normal(size=seen.shape) + slow + warm + rng.normal(0.0, 0.02, 3)
    quantum = rng.choice([0.001, 0.002, 0.004])
    seen = np.round(seen / quantum) * quantum
    kept = rng.uniform(size=len(t)) > rng.uniform(0.0, 0.15)
    return np.round(t[kept] * (1.0 + drawn(rng, 2e-5)), 3), seen[kept]
