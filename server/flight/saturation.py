"""A sensor at the end of its range: what it measured was more than it could say, and what is integrated from it is wrong.

A value counts as at the end when it is within `SHARE` of the range from it. Common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SHARE = 0.002


def at_the_end(values: NDArray[np.float64], low: float, high: float) -> NDArray[np.bool_]:
    """Return for each value, shape (n,), whether the sensor was at an end of its range; never true for NaN."""
    margin = SHARE * (high - low)
    with np.errstate(invalid="ignore"):
        return (values >= high - margin) | (values <= low + margin)
