"""Values at the end of a sensor's range, and only those."""

from __future__ import annotations

import numpy as np
import pytest

from server.flight.sensors.saturation import FEW, at_the_end, ends_of


def test_the_ends_and_a_little_inside() -> None:
    values = np.array([-34.9, -34.85, -34.7, 0.0, 34.7, 34.85, 34.9, 60.0, np.nan, np.inf, -np.inf])
    at_end = [1, 1, 0, 0, 0, 1, 1, 1, 0, 1, 1]
    assert at_the_end(values, -34.9, 34.9).tolist() == at_end and len(values) > FEW
    assert ends_of(values, -34.9, 34.9) == at_end
    assert [ends_of(values[place : place + 1], -34.9, 34.9) == [True] for place in range(len(values))] == at_end
    assert ends_of(values[2:5], -34.9, 34.9) == ends_of(np.zeros(2 * FEW), -34.9, 34.9) == []


@pytest.mark.parametrize("bits", [8, 12, 16])
def test_a_clipped_sine_is_found_where_numpy_clip_changed_it(bits: int) -> None:
    """numpy.clip says independently where the sensor was past its end."""
    true = 50.0 * np.sin(np.linspace(0.0, 20.0, 1000))
    step = 69.8 / 2**bits
    read = np.round(np.clip(true, -34.9, 34.9) / step) * step
    past = np.abs(true) > 34.9
    found = at_the_end(read, -34.9, 34.9)
    assert (found | ~past).all()
    assert (np.abs(true[found]) > 34.9 - 0.002 * 69.8 - step).all()
