"""A sensor at the end of a range nobody declared: it stands still at its greatest value while all around it moves.

A sensor that still measures has noise, and never says the very same several times in a row but where its steps are coarser
than the noise. So a run of `IN_A_ROW` equal values at the greatest (or least) value of the flight is the end of a range when
it is entered or left by a leap of many steps (a smooth top is flat too, but left by single steps) and other values hardly
ever repeat (where they do, the packet is sent more often than the sensor is read). A run that lasts to the end may be a
sensor that died and tells nothing. The numbers are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats

IN_A_ROW = 5
LEAP_STEPS = 8.0
REPEATS_SHARE = 0.1
FEWEST = 50


@dataclass(frozen=True)
class Flat:
    """Where it stood still: the value, first and last sample of the longest run, and how many samples of all runs."""

    value: float
    first: int
    last: int
    samples: int


def flat_end(values: Floats) -> Flat | None:
    """Return where values in order of time, shape (n,), stand at an end of a range; None where they do not."""
    if len(values) < FEWEST or not np.isfinite(values).all():
        return None
    steps = np.abs(np.diff(values))
    moving = steps[steps > 0.0]
    if not len(moving):
        return None
    ends = [_at(values, float(end), float(moving.min())) for end in (values.max(), values.min())]
    return max((one for one in ends if one is not None), key=lambda one: one.samples, default=None)


def _at(values: Floats, end: float, step: float) -> Flat | None:
    inside = np.concatenate([[False], values == end, [False]])
    edges = np.flatnonzero(np.diff(inside.astype(np.int8)))
    first, last = edges[::2], edges[1::2] - 1
    long = (last - first + 1 >= IN_A_ROW) & (last < len(values) - 1)
    if not long.any():
        return None
    before = np.abs(values[np.maximum(first[long] - 1, 0)] - end)
    after = np.abs(values[last[long] + 1] - end)
    elsewhere = values != end
    repeats = (np.diff(values) == 0.0) & elsewhere[1:] & elsewhere[:-1]
    if max(before.max(), after.max()) < LEAP_STEPS * step or repeats.sum() > REPEATS_SHARE * elsewhere.sum():
        return None
    at = int(np.argmax(np.where(long, last - first, -1)))
    return Flat(end, int(first[at]), int(last[at]), int((last - first + 1)[long].sum()))
