"""How often a rehearsal's bounds pass the clean example and find its mistakes: `python -m tests.bench.rehearsal_bounds`.

The bounds of `server/rehearsal/judging.py` are chosen on flights of odd seeds and reported on flights of even ones; no two
scenarios share a seed, since most of them differ in what a flight computer on the bench never meets. Each build of the
example flies all ten scenarios, as a program behind a pipe. The clean build
is flown once more with a tenth of its steps lost. Beside the bounds as they are each flight is
judged by half and by double of them, which shows how far from the edge they lie; times of phases and of deployment stay.
"""

from __future__ import annotations

import multiprocessing
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import fields
from typing import NamedTuple

from server.cli.rehearse import met
from server.firmware.flight_source import FAULTS
from server.rehearsal.closed_loop import Plan, fly_stepped
from server.rehearsal.judging import Bounds, Judge, believed_of
from server.rehearsal.sensor_faults import read_fault
from server.rehearsal.shadow import Shadow
from server.twin.scenarios import load_scenario, scenario_names
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program

CLEAN_FLIGHTS, FAULTY_FLIGHTS = 20, 2  # of each scenario, of each half
SCALES = (1.0, 0.5, 2.0)
LOSS = "loss by 0.1"
WORKERS = 2
PHASES = SANDPIPER.roles["vehicle_phase"].values


class Job(NamedTuple):
    """One build's flights of one half: 1 of odd seeds, 0 of even ones."""

    fault: int
    lossy: bool
    half: int
    scenario: str
    seeds: tuple[int, ...]


class Passed(NamedTuple):
    """How one flight was judged, by each of `SCALES`, and the first thing wrong by the bounds as they are."""

    job: Job
    seed: int
    passed: tuple[bool, ...]
    said: str


def jobs() -> Iterator[Job]:
    """Yield all flights."""
    for fault, lossy in [(0, False), (0, True), *((fault, False) for fault in range(1, FAULTS + 1))]:
        count = FAULTY_FLIGHTS if fault or lossy else CLEAN_FLIGHTS
        for half in (1, 0):
            for place, name in enumerate(scenario_names()):
                first = 2 * CLEAN_FLIGHTS * place + 2 - half
                yield Job(fault, lossy, half, name, tuple(range(first, first + 2 * count, 2)))


def flown(job: Job) -> list[Passed]:
    """Fly one build's flights of one scenario."""
    scenario, faults = load_scenario(job.scenario), [read_fault(LOSS, SANDPIPER)] * job.lossy
    out = []
    with met(host_program(job.fault), SANDPIPER) as talk:
        for seed in job.seeds:
            talk.begin()
            run = fly_stepped(talk, Plan(scenario, seed, faults), time.monotonic)
            talk.leave()
            believed = believed_of(Shadow(scenario.vehicle(), SANDPIPER), run)
            found = [Judge(talk.reader, PHASES, scaled(scale)).wrongs(run, believed) for scale in SCALES]
            said = found[0][0].sentence() if found[0] else ""
            out.append(Passed(job, seed, tuple([run.landed and not wrongs for wrongs in found]), said))
    return out


def scaled(by: float) -> Bounds:
    """Return the bounds on the state vector, each so many times as wide."""
    return Bounds(**{field.name: by * float(getattr(Bounds(), field.name)) for field in fields(Bounds)})


def share(flights: Sequence[Passed], scale: int, passed: bool) -> str:
    """Return how many of some flights were passed, or were not, as a person reads it."""
    return f"{sum(one.passed[scale] == passed for one in flights)} of {len(flights)}"


def main() -> int:
    """Fly, and print the table; 1 if a clean flight of an even seed was not passed."""
    all_jobs = list(jobs())
    for fault in range(FAULTS + 1):
        host_program(fault)  # compiled before the workers part
    with multiprocessing.get_context("fork").Pool(WORKERS) as pool:
        told = [one for some in pool.imap_unordered(flown, all_jobs) for one in some]
    head = [f"{half}, {name}" for half in ("odd", "even") for name in ("as they are", "half", "double")]
    print("| build | " + " | ".join(head) + " |")
    print("|---" * (1 + len(head)) + "|")
    for fault, lossy in dict.fromkeys((job.fault, job.lossy) for job in all_jobs):
        build = f"mistake {fault}, found" if fault else "clean, passed"
        row = [build + ", a tenth of the steps lost" * lossy]
        for half in (1, 0):
            these = [one for one in told if one.job[:3] == (fault, lossy, half)]
            row += [share(these, scale, fault == 0) for scale in range(len(SCALES))]
        print(f"| {' | '.join(row)} |")
    bad = [one for one in told if one.passed[0] == bool(one.job.fault)]
    for one in sorted(bad, key=lambda one: (one.job, one.seed)):
        print(f"{one.job.fault or 'clean'}, {one.job.scenario}, seed {one.seed}: {one.said or 'nothing was found'}")
    return int(any(not one.job.fault and one.job.half == 0 for one in bad))


if __name__ == "__main__":
    sys.exit(main())
