"""What a fit says of fins: a verdict for each way to turn about each axis, with its interval and the odds of a reversal.

An effect has a size only where its 95 % interval is narrow (`SIZED_SHARE`); where it is wide but on one side of zero, its
sign alone is told; where nothing moved on its own, or the interval holds zero and what was expected, it was not excited.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign, isfinite

from server.flight.control.roll_authority import EFFECTIVE, NOT_EXCITED, REVERSED, WEAK, WEAK_SHARE, widened
from server.flight.effectiveness.axis_fit import AxisFit

SIGN_ONLY = "sign only"
# Of the size, to either side of it at 95 %, without the doubt of the dynamic pressure: chosen on the odd seeds of
# tests/accuracy/control_effectiveness so that what is told is within 10 %.
SIZED_SHARE = 0.09
MOST_SHARE = 0.6  # one sigma of the dynamic pressure; beyond it nothing is known of the size


@dataclass(frozen=True, slots=True)
class Effect:
    """What one column of the fins does about one axis: rad/s2 per Pa and rad with its 95 % interval; NaN where not told.

    `moved_rad` is one sigma of what the column moved on its own, `half_share` half the interval over the value, before the
    dynamic pressure's doubt. `reversed_odds` is the probability that the effect is of the other sign than what is
    expected (positive where nothing is), by Student's t with a flat prior; None where it did not move.
    """

    axis: str
    name: str
    verdict: str
    value: float
    low: float
    high: float
    moved_rad: float
    half_share: float
    reversed_odds: float | None
    expected: float | None


def effect_of(fit: AxisFit, place: int, name: str, expected: float | None = None, pressure_share: float = 0.0) -> Effect:
    """Judge the column at a place. `pressure_share`: the relative error (one sigma) common to all dynamic pressures."""
    value, low, high = (float(one[place]) for one in (fit.value, fit.low, fit.high))
    moved = float(fit.moved[place])
    if not isfinite(value):
        return Effect(fit.axis, name, NOT_EXCITED, value, low, high, moved, float("nan"), None, expected)
    half = 0.5 * (high - low) / max(abs(value), 1e-12)
    right = copysign(1.0, expected) if expected else 1.0
    odds = _odds_below(right * value / float(fit.sigma[place]), fit.fit.degrees)
    least, most = sorted((right * low, right * high))
    verdict = _verdict(least, most, half, abs(expected) if expected else None)
    if pressure_share > 0.0 and value != 0.0:
        low, high = widened(value, low, high, 1.95996 * min(pressure_share, MOST_SHARE))
    return Effect(fit.axis, name, verdict, value, low, high, moved, half, odds, expected)


def _verdict(low: float, high: float, half_share: float, expected: float | None) -> str:
    """Return the verdict of a value that counts as right when it is positive."""
    if high < 0.0:
        return REVERSED
    if expected is not None and high < WEAK_SHARE * expected:
        return WEAK
    if low > 0.0:
        return EFFECTIVE if half_share <= SIZED_SHARE else SIGN_ONLY
    return NOT_EXCITED


def _odds_below(sigmas: float, degrees: int) -> float:
    """Return the probability that the truth is below zero when the estimate is so many sigmas above."""
    from scipy.special import stdtr

    return float(stdtr(degrees, -sigmas))
