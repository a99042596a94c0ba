"""Ascents of the twin for tests: its telemetry decoded into arrays, with the truth beside it, until past apogee."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from protocol.framing import FrameSplitter
from server.twin.propulsion import MassPoint, burn_table
from server.twin.rigid_body import Aerodynamics
from server.twin.sandpiper import Vehicle
from tests.kept import kept
from tests.server.twin.helpers import Heard, clean_twin, decode

Floats = NDArray[np.float64]
IGNITION_S = 8.0
PACKETS = ("navigation", "imu_a", "imu_b", "barometer")


@dataclass(frozen=True)
class Ascent:
    """Telemetry of one ascent: packet name -> column name -> array, with `t` in vehicle seconds; nothing is lost."""

    packets: Mapping[str, Mapping[str, Floats]]
    truth: Mapping[str, Any]
    path: Mapping[str, Floats]
    aero: Aerodynamics
    vehicle: Vehicle

    def mass_point(self, t_s: float) -> MassPoint:
        """Return the true mass properties at a time."""
        step = 0.0025
        table = burn_table(self.vehicle.motor, self.vehicle.body, step)
        index = int((t_s - self.truth["ignition_s"]) / step)
        return table[min(max(index, 0), len(table) - 1)]


def thinned(columns: Mapping[str, Floats], share: float, rng: np.random.Generator) -> dict[str, Floats]:
    """Return a packet's columns without a share of its rows, lost in bursts of three on average (a two-state chain)."""
    count = len(columns["t"])
    lost = np.zeros(count, dtype=bool)
    leave = 1.0 / 3.0
    enter = leave * share / (1.0 - share)
    bad = False
    for row, draw in enumerate(rng.random(count)):
        bad = draw >= leave if bad else draw < enter
        lost[row] = bad
    return {name: values[~lost] for name, values in columns.items()}


def fly(scenario: str, seed: int, after_apogee_s: float = 3.0, **changes: object) -> Ascent:
    """Fly a twin behind a perfect radio until some seconds past apogee; `changes` as `make_twin` takes them."""
    twin = clean_twin(scenario=scenario, seed=seed, ignite_after_s=IGNITION_S, **changes)
    splitter, heard, now = FrameSplitter(), [], 0.0
    while True:
        now += 0.1
        heard += decode(splitter, twin.advance(now))
        apogee = twin.motion.milestones.apogee_s
        if now > IGNITION_S + 30.0 or (apogee is not None and now > apogee + after_apogee_s):
            break
    packets = {name: _columns([h for h in heard if h.name == name]) for name in PACKETS}
    return Ascent(packets, twin.truth(), twin.trajectory(), twin.motion.aero, twin.vehicle)


@cache
def flown(scenario: str, seed: int) -> Ascent:
    """Return an ascent of a scenario as it is, flown once."""
    return kept(("ascent", scenario, seed), lambda: fly(scenario, seed))


@cache
def random_launch(seed: int) -> Ascent:
    """Fly a calm day with a motor anywhere within 0.9 to 1.1 of the usual thrust, another rail and another wind."""
    return kept(("random launch", seed), lambda: _random_launch(seed))


def _random_launch(seed: int) -> Ascent:
    rng = np.random.default_rng(seed)
    return fly(
        "calm",
        seed,
        motor__thrust_factor=float(rng.uniform(0.9, 1.1)),
        rail__tilt_deg=float(rng.uniform(0.0, 6.0)),
        rail__length_m=float(rng.uniform(1.5, 3.0)),
        wind__speed_at_10_m_m_s=float(rng.uniform(0.5, 6.0)),
        wind__turbulence_m_s=float(rng.uniform(0.1, 1.0)),
    )


@cache
def random_gust(seed: int) -> Ascent:
    """Fly a gusty rail with another gust, motor, balance and weather for each seed."""
    return kept(("random gust", seed), lambda: _random_gust(seed))


def _random_gust(seed: int) -> Ascent:
    rng = np.random.default_rng(seed)
    return fly(
        "gusty-rail",
        seed,
        wind__fixed_seed=None,
        motor__thrust_factor=float(rng.uniform(0.73, 1.05)),
        body__dry_center_m=float(rng.uniform(0.69, 0.75)),
        rail__length_m=float(rng.uniform(1.8, 2.6)),
        rail__tilt_deg=float(rng.uniform(0.0, 6.0)),
        wind__gust__peak_m_s=float(rng.uniform(4.0, 14.0)),
        wind__gust__hold_s=float(rng.uniform(0.8, 1.8)),
        wind__gust__toward_deg=float(rng.uniform(0.0, 360.0)),
        wind__speed_at_10_m_m_s=float(rng.uniform(1.0, 5.0)),
        wind__turbulence_m_s=float(rng.uniform(0.2, 0.8)),
        spread__thrust=0.01,
        spread__fin_misalignment_rad=0.0005,
    )


def _columns(heard: list[Heard]) -> dict[str, Floats]:
    columns = {"t": np.array([h.vehicle_ms for h in heard], dtype=np.float64) / 1000.0}
    for name in heard[0].values:
        columns[name] = np.array([h.values[name] for h in heard], dtype=np.float64)
    return columns
