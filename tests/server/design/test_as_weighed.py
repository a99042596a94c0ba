"""What was weighed without motor and charges against the sheet's pieces, and put back together."""

from __future__ import annotations

import tomllib

import pytest

from server.design.as_weighed import PieceProblem, apart, as_flown, bare, sheet_text
from server.design.configuration import Configuration
from server.design.configuration_sheet import configuration_of
from tests.server.flights import SHEETS


def configuration() -> Configuration:
    made = configuration_of(SHEETS.vehicle)
    assert made is not None
    return made


@pytest.mark.parametrize("burned", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("out", [(), ("motor case and mount",), ("motor case and mount", "nose parachute")])
def test_what_was_taken_out_comes_back_as_the_whole_list(out: tuple[str, ...], burned: float) -> None:
    """A body measured without error gives the sum of all pieces again (parallel-axis theorem)."""
    whole, taken = configuration().mass(burned), bare(configuration(), out)
    measured = taken.sum
    told = as_flown(measured.mass_kg, measured.center_m, measured.lateral_inertia_kg_m2, taken, burned)
    assert told.mass_kg == pytest.approx(whole.mass_kg) and told.center_m == pytest.approx(whole.center_m)
    assert told.lateral_inertia_kg_m2 == pytest.approx(whole.lateral_inertia_kg_m2)


def test_pieces_that_are_not_there() -> None:
    with pytest.raises(PieceProblem, match="no piece 'sails'; there are: nose cone"):
        bare(configuration(), ["sails"])
    with pytest.raises(PieceProblem, match="nothing would be left"):
        bare(configuration(), [*(piece.name for piece in configuration().masses), "tail fins"])


def test_words_and_lines() -> None:
    assert apart(1.02, 0.02, 1.0) == "agrees with the pieces (+2.0 %, within its doubt of 3.9 %)"
    assert apart(0.9, 0.01, 1.0) == "is 10.0 % less than the pieces give (95 %: -12.0 to -8.0 %)"
    text = sheet_text({"center_of_gravity_m": (0.7512345678, 0.00123)}, "Two scales", "2026-11-29", "As flown.")
    assert tomllib.loads(text) == {"vehicle": {"center_of_gravity_m": 0.751235}}
    assert "one standard deviation 0.0012, 2026-11-29" in text
