"""How a row of rehearsals went: each run's figures, and passed of all with the exact bound on the failure rate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from xml.etree import ElementTree

from server.flight.proportion import upper_bound
from server.rehearsal.against_truth import against_truth, components
from server.rehearsal.answers import AnswerReader
from server.rehearsal.flown import Flown
from server.rehearsal.judging import Wrong
from server.rehearsal.paced import spread
from server.rehearsal.side_motors import SideMotors, modes_of


@dataclass(frozen=True)
class Run:
    """One run judged. `state` gives for each component of the state vector (rms, worst) against the true motion until
    recovery is ordered, SI units; `deployment_s` the computer's and the twin's own; `delay_s` of the loop median and 99th
    percentile, `delay_most_s` the greatest; `jitter_s` 99th percentile and greatest; `invalid` why it does not count, or "".
    `outages_s` tells when it was without power, `ordered_s` when recovery was ordered in fact, `modes_s` when each control
    mode began, None where it never did."""

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
    delay_most_s: float = math.nan
    jitter_s: tuple[float, float] = (math.nan, math.nan)
    missed: int = 0
    cut: bool = False
    outages_s: Sequence[tuple[float, float]] = ()
    ordered_s: float | None = None
    invalid: str = ""
    recording: str = ""
    modes_s: Mapping[str, float | None] = field(default_factory=dict)
    side_motors: SideMotors | None = None

    @property
    def passed(self) -> bool:
        """Whether nothing was wrong and it was flown to the ground, or as far as it was asked to."""
        return (self.landed or self.cut) and not self.wrongs and not self.invalid


def run_of(
    scenario: str,
    seed: int,
    flown: Flown,
    wrongs: Sequence[Wrong],
    deployment_s: tuple[float | None, float | None],
    reader: AnswerReader,
    motors: SideMotors | None = None,
) -> Run:
    """Return the figures of one run."""
    delay_s, jitter_s = spread(flown.delays_s)
    return Run(
        scenario=scenario,
        seed=seed,
        wrongs=wrongs,
        state=against_truth(components(flown, deployment_s[0], reader)),
        deployment_s=deployment_s,
        landed=flown.landed,
        duration_s=flown.duration_s,
        took_s=flown.took_s,
        delay_s=delay_s[:2],
        delay_most_s=delay_s[2],
        jitter_s=jitter_s,
        cycle_us=flown.cycle_us,
        lost=flown.lost,
        missed=flown.missed,
        cut=flown.cut,
        outages_s=[(outage.from_s, outage.until_s) for outage in flown.outages],
        ordered_s=flown.deployed_s,
        invalid=flown.invalid,
        modes_s=modes_of(flown, reader),
        side_motors=motors,
    )


def verdict(runs: Sequence[Run]) -> str:
    """Return passed of all, with the exact bound (95 %, one-sided) on how often such a build fails.

    An invalid run counts for neither.
    """
    valid = [run for run in runs if not run.invalid]
    aside = f"; {len(runs) - len(valid)} INVALID" if len(valid) < len(runs) else ""
    if not valid:
        return f"0 of 0 passed{aside}"
    failed = sum(not run.passed for run in valid)
    bound = upper_bound(failed, len(valid))
    told = f"{len(valid) - failed} of {len(valid)} passed; it fails in less than {100.0 * bound:.1f} % of such runs (95 %)"
    return told + aside


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
            aside = [f"invalid: {run.invalid}"] if run.invalid else []
            said = aside + [wrong.sentence() for wrong in run.wrongs] or ["not flown to the ground"]
            failure = ElementTree.SubElement(one, "failure", message=_plain(said[0]))
            failure.text = _plain("\n".join(said))
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ElementTree.tostring(suite, "unicode") + "\n"


def _plain(text: str) -> str:
    """Leave out what XML 1.0 cannot hold."""
    return "".join(letter for letter in text if letter in "\n\t" or letter >= " ")
