"""Flights of the twin for the tests of flight computation: what the ground heard of it, and the true motion beside it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from server.analysis.pipeline import recorded_output
from server.recording.records import Kind, Record
from server.telemetry.journal import JournalEntry
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.server.flights import FACTS, KEY, dictionary, whole_flight

Floats = NDArray[np.float64]
AXES = ("x", "y", "z")


@dataclass(frozen=True)
class Heard:
    """Tables by name as (t, columns), the true milestones, the true trajectory, and the journal."""

    tables: dict[str, tuple[Floats, dict[str, Floats]]]
    truth: dict
    trajectory: dict[str, Floats]
    ground_phases: tuple[tuple[float, str], ...]
    entries: tuple[JournalEntry, ...]

    def matrix(self, table: str, *names: str) -> Floats:
        """Return columns of a table side by side, shape (n, names)."""
        return np.column_stack([self.tables[table][1][name] for name in names])

    def time(self, table: str) -> Floats:
        """Return a table's times."""
        return self.tables[table][0]

    def flying(self, t_s: Floats) -> NDArray[np.bool_]:
        """Tell for each time whether the vehicle was in the air or sliding to rest."""
        return (t_s >= self.truth["liftoff_s"]) & (t_s <= self.truth["landing_s"] + 1.0)

    def state(self) -> dict[str, Floats]:
        """Return the state vector's columns by role."""
        roles = dictionary().roles
        named = {role: channel.name for role, channel in roles.items() if channel.packet == "navigation"}
        return {role: self.tables["navigation"][1][name] for role, name in named.items()}


def fly(scenario: Scenario, seed: int, ignite_after_s: float = 15.0) -> Heard:
    """Fly from switch-on until some seconds after landing and decode what the ground modem gave."""
    flown = whole_flight(scenario, seed, ignite_after_s)
    records = [Record(Kind.RECEIVED, at, round(t * 1e9), chunk) for at, (t, chunk) in enumerate(flown.chunks)]
    output = recorded_output(dictionary(), records, 0, FACTS)
    phases = tuple((e.t, e.body["phase"]) for e in output.entries if e.topic == "phase" and e.key == "ground")
    tables = {name: (rows.t, rows.columns) for name, rows in output.rows.items()}
    return Heard(tables, flown.truth, flown.trajectory, phases, tuple(output.entries))


@cache
def heard(scenario: str = "calm", seed: int = 1) -> Heard:
    """Return one flight of a named scenario, flown once."""
    return fly(load_scenario(scenario), seed)


@cache
def stood(scenario: str = "calm", seed: int = 1, seconds: float = 40.0, **changes: float) -> dict:
    """Let the twin stand on the pad without ignition; return its tables as (t, columns). `__` in a name stands for a dot."""
    named = load_scenario(scenario)
    changed = dict(named.changes) | {name.replace("__", "."): value for name, value in changes.items()}
    twin = Twin(
        scenario=Scenario(named.name, named.title, changed),
        seed=seed,
        dictionary=dictionary(),
        key=KEY,
        boot_id=3,
        ignite_after_s=None,
    )
    records = []
    for step in range(1, round(seconds * 10) + 1):
        chunk = twin.advance(step * 0.1)
        if chunk:
            records.append(Record(Kind.RECEIVED, len(records), step * 100_000_000, chunk))
    output = recorded_output(dictionary(), records, 0, FACTS)
    return {name: (rows.t, rows.columns) for name, rows in output.rows.items()}


def imu_matrix(tables: dict, unit: str) -> tuple[Floats, Floats, Floats]:
    """Return times, force and rates as (n, 6), and die temperature of one inertial unit."""
    t_s, columns = tables[f"imu_{unit}"]
    values = np.column_stack([columns[f"{kind}_{axis}"] for kind in ("accel", "gyro") for axis in AXES])
    return t_s, values, columns["temperature"]
