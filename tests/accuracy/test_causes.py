"""Short form of the pitch-overs with known causes: `python -m tests.accuracy.causes` has the long one."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from server.flight.causes.shares import TIP_OFF
from tests.accuracy.causes.__main__ import Result, coverage, results, table_of
from tests.accuracy.causes.turning import fly
from tests.accuracy.causes.vehicles import CALM, CAUSED, DENSITY, TURNED, drawn, flown_again


@cache
def some(kind: str, *numbers: int) -> tuple[Result, ...]:
    """Return what becomes of a few flights."""
    return tuple(results(kind, numbers))


def test_causes_of_a_few_are_named_and_their_table_counts_them() -> None:
    told = some(CAUSED, 10, 20, 30)
    lines = table_of(told)
    assert lines[0].startswith("3 of 3 flights told; main cause right: ")
    clear = [one for one in told if one.main[1] > 10.0]
    assert clear and all(one.verdict is not None and one.verdict.main == one.main[0] for one in clear)


def test_a_few_unstable_ones_are_called() -> None:
    told = some(TURNED, 2, 4)
    turned = [one for one in told if one.shares is not None and one.shares.end_deg > 15.0]
    assert turned and all(one.verdict is not None and one.verdict.is_unstable for one in turned)


def test_nothing_is_called_of_calm_ones() -> None:
    assert [one.verdict.calls for one in some(CALM, 2, 4) if one.verdict is not None] == [(), ()]


def test_a_flight_without_its_cause_is_another_and_without_nothing_the_same() -> None:
    flights = drawn(CAUSED, [2, 4])
    flown, again = fly(flights, 1.6, DENSITY), flown_again(flights, 1.6)
    assert flown.exit_m_s == pytest.approx(again[TIP_OFF].exit_m_s), "what happens after the rail changes nothing before"
    apart = [np.abs(flown.nose - other.nose).max() for other in again.values()]
    assert max(apart) > 0.05 and flown.nose[0] == pytest.approx(again[TIP_OFF].nose[0])


def test_without_air_a_drawn_vehicle_flies_as_in_a_textbook() -> None:
    """Speed at the rail's end is the root of 2 a L, and a tip-off turns on at its rate."""
    flights = drawn(CAUSED, [2])
    still = {
        name: 0.0 * getattr(flights, name) for name in ("line", "rail_tilt", "thrust_falls", "fuel_kg", "gravity_moves_m")
    }
    flights = flights.changed({**still, "burn_s": 9.0 + 0.0 * flights.burn_s, "inertia_loses": 0.0 * flights.burn_s})
    flown = fly(flights, 1.2, 1e-9)
    net = flights.thrust_n * flights.thrust_share / flights.mass_kg - 9.80665
    assert flown.exit_m_s == pytest.approx(np.sqrt(2.0 * net * flights.rail_m), rel=0.03)
    after = flown.t > float(flown.exit_s[0]) + 0.02
    rate = np.linalg.norm(flown.rate[after, 0], axis=1)
    assert rate == pytest.approx(np.full(after.sum(), np.linalg.norm(flights.tip_rate)), rel=1e-4)


def test_coverage_counts() -> None:
    assert coverage([(0.0, 1.0, 0.5), (0.0, 1.0, 2.0)]) == "50.0% of 2" and coverage([]) == "none"
