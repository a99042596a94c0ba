"""What the sheets tell the computations, and how nonsense in them is met."""

from __future__ import annotations

import math
from dataclasses import asdict

import pytest

from server.design.sheet_files import load_sheets
from server.design.sheet_numbers import NUMBERS, SheetNumbers, problems, sheet_numbers_of


@pytest.mark.parametrize(
    ("site", "kelvin"),
    [
        ({"temperature_k": 291}, 291.0),
        ({"temperature_k": "291"}, None),
        ({"temperature_k": 18}, None),
        ({"temperature_k": True}, None),
        ({"temperature_k": math.nan}, None),
        ({}, None),
    ],
)
def test_only_a_temperature_that_air_can_have_is_used(site: dict[str, object], kelvin: float | None) -> None:
    assert sheet_numbers_of({}, site).pad_temperature_k == kelvin


def test_the_demonstration_sheet_tells_everything_but_a_drag_curve_which_nothing_so_slow_needs() -> None:
    sheets = load_sheets(None, True)
    told = asdict(sheet_numbers_of(sheets.vehicle, sheets.site))
    assert {name for name, value in told.items() if value is None} == {"drag_by_mach"}
    assert problems(sheets.vehicle, sheets.site) == []


def test_units_of_the_sheet_become_si() -> None:
    """1 mAh is 3.6 C by definition of the ampere hour (SI brochure)."""
    facts = sheet_numbers_of({"battery_capacity_mah": 850}, {})
    assert facts == SheetNumbers(battery_capacity_c=pytest.approx(3060.0))


@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize("value", [math.nan, math.inf, True, "3", -1e9, 1e9, [1]])
def test_nonsense_is_not_told_and_has_its_sentence(name: str, value: object) -> None:
    number = NUMBERS[name]
    sheets = {"vehicle": {}, "site": {}}
    sheets[number.sheet][number.key] = value
    assert getattr(sheet_numbers_of(**sheets), name) is None
    (sentence,) = problems(**sheets)
    assert number.key in sentence and number.example in sentence


def test_the_unit_of_navigation() -> None:
    assert sheet_numbers_of({"navigation_unit": "b"}, {}).navigation_unit == "b"
    assert sheet_numbers_of({"navigation_unit": "c"}, {}).navigation_unit is None
    assert len(problems({"navigation_unit": "c"}, {})) == 1


def test_a_drag_curve_is_pairs_of_ascending_mach_numbers_and_coefficients() -> None:
    curve = [[0, 0.5], [0.9, 0.55], [1.1, 0.9]]
    assert sheet_numbers_of({"drag_by_mach": curve}, {}).drag_by_mach == ((0.0, 0.5), (0.9, 0.55), (1.1, 0.9))
    assert problems({"drag_by_mach": curve}, {}) == []
    wrong = [[0.5, 0.5]], [[0, 0.5], [0, 0.6]], [[0, 0.5], [0.9]], [[0, 0.5], [0.9, "x"]], [[0, 0.0], [1, 0.5]], "curve", 0.5
    for one in (*wrong, [[0, math.nan], [1, 0.5]], [[0, True], [1, 0.5]], [[0, 0.5], [99, 0.5]]):
        assert sheet_numbers_of({"drag_by_mach": one}, {}).drag_by_mach is None
        (sentence,) = problems({"drag_by_mach": one}, {})
        assert "drag_by_mach" in sentence and "Mach number" in sentence
