"""A sensor at the end of its range: what it measured was more than it could say, and what is integrated from it is wrong.

A value counts as at the end when it is within `SHARE` of the range from it. Common practice, no source.
"""

from __future__ import annotations

import numpy as np

from protocol.arrays import Bools, Floats

SHARE = 0.002


FEW = 8


def at_the_end(values: Floats, low: float, high: float) -> Bools:
    """Return for each value, shape (n,), whether the sensor was at an end of its range; never true for NaN.

    Values and ends in the same unit.
    """
    margin = SHARE * (high - low)
    with np.errstate(invalid="ignore"):
        return (values >= high - margin) | (values <= low + margin)


def ends_of(values: Floats, low: float, high: float) -> list[bool]:
    """Return the same as a list, empty when no value is at an end.

    Live, values come one by one, and arrays of one element cost more than the comparison.
    """
    if len(values) > FEW:
        ends = at_the_end(values, low, high)
        return ends.tolist() if ends.any() else []
    margin = SHARE * (high - low)
    few = [value >= high - margin or value <= low + margin for value in values.tolist()]
    return few if any(few) else []
