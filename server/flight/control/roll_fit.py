"""The roll's fit: authority, fixed setting and damping by generalized least squares, averaged over lags and pushes.

The model and where it is from stand in `roll_authority`, the least squares in `colored_push`.
"""

from __future__ import annotations

import numpy as np

from protocol.arrays import Floats
from server.flight.control.colored_push import AveragedFit, Regression, averaged_fit, moved_by
from server.flight.control.roll_window import GRID_S, LAGS_S, RollWindow, Samples, running_integral

# Error of a straight line between two fin samples as a share of the bend there, one sigma: 0.29 for a jump at an
# unknown instant (uniform over the interval), less for a servo that takes about one interval to get there.
BETWEEN_SHARE = 0.2


def roll_fit(data: RollWindow, are_commanded: bool = False) -> AveragedFit | None:
    """Return b, c, -k of `roll_authority` with their covariance; None when the columns cannot be told apart.

    A measured fin acts some delay later; a commanded one goes to its angle with the servo's lag, first order.
    """
    angles = _lagged(data) if are_commanded else [np.interp(data.grid - lag, *data.fins) for lag in LAGS_S]
    turned = [data.at_samples(running_integral(data.pressure * angle)) for angle in angles]
    pressure = data.at_samples(running_integral(data.pressure))
    others = np.stack([pressure, data.at_samples(data.damping_sum), *levels(data)], axis=1)
    regression = Regression(data.t, data.stretch, data.rate, np.stack(turned)[:, :, None], LAGS_S, others, 3)
    fit = averaged_fit(regression)
    if fit is None:
        return None
    kicks, missed = between_samples(data, data.fins, fit.best.lag_s)
    moved = moved_by(regression, fit.best, kicks)[0]
    fit.covariance[0, 0] += (fit.beta[0] * BETWEEN_SHARE) ** 2 * ((moved * missed) ** 2).sum()
    return fit


def _lagged(data: RollWindow) -> Floats:
    """Return the fins on the grid as a servo of first order follows them, for each lag, shape (lags, grid)."""
    asked = np.interp(data.grid, *data.fins)
    share = -np.expm1(-GRID_S / np.maximum(LAGS_S, 1e-6))
    angles = np.empty((LAGS_S.size, asked.size))
    angle = np.full(LAGS_S.size, asked[0])
    for place, want in enumerate(asked):
        angle = angle + share * (want - angle)
        angles[:, place] = angle
    return angles


def levels(data: RollWindow) -> list[Floats]:
    """Return the columns of what is constant: a start value for each stretch, an error for each sensor but the first."""
    columns = [(data.stretch == number).astype(float) for number in np.unique(data.stretch)]
    # Where each stretch has one sensor only, this ties in with the start values; the pseudo-inverse does not mind.
    return columns + [(data.sensor == number).astype(float) for number in np.unique(data.sensor)[1:]]


def between_samples(data: RollWindow, fins: Samples, lag_s: float) -> tuple[Floats, Floats]:
    """Return the rates that fins drawn as straight lines may miss: a kick in each interval, and the size of its cause.

    In each interval the line misses about the bend (the second difference) there. What a kick of that size in one
    interval does to the estimate follows from the fit's own weights; the intervals are independent. Fins jump when
    control starts, so a flight with a moment of control only has most of its error from here. Shapes (n, intervals) and
    (intervals,): the size is pressure times angle times time (Pa rad s).
    """
    t, angle = fins
    near = np.flatnonzero((t[1:] > data.t[0] - lag_s) & (t[:-1] < data.t[-1]))
    step = np.diff(t)
    bend = np.zeros(t.size)
    bend[1:-1] = np.abs(np.diff(np.diff(angle) / step)) * np.minimum(step[1:], step[:-1])
    missed = np.interp(t[1:], data.grid, data.pressure) * step * np.maximum(bend[1:], bend[:-1])
    begin = t[:-1][near] + lag_s
    # A kick lasts to the end of its stretch; what went before a stretch is in its start value anyway.
    return np.clip((data.t[:, None] - begin) / step[near], 0.0, 1.0), missed[near]
