"""Flights drawn and flown in every case: repeatable, told of, ended, and their numbers those of the simulated vehicle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.flight.dispersion.ascent import climb
from server.flight.dispersion.draws import Sigmas, drawn
from server.flight.dispersion.flights import CASES, EARLY, LATE, NOMINAL, NONE, ONE, Gate, Question, Way, control_s, disperse
from server.twin.sandpiper import Vehicle
from tests.server.flight.dispersion.test_ascent import drawn_vehicles
from tests.server.flight.dispersion.twins import flown, lot_of

WAY = Way(0.036, 0.356, 0.956)
QUESTION = Question(lot_of([Vehicle()]), Sigmas(), WAY, Gate(110.0, 15.0))
ONLY_UP = replace(QUESTION, way=Way(0.036, None, None))
NO_DOUBT = Sigmas(*(0.0,) * len(Sigmas.__dataclass_fields__))


def test_the_same_seed_gives_the_same_flights_and_another_others() -> None:
    one, two, other = (disperse(ONLY_UP, 60, seed).apogee_m for seed in (1, 1, 2))
    assert (one == two).all() and not (one == other).any()


def test_without_doubt_all_are_the_nominal() -> None:
    still = replace(QUESTION.nominal, winds=replace(QUESTION.nominal.winds, eddy_m_s=np.zeros(1)))
    found = disperse(replace(ONLY_UP, nominal=still, sigmas=NO_DOUBT), 3, 0)
    alone = climb(still, np.random.default_rng(0))
    assert found.apogee_m == pytest.approx(np.repeat(alone.apogee_m, 3))
    assert found.ground_m[NONE] == pytest.approx(np.repeat(alone.ground_m, 3, axis=1))


def test_draws_have_the_sigmas_told() -> None:
    lot = drawn(QUESTION.nominal, Sigmas(), 20_000, np.random.default_rng(4))
    nominal, told = QUESTION.nominal, Sigmas()
    assert (lot.impulse_factor / nominal.impulse_factor).std() == pytest.approx(told.impulse, rel=0.03)
    assert lot.impulse_factor.mean() == pytest.approx(nominal.impulse_factor[0], rel=0.002)
    east = lot.rail_tilt * np.sin(lot.rail_azimuth)
    assert east.std() == pytest.approx(told.rail_tilt, rel=0.03)
    assert east.mean() == pytest.approx((nominal.rail_tilt * np.sin(nominal.rail_azimuth))[0], abs=3e-4)
    center = lot.slope_m[1] / lot.slope_m[0]
    assert center.std() == pytest.approx(told.center_of_pressure_m, rel=0.03)
    spread = lot.slope_m[2] / lot.slope_m[0] - center**2
    sum0, sum1, sum2 = nominal.slope_m[:, 0]
    assert spread == pytest.approx(np.full(20_000, sum2 / sum0 - (sum1 / sum0) ** 2))
    assert lot.winds.turn.std() == pytest.approx(told.wind_turn, rel=0.03)
    anywhere = drawn(nominal, told, 20_000, np.random.default_rng(4), any_direction=True)
    assert abs(np.exp(1j * anywhere.winds.turn).mean()) < 0.03


def test_the_cases_differ_as_they_must() -> None:
    found = disperse(QUESTION, 120, 3)
    assert set(found.ground_m) == set(CASES)
    reach = {case: float(np.nanmedian(np.hypot(*ground))) for case, ground in found.ground_m.items()}
    # A higher rate of descent drifts less, and the rail leans into the wind.
    assert np.median(found.rate_m_s[ONE]) > 1.5 * np.median(found.rate_m_s[NOMINAL])
    assert reach[NONE] < reach[NOMINAL]
    assert np.nanmedian(found.ground_m[EARLY][0]) > np.nanmedian(found.ground_m[NONE][0])
    # Late, it has fallen a good part of its height without drift.
    late, meant = (float(np.nanmedian(found.ground_m[case][0])) for case in (LATE, NOMINAL))
    assert late < 0.85 * meant
    untold = disperse(ONLY_UP, 3, 0)
    assert set(untold.ground_m) == {NONE}


def test_it_tells_how_far_it_is_and_can_be_ended() -> None:
    told: list[int] = []
    disperse(QUESTION, 40, 0, told.append)
    assert told == sorted(told) and told[-1] == 40 and len(told) > 20

    class Ended(Exception):
        pass

    def end(done: int) -> None:
        if done > 20:
            raise Ended

    with pytest.raises(Ended):
        disperse(QUESTION, 2000, 0, end)


@pytest.mark.parametrize("air", ["still", "gust"])
def test_seconds_under_control_are_the_simulated_vehicles(air: str) -> None:
    vehicles = drawn_vehicles(air, 3)
    found = climb(lot_of(vehicles), np.random.default_rng(0))
    twins = [flown(vehicle) for vehicle in vehicles]
    for gate in ((110.0, 12.0), (60.0, 25.0), (5000.0, 1.0)):
        seconds = control_s(found, Gate(*gate), found.apogee_s + 0.1)
        assert seconds == pytest.approx([twin.gate_s(*gate) for twin in twins], abs=0.03)
