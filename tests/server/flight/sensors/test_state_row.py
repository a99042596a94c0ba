"""One row by itself: what plain numbers call in order, arrays do too, and honest motion is nearly always settled so."""

from __future__ import annotations

from math import inf, nan

import numpy as np
import pytest

from server.flight.sensors import state_health
from server.flight.sensors.state_health import COMPONENTS, StateHealth
from server.flight.sensors.state_row import LENGTH_OFF, Limits, follows, is_near, is_within
from tests.server.flight.sensors.test_state_health import broken, motion

REST = [0.0] * 6 + [1.0, 0.0, 0.0, 0.0] + [0.0] * 3
ALL = [-inf] * 13, [inf] * 13


def changed(place: int, value: float) -> list[float]:
    return [*REST[:place], value, *REST[place + 1 :]]


@pytest.mark.parametrize("place", range(13))
@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_what_is_no_number_is_never_in_order(place: int, value: float) -> None:
    assert is_within(REST, *ALL) and not is_within(changed(place, value), *ALL)


def test_ranges_hold_their_ends_and_a_quaternion_has_length_one() -> None:
    low, high = [-inf, -inf, -5.0] + [-inf] * 10, [inf, inf, 5.0] + [inf] * 10
    assert is_within(changed(2, 5.0), low, high) and is_within(changed(2, -5.0), low, high)
    assert not is_within(changed(2, 5.001), low, high) and not is_within(changed(2, -5.001), low, high)
    assert is_within(changed(6, 1.0 + 0.9 * LENGTH_OFF), *ALL)
    assert not is_within(changed(6, 1.0 + LENGTH_OFF), *ALL) and not is_within(changed(6, 1.0 - LENGTH_OFF), *ALL)


def test_a_change_that_motion_cannot_explain_does_not_follow() -> None:
    dt, limits = 0.1, Limits(100.0, 10.0)
    assert follows(REST, changed(2, 2.4), dt, limits) and not follows(REST, changed(2, 2.5), dt, limits)
    assert follows(REST, changed(5, 11.0), dt, limits) and not follows(REST, changed(5, 12.0), dt, limits)
    turned = [*REST[:6], 0.0, 1.0, 0.0, 0.0, *REST[10:]]
    assert not follows(REST, turned, dt, limits) and follows(REST, turned, 0.6, limits)
    assert follows(REST, [*REST[:6], -1.0, 0.0, 0.0, 0.0, *REST[10:]], dt, limits)
    assert not follows([0.0] * 13, REST, dt, limits), "an attitude of length nil is for the other way"


def test_estimates_are_near_within_the_sigmas_and_where_one_knows_nothing() -> None:
    assert is_near(10.0, 14.0, 1.0, 5.0) and not is_near(10.0, 15.0, 1.0, 5.0)
    assert is_near(10.0, nan, 1.0, 5.0) and is_near(10.0, 99.0, nan, 5.0)


@pytest.mark.parametrize("seed", range(12))
def test_row_by_row_with_and_without_the_short_way_is_the_same(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    t, columns, moves, ground = broken(seed)
    short, long = StateHealth(), StateHealth()
    monkeypatch.setattr(long, "_is_calm", lambda *row: False)

    def row(health: StateHealth, at: int) -> list[state_health.EpisodeChange]:
        part = slice(at, at + 1)
        told = state_health.GroundEstimate(
            *(v[part] for v in (ground.height_m, ground.height_sigma_m, ground.climb_m_s, ground.climb_sigma_m_s))
        )
        return health.take(t[part], {name: values[part] for name, values in columns.items()}, moves[part], told)

    assert [row(short, at) for at in range(len(t))] == [row(long, at) for at in range(len(t))]


def test_honest_motion_is_settled_by_the_short_way() -> None:
    t, columns = motion()
    health = StateHealth()
    moves = np.ones(1, dtype=bool)
    calm = [
        health._is_calm(float(t[at]), {n: columns[n][at : at + 1] for n in COMPONENTS}, moves, None) for at in range(len(t))
    ]
    assert all(calm) and health.rows == len(t)
