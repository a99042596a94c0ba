"""Where gains can be kept, and gains that follow the dynamic pressure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.flight.loop.margin_curve import (
    GOAL_DB,
    GOAL_RAD,
    Doubt,
    Effectiveness,
    RollLoop,
    excited_range,
    greatest_factor,
    kept_ranges,
    margin_curve,
    schedule,
    words_of,
)
from server.flight.loop.roll_loop import Lateness, RollLaw, margins

FINS = Effectiveness(0.4, 0.36, 0.45, 200.0, 2000.0)
LATE = Lateness.of(0.01, 0.0, 0.03, 0.0)
EVEN = RollLaw(0.125, 0.0286, reference_pa=1000.0, least_pa=100.0)
LOOP = RollLoop(EVEN, FINS, LATE, damping=0.067)
NO_DOUBT = Doubt(0.0, 0.0, 0.0)


def test_the_interval_is_what_the_ends_of_the_authority_give() -> None:
    """With nothing else in doubt and the gain margin falling with the authority, 95 % of one are 95 % of the other."""
    loop = replace(LOOP, doubt=NO_DOUBT)
    curve = margin_curve(loop)
    for end, band in ((FINS.low, curve.gain_db.high), (FINS.high, curve.gain_db.low)):
        sure = margins(*replace(loop, effectiveness=replace(FINS, value=end)).likely(curve.pressure_pa))
        assert band == pytest.approx(sure.gain_db, abs=0.25)
    assert (curve.gain_db.low < curve.gain_db.value).all() and (curve.gain_db.value < curve.gain_db.high).all()


def test_more_doubt_is_a_wider_interval() -> None:
    narrow, wide = margin_curve(replace(LOOP, doubt=NO_DOUBT)), margin_curve(LOOP)
    assert (wide.phase_rad.low < narrow.phase_rad.low).all()


def test_fixed_gains_are_kept_only_where_the_air_is_not_too_fast() -> None:
    fixed = replace(LOOP, law=RollLaw(0.2, 0.06))
    curve = margin_curve(fixed)
    ((low, high),) = kept_ranges(curve)
    assert FINS.from_pa <= low < high < FINS.to_pa
    outside = curve.pressure_pa > high * 1.001
    assert outside.any() and ((curve.gain_db.low < GOAL_DB) | (curve.phase_rad.low < GOAL_RAD))[outside].all()
    assert words_of([(low, high)]).startswith(f"{low:.0f} to {high:.0f} Pa")


def test_a_schedule_meets_the_goals_and_raises_no_gain_outside_what_was_excited() -> None:
    fixed = replace(LOOP, law=RollLaw(0.2, 0.06))
    found = schedule(fixed)
    assert found is not None and found.raised
    curve = margin_curve(replace(fixed, law=found.law))
    assert curve.is_good.all()
    ceiling, floor = found.ceiling, found.floor
    assert found.at(0.1 * FINS.from_pa) == found.at(1.0) == ceiling  # held below
    assert ceiling[1] == pytest.approx(floor[1] * FINS.to_pa / FINS.from_pa)
    assert found.at(2.0 * FINS.to_pa)[1] == pytest.approx(0.5 * floor[1])  # goes on falling above
    # no loop gain above the greatest one flown
    q = np.geomspace(10.0, 1e5, 60)
    assert all(found.at(one)[1] * one <= 0.06 * FINS.to_pa * (1.0 + 1e-9) for one in q)


def test_gains_that_do_are_left_as_they_are() -> None:
    found = schedule(LOOP)
    assert margin_curve(LOOP).is_good.all() and kept_ranges(margin_curve(LOOP)) == [
        (pytest.approx(200.0), pytest.approx(2000.0))
    ]
    assert found is not None and not found.raised
    assert found.at(1000.0) == pytest.approx((EVEN.angle_gain, EVEN.rate_gain_s))


def test_what_lower_gains_do_not_mend_has_no_schedule() -> None:
    """An angle held with next to no rate gain; fins the wrong way round."""
    assert schedule(replace(LOOP, law=RollLaw(0.2, 0.001), damping=0.0)) is None
    turned = replace(FINS, value=-0.4, low=-0.45, high=-0.36)
    assert schedule(replace(LOOP, effectiveness=turned)) is None
    assert not margin_curve(replace(LOOP, effectiveness=turned)).is_good.any()
    assert np.isnan(greatest_factor(replace(LOOP, effectiveness=turned), np.array([500.0]))).all()


def test_a_law_of_the_angle_alone_is_a_loop_as_well() -> None:
    curve = margin_curve(replace(LOOP, law=RollLaw(0.125, 0.0, 1000.0, 100.0), damping=0.0))
    assert (curve.phase_rad.value < 0.0).all()  # a double integrator, late


def test_excited_is_where_the_fins_moved() -> None:
    t = np.arange(0.0, 6.0, 0.05)
    fins = np.where((t > 2.0) & (t < 4.0), 0.02 * np.sin(12.0 * t), 0.005)
    pressure = (np.array([0.0, 6.0]), np.array([2000.0, 200.0]))
    low, high = excited_range((t, fins), pressure) or (0.0, 0.0)
    at = [float(np.interp(x, *pressure)) for x in (4.0, 2.0)]
    assert low == pytest.approx(at[0], rel=0.15) and high == pytest.approx(at[1], rel=0.1)
    assert excited_range((t, np.full(t.size, 0.01)), pressure) is None
    assert excited_range((t[:2], t[:2]), pressure) is None
