"""Errors over told standard deviations of many runs, as a table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from server.flight.weighing.pendulum import Measured, PendulumProblem, inertia
from server.flight.weighing.scales import reading, weighed
from server.flight.weighing.stand import StandProblem, firing
from server.flight.weighing.swing import swing
from tests.accuracy.weighing.errors import drawn
from tests.accuracy.weighing.firings import simulated
from tests.accuracy.weighing.swings import swings

WITHIN = 2.0


@dataclass
class Row:
    """One quantity: errors as a share of the truth and over the told standard deviation, (told,); how many were refused."""

    name: str
    shares: list[float] = field(default_factory=list)
    over: list[float] = field(default_factory=list)
    refused: int = 0

    def take(self, told: Measured, truth: float, whole: float | None = None) -> None:
        """Add a run; the error is a share of `whole`, by default the truth."""
        self.shares.append((told.value - truth) / (whole or truth))
        self.over.append((told.value - truth) / told.sigma)

    @property
    def coverage(self) -> float:
        """The share of runs whose error is within two standard deviations told."""
        return float(np.mean(np.abs(self.over) <= WITHIN))


def rows(seeds: Sequence[int]) -> list[Row]:
    """Return the table over some seeds."""
    return [*_swung(seeds), *_weighed(seeds), *_fired(seeds)]


def _swung(seeds: Sequence[int]) -> Iterator[Row]:
    period, moment = Row("period of the swing"), Row("inertia")
    for one in swings(list(seeds)):
        try:
            found = swing(one.t_s, one.rates_rad_s, one.hung)
        except PendulumProblem:
            period.refused += 1
            moment.refused += 1
            continue
        assert found.axis == one.axis
        period.take(found.period, one.period_s)
        moment.take(inertia(one.hung, found.period, one.air), one.inertia_kg_m2)
    yield from (period, moment)


def _weighed(seeds: Sequence[int]) -> Iterator[Row]:
    """Scales that show whole grams, with errors of their own and edges a little off."""
    center, mass = Row("center of gravity (of the length between the edges)"), Row("mass by two scales")
    for seed in seeds:
        rng = np.random.default_rng([18, 9, seed])
        front, rear, whole = 0.2 + 0.3 * rng.uniform(), 0.8 + 0.8 * rng.uniform(), 0.5 * 8.0 ** rng.uniform()
        true = front + (rear - front) * rng.uniform(0.25, 0.75)
        behind = whole * (true - front) / (rear - front)
        shown = [np.round(load + drawn(rng, 0.001), 3) for load in (whole - behind, behind)]
        places = [Measured(place + drawn(rng, 0.001), 0.001) for place in (front, rear)]
        told = weighed(reading([shown[0]], 0.00104), reading([shown[1]], 0.00104), *places)
        center.take(told.center, true, rear - front)
        mass.take(told.mass, whole)
    yield from (center, mass)


def _fired(seeds: Sequence[int]) -> Iterator[Row]:
    impulse, burn, peak = Row("total impulse"), Row("burn time"), Row("peak thrust")
    for seed in seeds:
        one = simulated(seed)
        try:
            found = firing(one.t_s, one.force_n, one.scale)
        except StandProblem:
            for row in (impulse, burn, peak):
                row.refused += 1
            continue
        impulse.take(found.impulse, one.impulse_n_s)
        burn.take(found.burn_s, one.burn_s)
        peak.take(found.peak, one.peak_n)
    yield from (impulse, burn, peak)


def as_markdown(table: Sequence[Row]) -> str:
    """Return the table as the README.md beside holds it."""
    lines = ["| quantity | runs | refused | bias | error, 95 % | within 2 sigma |", "|---|---|---|---|---|---|"]
    for row in table:
        error = 100.0 * float(np.percentile(np.abs(row.shares), 95))
        bias = 100.0 * float(np.mean(row.shares))
        cells = (row.name, len(row.over), row.refused, f"{bias:+.2g} %", f"{error:.2g} %", f"{100.0 * row.coverage:.1f} %")
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)
