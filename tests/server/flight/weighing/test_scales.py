"""Two scales: the balance of moments, its doubt against drawn weighings, and what is no weighing."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.airframe.mass_list import Piece, summed
from server.flight.weighing.pendulum import Measured
from server.flight.weighing.scales import ScalesProblem, reading, weighed


def test_the_center_of_a_list_of_pieces() -> None:
    """Reactions of the supports worked out from the pieces give the pieces' own center back (tests/SOURCES.md,
    two-scale-weighing)."""
    whole = summed([Piece("nose", 0.2, 0.1), Piece("bay", 0.5, 0.6), Piece("fins", 0.3, 1.1)])
    rear = sum(m * (x - 0.3) for m, x in ((0.2, 0.1), (0.5, 0.6), (0.3, 1.1))) / (0.9 - 0.3)
    told = weighed(Measured(1.0 - rear, 0.001), Measured(rear, 0.001), Measured(0.3, 0.001), Measured(0.9, 0.001))
    assert told.mass.value == pytest.approx(whole.mass_kg) and told.center.value == pytest.approx(whole.center_m)


def test_the_doubt_is_that_of_drawn_weighings() -> None:
    rng = np.random.default_rng(2)
    f, r, a, b = Measured(0.7, 0.002), Measured(0.9, 0.001), Measured(0.3, 0.002), Measured(1.1, 0.001)
    told = weighed(f, r, a, b)
    df, dr, da, db = (one.value + one.sigma * rng.normal(size=40_000) for one in (f, r, a, b))
    assert told.center.sigma == pytest.approx(((df * da + dr * db) / (df + dr)).std(), rel=0.03)
    assert told.mass.sigma == pytest.approx((df + dr).std(), rel=0.03)


def test_repeated_readings() -> None:
    assert reading([0.8], 0.001) == Measured(0.8, 0.001)
    told = reading([0.80, 0.81, 0.79], 0.001)
    assert told.value == pytest.approx(0.8) and told.sigma == pytest.approx(np.hypot(0.001, 0.01 / np.sqrt(3)))


@pytest.mark.parametrize(("numbers", "says"), [((-0.1, 0.9, 0.3, 1.1), "between"), ((0.7, 0.9, 1.1, 0.3), "nose tip")])
def test_what_is_no_weighing(numbers: tuple[float, float, float, float], says: str) -> None:
    with pytest.raises(ScalesProblem, match=says):
        weighed(*(Measured(value, 0.001) for value in numbers))
