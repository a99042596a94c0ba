"""The step of the rates at the firing of a side motor, on flights of the simulated vehicle's own equations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.flight.effectiveness.side_motor import rate_step
from tests.accuracy.control_flights import PLACES, Plan, fly, heard_of, step_truth


@pytest.mark.parametrize(("seed", "number"), [(2, 1), (4, 2), (6, 3)])
def test_the_step_is_impulse_times_lever_over_inertia_along_its_place(seed: int, number: int) -> None:
    flown = fly(seed, Plan("roll", fired=((2.6, number),)))
    burn_s = flown.vehicle.lateral.burn_s
    step = rate_step(heard_of(flown, "pitch"), 2.5, 2.7, burn_s, PLACES[number - 1])
    assert step is not None
    true = step_truth(flown, number)
    assert step.along_low <= true <= step.along_high
    assert step.along == pytest.approx(true, rel=0.2)
    assert abs(np.degrees(step.off_rad)) < 5.0 and step.began_s == pytest.approx(2.6, abs=0.03)


def test_a_dud_turns_nothing_and_a_swapped_channel_is_seen() -> None:
    quiet = heard_of(fly(2, Plan("roll")), "pitch")
    step = rate_step(quiet, 2.5, 2.7, 0.2, 0.0)
    assert step is not None and abs(step.along) < 0.5
    step = rate_step(heard_of(fly(2, Plan("roll", fired=((2.6, 1),))), "pitch"), 2.5, 2.7, 0.2, PLACES[1])
    assert step is not None and np.degrees(abs(step.off_rad)) == pytest.approx(90.0, abs=8.0)


def test_too_little_around_it_is_none() -> None:
    heard = heard_of(fly(2, Plan("roll", fired=((2.6, 1),))), "pitch")
    assert rate_step(heard, 30.0, 30.2, 0.2, 0.0) is None
    assert rate_step(replace(heard, motion=None), 2.5, 2.7, 0.2, 0.0) is None
