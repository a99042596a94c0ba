"""What would have shown an effect, flown: the advice of a flight without excitation, and what the sheet's fins promise."""

from __future__ import annotations

import pytest

from server.design.sheet_files import load_sheets
from server.design.sheet_numbers import sheet_numbers_of
from server.flight.effectiveness.axis_fit import fit_axis
from server.flight.effectiveness.effect import effect_of
from server.flight.effectiveness.excitation import WANTED_SHARE, needed
from server.flight.effectiveness.expected import expected
from tests.accuracy.control_flights import CONTROL_S, Plan, fly, heard_of, mode_truth


@pytest.mark.parametrize("seed", [2, 4])
def test_the_advised_amplitude_gives_about_the_wanted_interval(seed: int) -> None:
    """Within a factor of two: the next flight's push is another one, and its fins are heard at 20 Hz."""
    without = fly(seed, Plan("roll", torque_rad_s2=0.3))
    fit = fit_axis(heard_of(without, "yaw"), "yaw")
    assert fit is not None
    true = float(mode_truth(without)[2, 2])
    advised = needed(fit, true, CONTROL_S, without.end_s)
    assert advised is not None and 0.01 < advised.amplitude_rad < 0.3
    plan = Plan("three axes", torque_rad_s2=0.3, amplitude_rad=advised.amplitude_rad, period_s=advised.period_s / 0.77)
    flown = fit_axis(heard_of(fly(seed, plan), "yaw"), "yaw")
    assert flown is not None
    effect = effect_of(flown, 2, "yaw")
    print(f"{advised}: half {effect.half_share:.3f}")
    assert 0.5 * WANTED_SHARE < effect.half_share < 2.0 * WANTED_SHARE
    assert effect.low <= true <= effect.high


def test_less_time_and_a_smaller_effect_need_more() -> None:
    fit = fit_axis(heard_of(fly(2, Plan("roll")), "pitch"), "pitch")
    assert fit is not None
    whole, moment = (needed(fit, 0.015, CONTROL_S, end) for end in (6.0, CONTROL_S + 1.0))
    weaker = needed(fit, 0.0075, CONTROL_S, 6.0)
    assert whole is not None and moment is not None and weaker is not None
    assert moment.amplitude_rad > whole.amplitude_rad and moment.pressure_pa > whole.pressure_pa
    assert weaker.amplitude_rad == pytest.approx(2.0 * whole.amplitude_rad)
    assert needed(fit, 0.0, CONTROL_S, 6.0) is None and needed(fit, 0.015, 3.0, 3.0) is None


def test_the_sheets_fins_promise_what_the_twins_equations_do() -> None:
    """The twin's derivative, taken numerically; the sheet's center of gravity and inertia are those of half a burn."""
    sheets = load_sheets(None, True)
    facts = sheet_numbers_of(sheets.vehicle, sheets.site)
    flown = fly(2, Plan("rest", share=0.25))
    assert facts.tail_fins is not None and facts.diameter_m is not None and facts.fin_movable_share == 0.25
    promised = expected(
        facts.tail_fins,
        facts.diameter_m,
        facts.fin_movable_share,
        center_of_gravity_m=flown.point.center_m,
        roll_inertia_kg_m2=facts.roll_inertia_kg_m2,
        lateral_inertia_kg_m2=flown.point.lateral_inertia_kg_m2,
    )
    true = mode_truth(flown)
    assert promised.of("roll") == pytest.approx(true[0, 0], rel=1e-3)
    assert promised.of("pitch") == promised.of("yaw") == pytest.approx(true[1, 1], rel=1e-3)
    assert expected(facts.tail_fins, facts.diameter_m, 1.0).roll is None
