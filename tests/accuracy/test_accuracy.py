"""The promises of the accuracy table over a few random flights, and the findings of each scenario over a few seeds.

The long forms are `python -m tests.accuracy.table` (50 flights) and `python -m tests.accuracy.scenarios` (20 seeds each).
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from server.twin.scenarios import scenario_names
from tests.accuracy.quantities import QUANTITIES, Seen
from tests.accuracy.random_flights import random_flight
from tests.accuracy.scenarios import MUST, problems
from tests.accuracy.table import as_markdown, lines, seen

FLIGHTS = 8
SEEDS = (1, 2)


@pytest.fixture(scope="module")
def flights() -> Sequence[Seen]:
    return [seen(random_flight(seed)) for seed in range(FLIGHTS)]


def test_every_promise_holds(flights: Sequence[Seen]) -> None:
    table = lines(flights)
    assert [line.quantity.name for line in table if not line.kept] == [], as_markdown(table)


def test_every_quantity_can_be_told(flights: Sequence[Seen]) -> None:
    assert [line.quantity.name for line in lines(flights) if not line.told] == []


def test_the_promises_are_those_of_the_issue() -> None:
    bounds = {q.name: (q.bound, q.unit) for q in QUANTITIES if q.bound is not None}
    assert bounds == {
        "apogee height": (1.0, "%"),
        "lift-off": (50.0, "ms"),
        "rail-exit speed": (5.0, "%"),
        "burnout": (100.0, "ms"),
        "apogee predicted 1 s after burnout": (5.0, "%"),
        "tilt, 95 % of the frames of the climb": (1.5, "deg"),
        "swing's period where excited": (5.0, "%"),
        "roll authority's sign wrong": (0.0, ""),
    }


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", scenario_names())
def test_the_right_findings_and_no_other(name: str, seed: int) -> None:
    assert problems(name, seed) == []


def test_every_scenario_has_its_findings_written_down() -> None:
    assert set(MUST) == set(scenario_names())
