"""Do the fins roll the vehicle, how hard, and the right way round: a regression on one flight.

Model (rigid-body roll with strip-theory damping, every textbook on flight dynamics; the twin's `rigid_body` is its own
writing of it): with r the roll rate, q the dynamic pressure, d the mean fin deflection some lag ago,

    dr/dt = b q d + c q - k sqrt(q) r + disturbance

b is the roll authority, c a fixed fin setting error, k the damping (q/v is proportional to sqrt(q) in air of one density).
Differentiating r would amplify its noise, so the model is used integrated: each rate sample equals a start value plus b, c
and k times integrals up to its time. What remains is white sensor noise plus the sum of all that pushes the vehicle and is
not in the model, so the fit is generalized least squares (A. C. Aitken 1935) with the ratio of the two taken from the
restricted likelihood (Patterson and Thompson, Biometrika 58, 1971; from memory). Such a sum makes neighboring residuals
alike; counting them as independent would make the interval far too narrow. The push has a memory (a Gauss-Markov process,
AR(1) in samples; white for a memory of nothing): in closed loop the fins work against a push that lasts, and taken for white
it would hide most of what they do. With the noise's own color in the model the direct method is right in closed loop
(L. Ljung, "System Identification", 1999, chapter 13; from memory).

Lag, ratio and memory are not picked but averaged over a grid, each by its likelihood, so that not knowing them widens the
interval. Where fins were not heard for longer than `LONGEST_GAP_S` the sum starts anew with a start value of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import copysign, exp, hypot, inf, log, sqrt

import numpy as np

from server.flight.control.roll_fit import AuthorityFit, averaged_fit
from server.flight.control.roll_window import RollWindow, Samples, clean, gather

EFFECTIVE, WEAK, REVERSED = "effective", "weak", "reversed"
NOT_EXCITED, NOT_ENOUGH_DATA = "not excited", "not enough data"

MOST_SHARE = 5.0  # one sigma; beyond it nothing is known of the size
MODEL_SHARE = 0.01  # air of one density, linear fins: the model itself; common practice, no source
FEWEST_SAMPLES = 20  # common practice, no source
SMALLEST_MOVEMENT_RAD = 0.001  # standard deviation, three times the noise of the mean of four sensors; common practice
WEAK_SHARE = 0.5  # common practice, no source


@dataclass(frozen=True, slots=True)
class RollAuthority:
    """The verdict with its reason, and the numbers behind it; None where there was nothing to fit.

    `authority` is in rad/s2 per Pa and rad of mean deflection, `sigma` its standard error, `low` and `high` the 95 %
    interval. `lag_s` is the most likely lag from measured deflection to roll. `trim_rad` is the deflection that would
    stop the roll of the fixed fin setting (-c/b) with `trim_sigma_rad`, None unless the authority is known to have a
    sign. `damping` is k (s-1 Pa-0.5), `movement_rad` the standard deviation of the deflection in the window.
    """

    verdict: str
    reason: str
    samples: int
    movement_rad: float
    authority: float | None = None
    sigma: float | None = None
    low: float | None = None
    high: float | None = None
    lag_s: float | None = None
    damping: float | None = None
    trim_rad: float | None = None
    trim_sigma_rad: float | None = None


def roll_authority(
    rates_rad_s: Sequence[Samples],
    fins_rad: Samples,
    pressure_pa: Samples,
    *,
    expected: float | None = None,
    pressure_sigma_share: float = 0.0,
) -> RollAuthority:
    """Judge the fins from one window of free flight, off the rail and before anything separates.

    `rates_rad_s` holds (times, roll rate) of each sensor, whose constant errors may differ; `fins_rad` (times, mean
    measured deflection of all fins); `pressure_pa` (times, dynamic pressure). Each shape (n,), any order; what is not
    finite is dropped. `expected` is the designer's authority with the sign that counts as right. `pressure_sigma_share`
    is the relative error (one sigma) common to all dynamic pressures, as a speed over ground in wind has (see
    `pressure_share`): it widens the interval but cannot put the sign in doubt.
    """
    fins, pressure = clean(fins_rad), clean(pressure_pa)
    rates = [clean(samples) for samples in rates_rad_s]
    movement = float(np.std(fins[1])) if fins[0].size else 0.0
    heard = {
        "roll rate": any(t.size for t, _ in rates),
        "fins": fins[0].size >= 4,
        "speed": pressure[0].size >= 2,
    }
    if not all(heard.values()):
        lacking = " and ".join(name for name, is_heard in heard.items() if not is_heard)
        return RollAuthority(NOT_ENOUGH_DATA, f"too little was heard of {lacking}", 0, movement)
    data = gather(rates, fins, pressure)
    if data is None or data.t.size < FEWEST_SAMPLES:
        count = 0 if data is None else data.t.size
        reason = f"{count} roll rates with fins heard around them, {FEWEST_SAMPLES} needed"
        return RollAuthority(NOT_ENOUGH_DATA, reason, count, movement)
    movement = data.movement_rad
    if movement < SMALLEST_MOVEMENT_RAD:
        return RollAuthority(NOT_EXCITED, f"the fins moved by {movement:.4f} rad only", data.t.size, movement)
    fit = averaged_fit(data)
    if fit is None:
        return RollAuthority(NOT_EXCITED, "the fins' effect cannot be told from the rest", data.t.size, movement)
    return _judged(data, fit, expected, pressure_sigma_share)


def pressure_share(wind_m_s: float, speed_m_s: float) -> float:
    """Return the relative error of a dynamic pressure from speed over ground, for a wind of unknown direction.

    Wind along the path changes the speed from v to v + w, the pressure by the factor (1 + w/v)^2; its logarithm is taken.
    `speed_m_s` is the speed while control was on.
    """
    return 2.0 * log(1.0 + abs(wind_m_s) / speed_m_s) if speed_m_s > 0.0 else inf


def _judged(data: RollWindow, fit: AuthorityFit, expected: float | None, pressure_sigma_share: float) -> RollAuthority:
    authority = float(fit.beta[0])
    sigma = sqrt(float(fit.covariance[0, 0]) + (MODEL_SHARE * authority) ** 2)
    # Student's t at 97.5 %, first term of the Cornish-Fisher expansion (Abramowitz and Stegun 26.7.5).
    half = (1.95996 + 2.3722 / fit.degrees) * sigma
    low, high = authority - half, authority + half
    share = min(max(0.0, pressure_sigma_share), MOST_SHARE)
    if share > 0.0:
        low, high = _widened(authority, low, high, 1.95996 * share)
        sigma = sqrt(sigma**2 + (share * authority) ** 2)
    verdict, reason = _verdict(authority, low, high, expected)
    trim = trim_sigma = None
    if low > 0.0 or high < 0.0:
        trim = -float(fit.beta[1]) / authority
        slope = np.array([trim, 1.0]) / authority
        trim_sigma = sqrt(max(0.0, float(slope @ fit.covariance[:2, :2] @ slope)))
    return RollAuthority(
        verdict, reason, data.t.size, data.movement_rad, authority, sigma, low, high, fit.lag_s,
        -float(fit.beta[2]), trim, trim_sigma,
    )  # fmt: skip


def _widened(authority: float, low: float, high: float, factor_log: float) -> tuple[float, float]:
    """Return the interval widened by a factor nobody knows: it can change the size of the authority, never its sign."""
    if low < 0.0 < high:
        return authority + (low - authority) * exp(factor_log), authority + (high - authority) * exp(factor_log)
    near, far = sorted((low, high), key=abs)
    least = authority * exp(-hypot(log(authority / near), factor_log))
    most = authority * exp(hypot(log(far / authority), factor_log))
    return min(least, most), max(least, most)


def _verdict(authority: float, low: float, high: float, expected: float | None) -> tuple[str, str]:
    right = copysign(1.0, expected) if expected else 1.0
    least, most = sorted((right * low, right * high))
    enough = WEAK_SHARE * abs(expected) if expected else -inf
    if most < 0.0:
        return REVERSED, "turning the fins rolls the vehicle the wrong way"
    if least > 0.0:
        if expected and most < enough:
            return WEAK, f"{100 * authority / expected:.0f} % of the expected roll authority"
        return EFFECTIVE, "turning the fins rolls the vehicle the right way"
    if most < enough:
        return WEAK, f"the fins moved, and less than {100 * WEAK_SHARE:.0f} % of the expected roll came of it"
    return NOT_EXCITED, "too little fin movement to tell the sign of the roll it gives"
