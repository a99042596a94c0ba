"""Sums of pieces against the integral over a rod cut into many points, and the parallel-axis theorem's own example."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.airframe.mass_list import Piece, summed


def test_a_rod_is_many_points() -> None:
    """m L^2 / 12 about its middle (any mechanics textbook), here from 20 000 slices."""
    points = 0.7 + 0.3 * (np.arange(20_000) + 0.5) / 20_000 - 0.15
    found = summed([Piece("rod", 0.4, 0.7, 0.3), Piece("point", 0.1, 0.1)])
    slices = [*((0.4 / 20_000, float(x)) for x in points), (0.1, 0.1)]
    center = sum(m * x for m, x in slices) / 0.5
    assert found.mass_kg == pytest.approx(0.5) and found.center_m == pytest.approx(center)
    assert found.lateral_inertia_kg_m2 == pytest.approx(sum(m * (x - center) ** 2 for m, x in slices), rel=1e-6)


def test_nothing_has_no_center() -> None:
    with pytest.raises(ValueError):
        summed([])
