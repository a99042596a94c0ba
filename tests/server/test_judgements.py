"""What is judged of whole flights: the same in any cut, near the truth, and silent where nothing can be said."""

from __future__ import annotations

import random
from collections.abc import Mapping

import pytest

from server.journal import Entry
from server.pipeline import Output, recorded_output
from tests.accuracy.random_flights import random_flight, scenario_flight
from tests.server.flights import FACTS, dictionary
from tests.server.test_pipeline import ORIGIN_NS, assert_same, cut, live_output

SEEDS = (1, 2, 3)


def computed(name: str, seed: int) -> Output:
    flight = scenario_flight(name, seed)
    return recorded_output(dictionary(), list(flight.records), 0, FACTS)


def figures(output: Output) -> dict[str, Mapping[str, object]]:
    """Return the last state of every figure."""
    return {entry.key: entry.body for entry in output.entries if entry.topic == "figure"}


def last(output: Output, topic: str) -> dict[str, Entry]:
    return {entry.key: entry for entry in output.entries if entry.topic == topic}


@pytest.mark.parametrize("longest", [3000, 300])
def test_any_cut_judges_the_same(longest: int) -> None:
    stream = b"".join(record.payload for record in random_flight(0).records)
    records = cut(stream, random.Random(longest), longest)
    assert_same(live_output(dictionary(), records, FACTS), recorded_output(dictionary(), records, ORIGIN_NS, FACTS))


@pytest.mark.parametrize("seed", SEEDS)
def test_lift_off(seed: int) -> None:
    flight = random_flight(seed)
    found = figures(recorded_output(dictionary(), list(flight.records), 0, FACTS))["lift_off"]
    assert found["t"] == pytest.approx(flight.truth["liftoff_s"], abs=0.05)
