"""What follows from the pieces: against the twin's own coefficients, the sheet's numbers, and the way back from a margin."""

from __future__ import annotations

from dataclasses import replace
from math import pi

import pytest

from server.design.configuration import (
    Configuration,
    ConfigurationProblem,
    against_the_sheet,
    keeping_margin,
    margin_words,
    told,
)
from server.design.configuration_sheet import configuration_of
from server.design.sheet_files import load_sheets
from server.flight.airframe.mass_list import Piece
from server.twin.propulsion import mass_point
from server.twin.rigid_body import aerodynamics
from server.twin.sandpiper import BodyNumbers, FinNumbers, MotorNumbers

VEHICLE = load_sheets(None, True).vehicle


def sandpiper() -> Configuration:
    found = configuration_of(VEHICLE)
    assert found is not None
    return found


def test_the_demonstration_sheet_is_the_simulated_vehicle() -> None:
    """Two programs, one vehicle: its dynamics have numbers of their own (server/twin/sandpiper.py)."""
    numbers = told(sandpiper(), 1.126)
    aero = aerodynamics(BodyNumbers(), FinNumbers(), MotorNumbers())
    assert numbers["normal_force_slope"] == pytest.approx(aero.slope, rel=1e-6)
    assert numbers["center_of_pressure_m"] == pytest.approx(aero.pressure_center_m, rel=1e-4)
    for state, burned in (("liftoff", 0.0), ("burnout", 1.0)):
        point = mass_point(MotorNumbers(), BodyNumbers(), 0.0, burned)
        assert numbers[state]["mass_kg"] == pytest.approx(point.mass_kg, rel=1e-6)
        assert numbers[state]["center_of_gravity_m"] == pytest.approx(point.center_m, abs=0.002)
        assert numbers[state]["lateral_inertia_kg_m2"] == pytest.approx(point.lateral_inertia_kg_m2, rel=0.01)
    at_50 = next(row for row in numbers["frequencies"] if row["speed_m_s"] == 50.0)
    assert at_50["liftoff_hz"] == pytest.approx(numbers["liftoff"]["wave_number_1_m"] * 50.0 / (2 * pi))


def test_the_sheets_numbers_stand_beside_the_computed_ones() -> None:
    rows = {row["key"]: row for row in against_the_sheet(told(sandpiper(), 1.126), VEHICLE)}
    assert set(rows) == {
        "liftoff_mass_kg",
        "burnout_mass_kg",
        "center_of_gravity_m",
        "center_of_pressure_m",
        "normal_force_slope",
        "lateral_inertia_kg_m2",
    }
    assert all(row["computed"] == pytest.approx(row["sheet"], rel=0.01) for row in rows.values())


@pytest.mark.parametrize(("kg", "at"), [(0.1, 0.3), (0.1, 0.9), (-0.05, 0.47), (0.03, 1.2)])
def test_fins_that_keep_the_margin(kg: float, at: float) -> None:
    before = sandpiper()
    after = replace(before, masses=(*before.masses, Piece("payload", kg, at)))
    kept = keeping_margin(before, after)
    assert kept.margin() == pytest.approx(before.margin(), abs=1e-4)
    assert abs(after.margin() - before.margin()) > 0.02
    old, new = before.fin_sets[0].shape, kept.fin_sets[0].shape
    factor = new.span_m / old.span_m
    # A load in front moves the center forward: smaller fins do; one behind asks for larger ones.
    assert (factor < 1.0) == (after.margin() > before.margin())
    assert new.root_m / old.root_m == pytest.approx(factor) and kept.fin_sets[0].mass_kg == pytest.approx(0.055 * factor**2)
    assert kept.masses == after.masses


def test_margins_that_no_fins_give_are_refused() -> None:
    before = sandpiper()
    with pytest.raises(ConfigurationProblem, match="no size"):
        keeping_margin(before, replace(before, masses=(*before.masses, Piece("anvil", 50.0, 1.2))))
    fixed = replace(before, fin_sets=(replace(before.fin_sets[0], exchangeable=False),))
    with pytest.raises(ConfigurationProblem, match="exchangeable"):
        keeping_margin(fixed, fixed)


def test_an_unstable_vehicle_has_no_swing() -> None:
    before = sandpiper()
    numbers = told(replace(before, masses=(*before.masses, Piece("anvil", 5.0, 1.2))), 1.126)
    assert numbers["liftoff"]["margin_calibers"] < 0 and numbers["liftoff"]["wave_number_1_m"] is None
    assert numbers["frequencies"] == [] and "unstable" in margin_words(numbers["liftoff"]["margin_calibers"])


def test_a_second_fin_set_and_a_transition_count() -> None:
    base = sandpiper()
    small = replace(base.fin_sets[0].shape, name="canards", root_leading_edge_m=0.3)
    more = replace(base, fin_sets=(*base.fin_sets, replace(base.fin_sets[0], shape=small, exchangeable=False)))
    assert more.balance().center_m < base.balance().center_m and more.balance().slope > base.balance().slope
    shoulder = replace(base, transitions=(("shoulder", 0.3, 0.05, 0.05, 0.066),))
    names = [part.name for part in shoulder.balance().parts]
    assert names == ["nose", "shoulder", "tail fins"]
    assert shoulder.balance().slope == pytest.approx(base.balance().slope), "nose and shoulder together widen as much"


@pytest.mark.parametrize(("margin", "word"), [(0.5, "under one"), (1.5, "between"), (2.5, "over two"), (-0.1, "unstable")])
def test_words(margin: float, word: str) -> None:
    assert word in margin_words(margin)
