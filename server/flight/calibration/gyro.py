"""A gyro at rest (bias and how steady it is), and its scale by turns of exactly 360 degrees about each axis.

A turn begins and ends at rest against the same stop: the integral of the rates, less the bias before and after it, is
one whole turn about the axis, whatever happened on the way. The length of the integral counts and not its part along
the axis, since a tube turned by hand leans by more than its sensor's axes cross; so nothing is told of crossed axes.
The integral is by the trapezoid rule; what every second sample alone would give says how well the sampling carries it
(Richardson).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, radians

import numpy as np

from protocol.arrays import Floats
from server.flight.calibration.estimate import (
    BLOCKS,
    Calibration,
    Estimated,
    UncalibratedFault,
    count_floor,
    steady_mean,
    student_factor,
)

STOP_SIGMA_RAD = radians(0.5)  # a tube turned by hand against a stop; common practice, no source
LEANING = radians(1.5) * 0.01 * 2.0**0.5  # a lean of 1.5 degrees times axes crossed by 1 %; common practice, no source
WHOLE_TURN = 2.0 * pi
NEAR_A_TURN = 0.15
ALONG = 0.9
LONGEST_GAP_S = 0.2
STEADY_S = 10.0


@dataclass(frozen=True)
class Turn:
    """One turn between two stretches at rest: the integral of the rates (3,), rad, and its sigma; how long it took (s)."""

    angle: Floats
    sigma: Floats
    seconds: float

    @property
    def axis(self) -> int:
        """Axis about which it was (0, 1, 2), -1 when it was about none of them alone."""
        size = np.abs(self.angle)
        axis = int(np.argmax(size))
        return axis if size[axis] > ALONG * float(np.linalg.norm(self.angle)) else -1


def gyro_at_rest(t_s: Floats, rates: Floats, count_rad_s: float = 0.0) -> Calibration:
    """Return bias (3,) and steadiness (3,), both rad/s, of a stretch at rest: times (n,), rates (n, 3). Raises
    UncalibratedFault.

    `steady` is the scatter of the means over 10 s, less what the scatter within them explains: what the bias will do
    while nobody looks. Its sigma is that of a scatter of so many means (any textbook of statistics).
    """
    bias, variance, freedom = steady_mean(rates, BLOCKS)
    variance = variance + count_floor(rates.std(axis=0), count_rad_s)
    size = max(1, round(STEADY_S / max(float(np.median(np.diff(t_s))), 1e-6)))
    count = len(rates) // size
    estimates = [Estimated("bias", bias, student_factor(freedom) * np.sqrt(variance), "rad/s")]
    if count >= 6:
        parts = rates[: count * size].reshape(count, size, 3)
        means = parts.mean(axis=1)
        white = np.array([steady_mean(part, 5)[1] for part in parts]).mean(axis=0) if size >= 10 else np.zeros(3)
        between = means.var(axis=0, ddof=1)
        steady = np.sqrt(np.maximum(between - white, 0.0))
        doubt = between * np.sqrt(2.0 / (count - 1)) / np.maximum(2.0 * steady, np.sqrt(between))
        estimates.append(Estimated("steady", steady, doubt, "rad/s"))
    return Calibration("gyro", tuple(estimates))


def turn_between(t_s: Floats, rates: Floats, before: slice, after: slice) -> Turn:
    """Return the turn between two stretches at rest: times (n,), rates (n, 3), their places. Raises UncalibratedFault.

    The bias goes by a straight line from the one stretch to the other.
    """
    told = [steady_mean(rates[part], 5) for part in (before, after)]
    inside = slice(before.stop - 1, after.start + 1)
    t, values = t_s[inside], rates[inside]
    gap = float(np.diff(t).max(initial=0.0))
    if gap > LONGEST_GAP_S:
        raise UncalibratedFault(f"packets were lost for {gap:.1f} s while it was turned: turn it once more")
    share = ((t - t[0]) / (t[-1] - t[0]))[:, None]
    free = values - (1.0 - share) * told[0][0] - share * told[1][0]
    angle = _trapezoid(free, t)
    seconds = float(t[-1] - t[0])
    coarse = [_trapezoid(free[start::2], t[start::2]) for start in (0, 1)]
    sampling = np.abs(coarse[0] - coarse[1]) / 3.0
    # how sure a mean over a stretch is, is how sure an integral over the same time would be: noise that lasts counts in both
    wider = student_factor(told[0][2] + told[1][2]) ** 2
    lasting = [told[i][1] * float(t_s[p.stop - 1] - t_s[p.start]) for i, p in enumerate((before, after))]
    noise = wider * (0.25 * (told[0][1] + told[1][1]) * seconds**2 + 0.5 * (lasting[0] + lasting[1]) * seconds)
    return Turn(angle, np.sqrt(noise + sampling**2), seconds)


def _trapezoid(values: Floats, t: Floats) -> Floats:
    return np.asarray((0.5 * (values[1:] + values[:-1]) * np.diff(t)[:, None]).sum(axis=0), dtype=np.float64)


def gyro_of_turns(turns: Sequence[Turn], stop_sigma_rad: float = STOP_SIGMA_RAD) -> Calibration:
    """Return scale (3,) of calibrated = (reading - bias) / scale, from at least one whole turn about each axis.

    `stop_sigma_rad`: how well a turn came back to where it began. Several turns about an axis are averaged. Raises
    UncalibratedFault.
    """
    scale, variance = np.zeros(3), np.zeros(3)
    for axis, name in enumerate("xyz"):
        found = [turn for turn in turns if turn.axis == axis]
        if not found:
            raise UncalibratedFault(f"there is no turn about {name}")
        ratios = [float(np.linalg.norm(turn.angle)) / WHOLE_TURN for turn in found]
        for ratio in ratios:
            if abs(ratio - 1.0) > NEAR_A_TURN:
                raise UncalibratedFault(
                    f"the turn about {name} was by {360.0 * ratio:.0f} degrees: it must be exactly once around"
                )
        own = [(float(turn.sigma[axis]) ** 2 + stop_sigma_rad**2) / WHOLE_TURN**2 + LEANING**2 for turn in found]
        scale[axis], variance[axis] = float(np.mean(ratios)), sum(own) / len(found) ** 2
    return Calibration("turn", (Estimated("scale", scale, np.sqrt(variance)),))
