"""How a row of rehearsals went: each run's figures, and passed of all with the exact bound on the failure rate."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree

import numpy as np

from protocol.arrays import Floats
from server.flight.proportion import upper_bound
from server.rehearsal.answers import AnswerReader
from server.rehearsal.flown import Flown
from server.rehearsal.judging import Wrong

COMPARED = ("position.east", "position.north", "position.up", "velocity.east", "velocity.north", "velocity.up")


@dataclass(frozen=True)
class Run:
    """One run judged. `state` gives for each component of the state vector (rms, worst) against the true motion until
    recovery is ordered, SI units; `deployment_s` the computer's and the twin's own; `delay_s` median and 99th percentile."""

    scenario: str
    seed: int
    wrongs: Sequence[Wrong]
    state: Mapping[str, tuple[float, float]]
    deployment_s: tuple[float | None, float | None]
    landed: bool
    duration_s: float
    took_s: float
    delay_s: tuple[float, float]
    cycle_us: int
    lost: int
    recording: str = ""

    @property
    def passed(self) -> bool:
        """Whether nothing was wrong and it was flown to the ground."""
        return self.landed and not self.wrongs


def run_of(
    scenario: str,
    seed: int,
    flown: Flown,
    wrongs: Sequence[Wrong],
    deployment_s: tuple[float | None, float | None],
    reader: AnswerReader,
) -> Run:
    """Return the figures of one run."""
    delays = sorted(flown.delays_s) or [math.nan]
    last = delays[min(len(delays) - 1, math.ceil(0.99 * len(delays)) - 1)]
    return Run(
        scenario=scenario,
        seed=seed,
        wrongs=wrongs,
        state=against_truth(flown, deployment_s[0], reader),
        deployment_s=deployment_s,
        landed=flown.landed,
        duration_s=flown.duration_s,
        took_s=flown.took_s,
        delay_s=(statistics.median(delays), last),
        cycle_us=flown.cycle_us,
        lost=flown.lost,
    )


def against_truth(flown: Flown, until_s: float | None, reader: AnswerReader) -> dict[str, tuple[float, float]]:
    """Return (rms, worst) of each compared component against the true motion, from ignition until a time."""
    truth = flown.truth
    if truth is None or not len(truth["t_s"]):
        return {}
    times_s, told = _told(flown, reader)
    kept = (times_s >= truth["t_s"][0]) & (times_s <= (math.inf if until_s is None else until_s))
    out: dict[str, tuple[float, float]] = {}
    for place, role in enumerate(COMPARED):
        if role in reader.places and kept.any():
            error = told[kept, place] - np.interp(times_s[kept], truth["t_s"], truth[role])
            out[role] = float(np.sqrt(np.mean(error**2))), float(np.max(np.abs(error)))
    return out


def _told(flown: Flown, reader: AnswerReader) -> tuple[Floats, Floats]:
    rows = [
        (frame.time_us / 1e6, *[_number(reader.value(frame.answer, role)) for role in COMPARED])
        for frame in flown.frames
        if frame.answer is not None
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 1 + len(COMPARED))
    return table[:, 0], table[:, 1:]


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan


def verdict(runs: Sequence[Run]) -> str:
    """Return passed of all, with the exact bound (95 %, one-sided) on how often such a build fails."""
    failed = sum(not run.passed for run in runs)
    bound = upper_bound(failed, len(runs))
    return f"{len(runs) - failed} of {len(runs)} passed; it fails in less than {100.0 * bound:.1f} % of such runs (95 %)"


def junit(runs: Sequence[Run], firmware: str) -> str:
    """Return the runs as JUnit XML, which builders' own continuous integration reads."""
    failed = sum(not run.passed for run in runs)
    suite = ElementTree.Element(
        "testsuite",
        name=f"rehearsal {firmware}".strip(),
        tests=str(len(runs)),
        failures=str(failed),
        errors="0",
        skipped="0",
    )
    for run in runs:
        one = ElementTree.SubElement(
            suite, "testcase", classname="rehearsal", name=f"{run.scenario} seed {run.seed}", time=f"{run.took_s:.3f}"
        )
        if not run.passed:
            said = [wrong.sentence() for wrong in run.wrongs] or ["not flown to the ground"]
            failure = ElementTree.SubElement(one, "failure", message=_plain(said[0]))
            failure.text = _plain("\n".join(said))
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ElementTree.tostring(suite, "unicode") + "\n"


def _plain(text: str) -> str:
    """Leave out what XML 1.0 cannot hold."""
    return "".join(letter for letter in text if letter in "\n\t" or letter >= " ")
