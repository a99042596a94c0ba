"""A servo of the tests' own, richer than the model that is fitted to it, and the ways it is driven.

Second order or first, dead time, a rate that sags with the supply, stiction (a dead band), play, end stops; measured with
noise, quantization, jitter of the time stamps, lost packets, commands and answers in packets of their own. Steps of 1 ms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats

STEP_S = 0.001


@dataclass(frozen=True)
class Servo:
    """One servo; angles in rad, times in s. `zeta` None: first order. `sag`: share of the rate lost at full load."""

    ratio: float = 0.99
    offset: float = 0.002
    play: float = 0.004
    dead_s: float = 0.01
    lag_s: float = 0.03
    rate: float = 7.0
    zeta: float | None = None
    band: float = 0.0
    sag: float = 0.0
    stop: float = 9.0


@dataclass(frozen=True)
class Telemetry:
    """How it is heard."""

    rate_hz: float = 20.0
    noise: float = 0.0006
    quantum: float = 0.0001
    jitter_s: float = 0.0
    lost: float = 0.0
    is_split: bool = False
    stamp_s: float = 0.0  # the command is told so much late: it belongs to another moment of the vehicle's cycle


@dataclass(frozen=True)
class Heard:
    """Commanded and measured samples, and the mean rate while the servo went at its limit (nan where it never did)."""

    commanded: tuple[Floats, Floats]
    measured: tuple[Floats, Floats]
    rate: float


def drawn(rng: np.random.Generator, rich: bool) -> Servo:
    """Draw a servo; a plain one is like the model that is fitted."""
    return Servo(
        ratio=float(rng.choice([1.0, 1.0, 1.0, -1.0]) * rng.normal(1.0, 0.03)),
        offset=float(rng.normal(0.0, 0.004)),
        play=float(rng.uniform(0.0, 0.012)),
        dead_s=float(rng.uniform(0.0, 0.04)),
        lag_s=float(rng.uniform(0.015, 0.08)),
        rate=float(rng.uniform(2.5, 9.0)),
        zeta=float(rng.uniform(0.6, 1.3)) if rich and rng.random() < 0.6 else None,
        band=float(rng.uniform(0.0, 0.001)) if rich else 0.0,
        sag=float(rng.uniform(0.0, 0.08)) if rich else 0.0,
    )


def drawn_telemetry(rng: np.random.Generator, rate_hz: float, rich: bool) -> Telemetry:
    """Draw what the telemetry does to it."""
    noise = float(rng.uniform(0.0003, 0.0015))
    stamp_s = float(rng.uniform(-0.5, 0.5) * rng.choice([0.005, 0.01, 0.02]))
    if not rich:
        return Telemetry(rate_hz, noise, stamp_s=stamp_s)
    quantum = float(rng.choice([1e-4, 5e-4, 1.5e-3]))
    jitter_s, lost = float(rng.uniform(0.0, 0.001)), float(rng.uniform(0.0, 0.08))
    return Telemetry(rate_hz, noise, quantum, jitter_s, lost, rng.random() < 0.4, stamp_s)


def bench_steps(rng: np.random.Generator) -> Floats:
    """Return commands of a step trial, one each ms: several sizes both ways, from rest and reversing, at any moment."""
    levels = [0.06, -0.06, 0.12, 0.0, -0.12, 0.0, 0.24, -0.24, 0.12, 0.24, 0.0, -0.24, -0.06, 0.24, -0.24, 0.06, 0.0]
    parts = [np.zeros(1200)]
    parts += [np.full(int(rng.integers(550, 750)), level) for level in levels]
    return np.concatenate(parts)


def flown(rng: np.random.Generator, cycle_s: float) -> Floats:
    """Return commands of a flight, one each ms: nothing, the gate opens with a jump, then a loop that fights a push."""
    limit, start, length = 0.14, 2500, int(rng.integers(4000, 8000))
    parts = np.zeros(start + length + 800)
    every = max(1, round(cycle_s / STEP_S))
    size, memory = rng.uniform(0.02, 0.08), rng.uniform(0.08, 0.4)
    jump, fades = rng.choice([-1.0, 1.0]) * rng.uniform(0.05, 0.3), rng.uniform(0.2, 0.5)
    wander, value = 0.0, 0.0
    for k in range(length):
        wander += -wander * STEP_S / memory + size * np.sqrt(2.0 * STEP_S / memory) * rng.standard_normal()
        if k % every == 0:
            value = float(np.clip(jump * np.exp(-k * STEP_S / fades) + wander, -limit, limit))
        parts[start + k] = value
    return np.round(parts, 4)


def run(servo: Servo, telemetry: Telemetry, command: Floats, rng: np.random.Generator) -> Heard:
    """Drive a servo and return what is heard of it."""
    late = round(servo.dead_s / STEP_S)
    heard = np.concatenate((np.full(late, command[0]), command))[: len(command)]
    horn, limited, rates = _horn(servo, heard)
    driven = np.clip(servo.ratio * horn + servo.offset, -servo.stop, servo.stop)
    fin, y = np.empty(len(horn)), float(driven[0] + rng.uniform(-0.5, 0.5) * servo.play)
    for k, want in enumerate(driven.tolist()):
        y = min(max(y, want - servo.play / 2.0), want + servo.play / 2.0)
        fin[k] = y
    early = np.roll(command, round(telemetry.stamp_s / STEP_S))  # begins and ends in rest
    commanded = _sampled(early, telemetry, rng, telemetry.quantum if telemetry.quantum < 1e-3 else 1e-4, 0.0)
    if telemetry.is_split:
        measured = _sampled(fin, telemetry, rng, telemetry.quantum, telemetry.noise)
    else:
        at = np.clip(np.round(commanded[2] / STEP_S).astype(int), 0, len(fin) - 1)
        measured = (commanded[0], _read(fin[at], telemetry, rng), commanded[2])
    return Heard(commanded[:2], measured[:2], float(rates[limited].mean()) if limited.any() else float("nan"))


def _horn(servo: Servo, heard: Floats) -> tuple[Floats, Floats, Floats]:
    x, v, load = float(heard[0]), 0.0, 0.0
    horn, limited, rates = np.empty(len(heard)), np.zeros(len(heard), dtype=bool), np.empty(len(heard))
    share = 1.0 - np.exp(-STEP_S / servo.lag_s)
    for k, asked in enumerate(heard.tolist()):
        rate = servo.rate * (1.0 - servo.sag * load)
        apart = asked - x
        if abs(apart) <= servo.band and abs(v) < 0.05:
            move = v = 0.0
        elif servo.zeta is None:
            move = apart * share
            v = move / STEP_S
        else:
            w = 2.0 * servo.zeta / servo.lag_s
            v += STEP_S * (w * w * apart - 2.0 * servo.zeta * w * v)
            move = v * STEP_S
        limited[k] = abs(v) > rate
        v = min(max(v, -rate), rate)
        move = min(max(move, -rate * STEP_S), rate * STEP_S)
        x += move
        load += (min(1.0, abs(v) / servo.rate) - load) * STEP_S / 0.05
        horn[k], rates[k] = x, rate
    return horn, limited, rates


def _sampled(
    values: Floats, telemetry: Telemetry, rng: np.random.Generator, quantum: float, noise: float
) -> tuple[Floats, Floats, Floats]:
    period = 1.0 / telemetry.rate_hz
    at = rng.uniform(0.0, period) + period * np.arange(int((len(values) * STEP_S - period) / period))
    at = at[rng.random(len(at)) >= telemetry.lost]
    taken = values[np.clip(np.round(at / STEP_S).astype(int), 0, len(values) - 1)]
    read = np.round((taken + noise * rng.standard_normal(len(at))) / quantum) * quantum
    return at + telemetry.jitter_s * rng.standard_normal(len(at)), read, at


def _read(values: Floats, telemetry: Telemetry, rng: np.random.Generator) -> Floats:
    noisy = values + telemetry.noise * rng.standard_normal(len(values))
    read: Floats = np.round(noisy / telemetry.quantum) * telemetry.quantum
    return read
