"""Truth against computed over random flights, as one table: `python -m tests.accuracy.table [--flights 50]`.

Every line is one quantity: bias (mean error) and the 95th percentile of the absolute error over the flights in which it
could be told, how many those were, and the bound that is promised where one is. Flights come from fixed seeds.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from server.analysis.pipeline import recorded_output
from tests.accuracy.quantities import QUANTITIES, Quantity, Seen
from tests.accuracy.random_flights import Flown, random_flight
from tests.server.flights import FACTS, dictionary


@dataclass(frozen=True)
class Line:
    """One quantity over all flights: errors of shape (told,)."""

    quantity: Quantity
    errors: np.ndarray
    flights: int

    @property
    def told(self) -> int:
        """In how many flights it could be told."""
        return len(self.errors)

    @property
    def bias(self) -> float:
        """Mean error."""
        return float(self.errors.mean()) if len(self.errors) else float("nan")

    @property
    def worst95(self) -> float:
        """95th percentile of the absolute error."""
        return float(np.percentile(np.abs(self.errors), 95)) if len(self.errors) else float("nan")

    @property
    def kept(self) -> bool:
        """Whether the promised bound holds (true when none is promised)."""
        return self.quantity.bound is None or self.worst95 <= self.quantity.bound


def seen(flight: Flown) -> Seen:
    """Return a flight with what the station computes of it."""
    return Seen(flight, recorded_output(dictionary(), list(flight.records), 0, FACTS))


def lines(flights: Sequence[Seen]) -> list[Line]:
    """Return the table over some flights."""
    table = []
    for quantity in QUANTITIES:
        errors = [error for flight in flights if (error := quantity.error(flight)) is not None]
        table.append(Line(quantity, np.array(errors), len(flights)))
    return table


def as_markdown(table: Sequence[Line]) -> str:
    """Return the table as the README.md beside it holds it."""
    rows = ["| quantity | flights | bias | 95th percentile | promised |", "|---|---|---|---|---|"]
    for line in table:
        q = line.quantity
        bound = "" if q.bound is None else f"{q.bound:g} {q.unit}"
        told = f"{line.told} of {line.flights}"
        rows.append(f"| {q.name} | {told} | {line.bias:+.3g} {q.unit} | {line.worst95:.3g} {q.unit} | {bound} |")
    return "\n".join(rows)


def main() -> int:
    """Print the table; exit code 1 when a promise is not kept."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=50)
    count = parser.parse_args().flights
    table = lines([seen(random_flight(seed)) for seed in range(count)])
    print(as_markdown(table))
    broken = [line.quantity.name for line in table if not line.kept]
    print("every promise kept" if not broken else f"not kept: {', '.join(broken)}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
