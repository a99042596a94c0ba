"""Simulated units calibrated 500 times: how often the error lies within two sigmas of what was told, each parameter
apart.

Truth is not the estimators' model: noise that lasts beside white noise and counts of the wire, sides and turns laid
wrong with heavy tails, units drawn from flat distributions, hands that turn unevenly, samples at uneven times. Tunables
were chosen on odd seeds; the table shows even ones.

    python -m tests.accuracy.calibration [RUNS]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from math import radians, sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.calibration.accelerometer import accelerometer, positions_of
from server.flight.calibration.alignment import alignment
from server.flight.calibration.allan import TERMS, coefficients, deviations
from server.flight.calibration.barometer import Visit, barometer
from server.flight.calibration.estimate import Calibration, rotation_of, turn_of
from server.flight.calibration.gyro import gyro_at_rest, gyro_of_turns, turn_between
from server.flight.calibration.magnetometer import magnetometer

Rng = np.random.Generator
RATE_HZ = 25.0
RUNS = 500
Told = Iterator[tuple[str, float, float]]  # parameter, error, sigma


def noise(rng: Rng, count: int, sigma: float, columns: int = 3) -> Floats:
    """White noise and noise that lasts 0.15 s, half of the variance each."""
    white = rng.standard_normal((count, columns))
    slow = np.empty((count, columns))
    keep = float(np.exp(-1.0 / (0.15 * RATE_HZ)))
    slow[0] = rng.standard_normal(columns)
    drive = sqrt(1.0 - keep * keep) * rng.standard_normal((count, columns))
    for k in range(1, count):
        slow[k] = keep * slow[k - 1] + drive[k]
    return np.asarray(sigma * sqrt(0.5) * (white + slow), dtype=np.float64)


def uniform(rng: Rng, sigma: float, size: tuple[int, ...]) -> Floats:
    """As wide as a normal distribution of `sigma`, and flat."""
    return sigma * sqrt(3.0) * rng.uniform(-1.0, 1.0, size)


def slips(rng: Rng, sigma: float, size: tuple[int, ...]) -> Floats:
    """What a person does by hand: as wide as a normal distribution of `sigma`, with the tails of Student's t of 5."""
    return np.asarray(sigma * sqrt(3.0 / 5.0) * rng.standard_t(5, size), dtype=np.float64)


def crooked(rng: Rng, scale: float, crossed: float) -> Floats:
    """A matrix near one: what a unit does to the truth."""
    return np.eye(3) + np.diag(uniform(rng, scale, (3,))) + uniform(rng, crossed, (3, 3)) * (1.0 - np.eye(3))


def counted(values: Floats, step: float) -> Floats:
    """As the wire carries it."""
    return np.round(values / step) * step


def errors(found: Calibration, name: str, true: Floats, shown: str = "") -> Told:
    """Yield each parameter of an estimate with its error and sigma."""
    told = found.of(name)
    for place in np.ndindex(told.values.shape):
        index = ",".join("xyz"[i] for i in place) if len(told.values) > 1 else ""
        yield f"{shown or name} {index}".strip(), float(told.values[place] - true[place]), float(told.sigma[place])


SIDES = np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], dtype=np.float64)


def six_positions(rng: Rng, more: int = 0) -> tuple[Calibration, Floats, Floats]:
    """Six sides laid within a degree, and `more` positions between: the calibration, true bias and matrix."""
    a, b = crooked(rng, 0.01, 0.01), uniform(rng, 0.2, (3,))
    g = 9.81 + float(uniform(rng, 0.005, ()))
    stretches = []
    directions = list(SIDES) + [
        v / np.linalg.norm(v) for v in rng.choice([-1.0, 1.0], (more, 3)) * rng.uniform(0.5, 1.0, (more, 3))
    ]
    for d in directions:
        true = rotation_of(slips(rng, radians(1.0), (3,))) @ d
        raw = a @ (g * true) + b + noise(rng, 125, 0.06)
        stretches.append(counted(raw, 0.01))
    return accelerometer(positions_of(stretches, 0.01), 9.81, 0.005), b, np.linalg.inv(a)


def accelerometer_errors(rng: Rng, more: int = 0) -> Told:
    found, b, matrix = six_positions(rng, more)
    yield from errors(found, "bias", b, "accel bias")
    yield from errors(found, "matrix", matrix, "accel matrix")


def gyro_errors(rng: Rng) -> Told:
    b = uniform(rng, 0.01, (3,))
    t = np.arange(int(60 * RATE_HZ)) / RATE_HZ
    found = gyro_at_rest(t, counted(b + noise(rng, len(t), 0.004), 0.0005))
    yield from errors(found, "bias", b, "gyro bias")


def turn_errors(rng: Rng) -> Told:
    a, b = crooked(rng, 0.01, 0.01), uniform(rng, 0.01, (3,))
    turns = []
    for axis in range(3):
        seconds = rng.uniform(4.0, 9.0)
        t = np.arange(int((seconds + 10.0) * RATE_HZ)) / RATE_HZ + rng.uniform(
            -0.001, 0.001, int((seconds + 10.0) * RATE_HZ)
        )
        u = rotation_of(slips(rng, radians(1.5), (3,))) @ np.eye(3)[axis]
        whole = rng.choice([-1.0, 1.0]) * (2.0 * np.pi + float(slips(rng, radians(0.5), ())))
        share = np.clip((t - 5.0) / seconds, 0.0, 1.0)
        # a hand that starts, slackens and goes on: its integral over the turn is one
        swing, many = rng.uniform(0.0, 0.5), rng.integers(2, 5)
        shape = np.where(
            (share > 0) & (share < 1), (1 - np.cos(2 * np.pi * share)) * (1 + swing * np.cos(2 * np.pi * many * share)), 0
        )
        fine = np.linspace(0.0, 1.0, 20001)
        size = np.trapezoid((1 - np.cos(2 * np.pi * fine)) * (1 + swing * np.cos(2 * np.pi * many * fine)), fine)
        true = (whole / seconds * shape / size)[:, None] * u
        raw = counted(true @ a.T + b + noise(rng, len(t), 0.004), 0.0005)
        still = [np.flatnonzero(t < 4.8), np.flatnonzero(t > 5.2 + seconds)]
        turns.append(turn_between(t, raw, slice(0, still[0][-1] + 1), slice(still[1][0], len(t))))
    yield from errors(gyro_of_turns(turns), "scale", np.diag(a), "gyro scale")


def hand(rng: Rng, seconds: float) -> Callable[[Floats], Floats]:
    """Rates (n, 3) of a hand that turns something about all axes at once, rad/s, as a function of time."""
    many = 6
    f, phase, size = (
        rng.uniform(0.15, 0.9, (many, 3)),
        rng.uniform(0, 2 * np.pi, (many, 3)),
        rng.uniform(0.2, 0.7, (many, 3)),
    )

    def at(t: Floats) -> Floats:
        angle = 2.0 * np.pi * f * t[:, None, None] + phase
        return np.asarray((size * np.sin(angle)).sum(axis=1), dtype=np.float64)

    return at


def alignment_errors(rng: Rng) -> Told:
    true = rotation_of(uniform(rng, radians(2.0), (3,)))
    s = np.eye(3) + np.diag(uniform(rng, 0.01, (3,)))
    at = hand(rng, 60.0)
    t = np.arange(int(60 * RATE_HZ)) / RATE_HZ
    ta, tb = (t + shift + rng.uniform(-0.001, 0.001, len(t)) for shift in (0.0, 0.012))
    late = rng.uniform(-0.005, 0.005)
    a = counted(at(ta) + noise(rng, len(t), 0.004) + uniform(rng, 0.01, (3,)), 0.002)
    b = counted(at(tb + late) @ (true @ s).T + noise(rng, len(t), 0.004) + uniform(rng, 0.01, (3,)), 0.002)
    yield from errors(alignment(ta, a, tb, b), "rotation", turn_of(true), "alignment")


def magnetometer_errors(rng: Rng) -> Told:
    a = 48.0 * (crooked(rng, 0.08, 0.03))
    b = uniform(rng, 25.0, (3,))
    count = 600
    # a wandering hand: directions hang together, and some come more often
    steps = rng.standard_normal((count, 3)) * 0.35
    d = np.empty((count, 3))
    d[0] = [1.0, 0.0, 0.0]
    for k in range(1, count):
        d[k] = rotation_of(steps[k]) @ d[k - 1]
    raw = d @ a.T + b + rng.standard_t(5, (count, 3)) * 0.5 * sqrt(3.0 / 5.0)
    inverse = np.linalg.inv(a)
    size, axes = np.linalg.eigh(inverse.T @ inverse)
    true = axes @ np.diag(np.sqrt(size)) @ axes.T
    found = magnetometer(counted(raw, 0.15))
    yield from errors(found, "bias", b, "mag bias")
    for name, error, sigma in errors(found, "matrix", true, "mag matrix"):
        if name[-3] <= name[-1]:
            yield name, error, sigma


STAIRS = (0.0, 3.1, 6.2, 9.3, 12.4, 9.3, 6.2, 3.1, 0.0)


def barometer_errors(rng: Rng) -> Told:
    bias, scale = rng.normal(0, 80.0), 1.0 + float(uniform(rng, 0.01, ()))
    air_k, drift = 285.0 + float(slips(rng, 2.0, ())), rng.normal(0, 3.0)
    zero = 100800.0
    visits = []
    for k, height in enumerate(STAIRS):
        t = 60.0 * k + rng.uniform(-10, 10)
        true = zero * np.exp(-9.80665 * height / (287.05287 * air_k)) + drift * t / 60.0
        read = zero + bias + (true - zero) * scale
        visits.append(Visit(t, height, read + float(uniform(rng, 0.8, ())) + rng.normal(0, 0.5)))
    first = drift * scale * visits[0].t_s / 60.0
    found = barometer(visits, 285.0, 2.0, zero)
    # what the sensor does, seen through air that is not as warm as told: sensor and air cannot be told apart
    yield from errors(found, "scale", np.array([scale]), "baro scale")
    yield from errors(found, "offset", np.array([bias + first]), "baro offset")


def allan_errors(rng: Rng) -> Told:
    """Twenty minutes at rest with white noise, counts of the wire, and a walk that no least squares was fitted to."""
    tau0, count = 1.0 / RATE_HZ, int(1200 * RATE_HZ)
    n, k = rng.uniform(2e-4, 1e-3), rng.uniform(1e-5, 5e-5)
    steps = rng.standard_t(5, count) * sqrt(3.0 / 5.0)
    values = n / sqrt(tau0) * rng.standard_normal(count) + k * sqrt(tau0) * np.cumsum(steps)
    value, sigma = coefficients(deviations(counted(values, 0.0005), tau0))
    for name, true in (("angle_random_walk", n), ("rate_random_walk", k)):
        place = TERMS.index(name)
        yield name.replace("_", " "), float(value[place] - true), float(sigma[place])


KINDS: dict[str, Callable[[Rng], Told]] = {
    "accelerometer, six sides": accelerometer_errors,
    "accelerometer, 14 positions": lambda rng: accelerometer_errors(rng, 8),
    "gyro at rest": gyro_errors,
    "gyro turns": turn_errors,
    "Allan deviation": allan_errors,
    "alignment": alignment_errors,
    "magnetometer": magnetometer_errors,
    "barometer": barometer_errors,
}


def coverage(kind: str, runs: int, first_seed: int = 0) -> dict[str, tuple[float, float, int]]:
    """Return of each parameter the share within two sigmas, the median sigma and the runs; seeds go up by two."""
    found: dict[str, list[tuple[float, float]]] = {}
    for seed in range(first_seed, first_seed + 2 * runs, 2):
        for name, error, sigma in KINDS[kind](np.random.default_rng(seed)):
            found.setdefault(name, []).append((error, sigma))
    return {
        name: (float(np.mean([abs(e) <= 2.0 * s for e, s in told])), float(np.median([s for _, s in told])), len(told))
        for name, told in found.items()
    }


def main(runs: int = RUNS, first_seed: int = 0) -> None:
    """Print the table."""
    for kind in KINDS:
        told = coverage(kind, runs, first_seed)
        print(kind)
        for name, (share, sigma, count) in told.items():
            mark = "" if 0.93 <= share <= 0.97 else "  outside 93 to 97"
            print(f"  {name:<18}{100 * share:6.1f} % of {count}   median sigma {sigma:.3g}{mark}")
        everything = float(np.mean([share for share, _, _ in told.values()]))
        print(f"  {'all together':<18}{100 * everything:6.1f} %")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
