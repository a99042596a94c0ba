"""A sensor at the end of its range: what it measured was more than it could say, and what is integrated from it is wrong.

A value counts as at the end when it is within `SHARE` of the range from it. Common practice, no source.
"""

from __future__ import annotations

import numpy as np

from protocol.arrays import Bools, Floats
from protocol.units import GRAVITY_M_S2

SHARE = 0.002


FEW = 8
# Ends of usual accelerometers, in g: what stands flat there without a range declared has met one. Common practice.
FULL_SCALES_G = (4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 32.0, 40.0, 50.0, 64.0, 100.0, 128.0, 200.0, 400.0)
FULL_SCALE_SHARE = 0.01


def counted_ends(low: float, high: float) -> tuple[float, float]:
    """Return at and below, at and above which values a sensor counts as at an end of its range, all in one unit."""
    margin = SHARE * (high - low)
    return low + margin, high - margin


def is_at_a_usual_end(force_m_s2: float) -> bool:
    """Return whether an axis (m/s2) is where usual accelerometers end: for one without a declared range that repeats."""
    size_g = abs(force_m_s2) / GRAVITY_M_S2
    return any(abs(size_g - scale) <= FULL_SCALE_SHARE * scale for scale in FULL_SCALES_G)


def at_the_end(values: Floats, low: float, high: float) -> Bools:
    """Return for each value, shape (n,), whether the sensor was at an end of its range; never true for NaN.

    Values and ends in the same unit.
    """
    margin = SHARE * (high - low)
    with np.errstate(invalid="ignore"):
        return (values >= high - margin) | (values <= low + margin)


def flat_at_full_scale(force_m_s2: Floats) -> Bools:
    """Return for an axis of a stretch of forces, shape (n,), where it stood flat at a usual end, none being declared."""
    size_g = np.abs(force_m_s2) / GRAVITY_M_S2
    with np.errstate(invalid="ignore"):
        scales = np.array(FULL_SCALES_G)
        near: Bools = (np.abs(size_g[:, None] - scales[None, :]) <= FULL_SCALE_SHARE * scales[None, :]).any(axis=1)
        same = np.zeros(len(force_m_s2), dtype=bool)
        alike = force_m_s2[1:] == force_m_s2[:-1]
    same[1:] |= alike
    same[:-1] |= alike
    return near & same


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
