"""Static tests on stands that ring, drift and warm up, with cells that hum and count in steps."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from scipy.signal import lfilter

from protocol.arrays import Floats
from tests.accuracy.weighing.errors import drawn

FINE_HZ = 8000.0
LEVEL = 0.05


@dataclass(frozen=True)
class SimulatedFiring:
    """A cell's record, (n,) each, the doubt of its scale as its builder knows it, and the truth."""

    t_s: Floats
    force_n: Floats
    scale: float
    impulse_n_s: float
    burn_s: float
    peak_n: float
    stand_hz: float


def thrust(rng: np.random.Generator, t: Floats) -> Floats:
    """Return a thrust, (n,), that begins at 0 s: a rise, a humped or falling or two-stepped middle, a tail."""
    burn = 0.4 * 12.0 ** rng.uniform()
    rise, tail = rng.uniform(0.004, 0.05), burn * rng.uniform(0.02, 0.12)
    x = np.clip(t / burn, 0.0, 1.0)
    kind = int(rng.integers(4))
    middle = (
        1.0 - rng.uniform(0.0, 0.5) * x,
        0.6 + rng.uniform(0.2, 0.6) * np.sin(pi * x) ** 2 + 0.1 * x,
        np.where(x < 0.25, 1.0, 0.5 + 0.5 * np.exp(-((x - 0.25) / 0.04))),
        0.7 + 0.3 * x + 0.5 * np.exp(-x / 0.05),
    )[kind]
    up = np.clip(t / rise, 0.0, 1.0)
    begins = up**2 * (3.0 - 2.0 * up)
    after = np.maximum(t - burn, 0.0)
    ends = np.exp(-after / tail) if rng.uniform() < 0.5 else 0.5 * (1.0 + np.cos(pi * np.clip(after / (3.0 * tail), 0, 1)))
    made: Floats = np.where(t >= 0.0, begins * middle * ends, 0.0)
    wander = np.cumsum(rng.normal(size=len(t))) / sqrt(FINE_HZ)
    return made * (1.0 + 0.01 * (wander - np.linspace(0, wander[-1], len(t))))


def simulated(seed: int) -> SimulatedFiring:
    """Return one static test."""
    rng = np.random.default_rng([18, 8, seed])
    peak = 6.0 * 200.0 ** rng.uniform()
    before, after = rng.uniform(1.5, 8.0), rng.uniform(9.0, 16.0)
    fine = np.arange(-before, after, 1.0 / FINE_HZ)
    true = thrust(rng, fine)
    true *= peak / true.max()
    stand_hz, damping = 25.0 * 8.0 ** rng.uniform(), rng.uniform(0.01, 0.1)
    seen = _stand(true, stand_hz, damping)
    hz = float(rng.choice([80.0, 200.0, 500.0, 1000.0, 2000.0]))
    t = np.arange(-before + 0.01, after - 0.01, 1.0 / hz)
    t += rng.uniform(-0.05, 0.05, len(t)) / hz
    scale = rng.choice([0.003, 0.005, 0.01])
    force = np.interp(t, fine, seen) * (1.0 + drawn(rng, scale))
    burned = np.interp(t, fine, np.cumsum(true) / true.sum())
    warm = np.where(t > 0.0, 1.0 - np.exp(-np.clip(t, 0, None) / rng.uniform(3.0, 30.0)), 0.0)
    force += peak * (rng.normal(0.0, 0.004) * burned + rng.normal(0.0, 0.006) * warm + rng.normal(0.0, 0.0005) * t)
    force += peak * rng.normal(0.0, 0.1)
    noise = peak * 10.0 ** rng.uniform(-3.5, -2.2)
    slow = lfilter([1.0], [1.0, -np.exp(-1.0 / (0.3 * hz))], rng.normal(size=len(t)))
    force += noise * rng.normal(size=len(t)) + rng.uniform(0.0, 0.5) * noise * slow / slow.std()
    quantum = 1.5 * peak / rng.choice([1000.0, 4000.0, 100_000.0])
    force = np.round(force / quantum) * quantum
    kept = rng.uniform(size=len(t)) > rng.choice([0.0, 0.01, 0.03])
    above = np.flatnonzero(true >= LEVEL * peak)
    sign = -1.0 if rng.uniform() < 0.3 else 1.0
    return SimulatedFiring(
        t_s=t[kept] + rng.uniform(0.0, 1000.0),
        force_n=sign * force[kept],
        scale=float(scale),
        impulse_n_s=float(true.sum() / FINE_HZ),
        burn_s=float((above[-1] - above[0]) / FINE_HZ),
        peak_n=float(peak),
        stand_hz=float(stand_hz),
    )


def _stand(force: Floats, hz: float, damping: float) -> Floats:
    """Return what a mass on a spring with a damper passes on: w^2 F = x'' + 2 z w x' + w^2 x, by its impulse response."""
    w, step = 2.0 * pi * hz, 1.0 / FINE_HZ
    swings = w * sqrt(1.0 - damping**2)
    # Poles as they are; one zero less than poles, and a gain of one at rest.
    r, c = np.exp(-damping * w * step), np.cos(swings * step)
    lower = [1.0, -2.0 * r * c, r**2]
    passed: Floats = lfilter([0.0, sum(lower)], lower, force)
    return passed
