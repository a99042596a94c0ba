"""Random flights of the twin: wind, mass, motor, sensor noise and radio loss drawn from a seed, with the truth of each."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.recording.records import Kind, Record
from server.twin.motion import Motion
from server.twin.sandpiper import Vehicle
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.kept import kept
from tests.server.flights import KEY, dictionary

IGNITE_S = 12.0
STEP_S = 0.02
AFTER_LANDING_S = 6.0


@dataclass(frozen=True)
class Flown:
    """One flight: what the modem gave as records, the truth, the true path, vehicle and motion as the twin had them."""

    records: tuple[Record, ...]
    truth: Mapping[str, Any]
    path: Mapping[str, NDArray[np.float64]]
    vehicle: Vehicle
    motion: Motion
    loss: float
    seed: int | None = None  # of the random changes, None for a scenario


def random_changes(seed: int) -> dict[str, Any]:
    """Return the numbers of the vehicle that differ in one random flight; a third of them have reversed roll."""
    rng = random.Random(f"accuracy {seed}")
    loss = rng.uniform(0.0, 0.25)
    return {
        "motor.thrust_factor": rng.uniform(0.85, 1.12),
        "body.dry_mass_kg": 1.55 * rng.uniform(0.95, 1.08),
        "wind.speed_at_10_m_m_s": rng.uniform(0.0, 6.0),
        "wind.toward_deg": rng.uniform(0.0, 360.0),
        "wind.turbulence_m_s": rng.uniform(0.1, 0.8),
        "wind.gust.peak_m_s": rng.choice((0.0, 3.0, 6.0)),
        "rail.tilt_deg": rng.uniform(0.0, 5.0),
        "rail.azimuth_deg": rng.uniform(0.0, 360.0),
        "barometer.noise_pa": rng.uniform(1.0, 4.0),
        "imu_a.accel_noise_m_s2": rng.uniform(0.05, 0.2),
        "imu_b.accel_noise_m_s2": rng.uniform(0.05, 0.2),
        "fins.effectiveness": 0.25 * rng.uniform(0.6, 1.4) * (-1.0 if seed % 3 == 0 else 1.0),
        # Bursts of four frames on average; the chance to enter one makes the loss.
        "radio.down.leave_burst": 0.25,
        "radio.down.loss_in_burst": 1.0,
        "radio.down.enter_burst": 0.25 * loss / (1.0 - loss),
        "radio.down.loss_outside": 0.0,
    }


@cache
def random_flight(seed: int) -> Flown:
    """Fly one random flight from switch-on until some seconds after landing."""
    flown = fly(Scenario("random", "a random flight", random_changes(seed)), seed, IGNITE_S + 0.017 * (seed % 12))
    return replace(flown, seed=seed)


@cache
def scenario_flight(name: str, seed: int) -> Flown:
    """Fly a demonstration scenario with a seed."""
    return fly(load_scenario(name), seed)


def fly(scenario: Scenario, seed: int, ignite_after_s: float = IGNITE_S) -> Flown:
    """Fly a scenario; one record per 20 ms in which something came."""
    return kept(("fly", scenario, seed, ignite_after_s), lambda: _fly(scenario, seed, ignite_after_s))


def _fly(scenario: Scenario, seed: int, ignite_after_s: float) -> Flown:
    twin = Twin(scenario=scenario, seed=seed, dictionary=dictionary(), key=KEY, boot_id=3, ignite_after_s=ignite_after_s)
    records: list[Record] = []
    step, end = 0, None
    while end is None or step < end:
        step += 1
        chunk = twin.advance(step * STEP_S)
        if chunk:
            records.append(Record(Kind.RECEIVED, len(records), round(step * STEP_S * 1e9), chunk))
        if end is None and (twin.landed or step > 15_000):
            end = step + round(AFTER_LANDING_S / STEP_S)
    truth = twin.truth()
    loss = truth["downlink_frames_lost"] / truth["downlink_frames_sent"]
    return Flown(tuple(records), truth, twin.trajectory(), twin.vehicle, twin.motion, loss)
