"""When a burn begins and when it ends: thrust through a small share of its peak, to a fraction of a sample. SI units."""

from __future__ import annotations

from math import hypot, sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.weighing.pendulum import Measured

LOW, HIGH = 0.4, 2.0  # of the level: between them the fall is a parabola well enough
LEAST_ON_FALL = 6


def crossing(t: Floats, clear: Floats, smooth: Floats, top: int, level: float, noise: float) -> Measured | None:
    """Return when even samples (n,) rise through a level for good before the peak, s.

    `clear` is where it is looked for, `smooth` the filtered form: how far they are apart is doubt, since a filter lets a
    steep rise begin early and the samples show what stands between them by a straight line only.
    """
    step = float(t[1] - t[0])
    first, other = (_upward(t, one, top, level) for one in (clear, smooth))
    if first is None or other is None:
        return None
    at = int(np.searchsorted(t, first))
    slope = max(float(np.max(np.diff(clear[max(0, at - 1) : at + 3]))) / step, 1e-12)
    return Measured(first, hypot(step / sqrt(12.0), min(noise / slope, 3.0 * step), min(abs(first - other) / 4.0, step)))


def _upward(t: Floats, force: Floats, top: int, level: float) -> float | None:
    """Return the first passing of a level after which a tenth of the way to the peak is stayed above it."""
    above = force[: top + 1] >= level
    if not above.any() or above[0]:
        return None
    runs = np.flatnonzero(np.diff(above.astype(np.int8)) == 1)
    for at in runs.tolist():
        stays = above[at + 1 : at + 1 + max(2, (top - at) // 10)]
        if stays.all():
            return float(t[at] + (t[at + 1] - t[at]) * (level - force[at]) / (force[at + 1] - force[at]))
    return float(t[runs[-1]])


def fall(t: Floats, raw: Floats, smooth: Floats, top: int, level: float, noise: float, offset_n: float, peak_n: float
         ) -> Measured | None:  # fmt: skip
    """Return when thrust falls through a level after the peak, s: a parabola through the samples about it.

    `offset_n` and `peak_n` are the doubts, in N, of the offset there and of the level itself.
    """
    step = float(t[1] - t[0])
    under = np.flatnonzero(smooth[top:] < level)
    over = np.flatnonzero(smooth[top:] >= level)
    if not len(under) or not len(over):
        return None
    last = top + int(over[-1])
    if last + 1 >= len(t):
        return None
    simple = float(t[last] + step * (smooth[last] - level) / max(smooth[last] - smooth[last + 1], 1e-12))
    high = top + int(np.flatnonzero(smooth[top : last + 1] >= min(HIGH * level, smooth[top]))[-1])
    ends = np.flatnonzero(smooth[last:] < LOW * level)
    low = last + int(ends[0]) if len(ends) else len(t) - 1
    if low - high < LEAST_ON_FALL:
        slope = max((smooth[last] - smooth[last + 1]) / step, 1e-12)
        return Measured(simple, hypot(step / sqrt(12.0), hypot(noise, offset_n, peak_n) / slope))
    x = (t[high : low + 1] - simple) / (t[low] - t[high])
    basis = np.column_stack([np.ones_like(x), x, x**2])
    inverse = np.linalg.inv(basis.T @ basis)
    found = inverse @ basis.T @ raw[high : low + 1]
    rest = raw[high : low + 1] - basis @ found
    roots = np.roots([found[2], found[1], found[0] - level])
    real = roots[np.abs(roots.imag) < 1e-9].real
    if not len(real):
        return Measured(
            simple, hypot(step, hypot(noise, offset_n, peak_n) * step / max(smooth[last] - smooth[last + 1], 1e-12))
        )
    root = float(real[int(np.argmin(np.abs(real)))])
    slope = abs(found[1] + 2.0 * found[2] * root) / (t[low] - t[high])
    together = float(np.clip(1.0 + 2.0 * _alike(rest), 1.0, 20.0))  # neighbors that move together count as fewer samples
    where = np.array([1.0, root, root**2])
    fitted = float(np.var(rest)) * len(x) / max(1, len(x) - 3) * float(where @ inverse @ where) * together
    doubt = hypot(sqrt(fitted), offset_n, peak_n) / max(slope, 1e-12)
    return Measured(simple + root * float(t[low] - t[high]), doubt)


def _alike(rest: Floats) -> float:
    """Return the sum of the correlations of neighbors until they vanish."""
    whole = float(rest @ rest)
    total = 0.0
    for apart in range(1, min(len(rest) // 2, 200)):
        one = float(rest[apart:] @ rest[:-apart]) / whole if whole > 0.0 else 0.0
        if one < 0.05:
            break
        total += one
    return total
