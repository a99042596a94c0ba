"""The roll loop as a transfer function: law, fins, servo and delay in one product, and its margins.

With b the roll authority (rad/s2 per Pa and rad), q the dynamic pressure and k the damping (the model of
`control.roll_authority`), the fins turn the vehicle as

    roll(s) / fin(s) = b q / (s (s + k sqrt(q)))

the law asks -(angle gain x roll + rate gain x roll rate), the servo follows with a lag of first order, and everything comes
late by the sum of dead times. A computer that acts every T seconds and holds in between is late by T/2 on average (any
textbook on sampled control; it holds up to a fifth of the sampling frequency or so). Margins are those of the textbooks: by
how much the gain may grow, and how much more the loop may be late, until it swings by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats

SLOWEST_RAD_S, FASTEST_RAD_S = 1e-2, 1e4
HALVINGS = 40
PHASE_POINTS = 121


@dataclass(frozen=True, slots=True)
class RollLaw:
    """Declared gains: rad of fin per rad of roll (0: no angle is held) and per rad/s of roll rate (s).

    A law that divides by the dynamic pressure has its gains at `reference_pa`, and takes no less than `least_pa` for it;
    with None the gains are the same at every speed. `limit_rad` is the most it asks for, None unknown.
    """

    angle_gain: float
    rate_gain_s: float
    reference_pa: float | None = None
    least_pa: float = 0.0
    limit_rad: float | None = None

    def share(self, pressure_pa: Floats) -> Floats:
        """Return what the gains are multiplied by at dynamic pressures, shape as given."""
        q = np.asarray(pressure_pa, dtype=np.float64)
        if self.reference_pa is None:
            return np.ones_like(q)
        return self.reference_pa / np.maximum(q, max(self.least_pa, 1e-9))


@dataclass(frozen=True, slots=True)
class Lateness:
    """The servo's lag of first order (s) and all dead times together (s): half the period, computing, the servo's own."""

    lag_s: float
    delay_s: float

    @classmethod
    def of(cls, period_s: float, computing_s: float, servo_lag_s: float, servo_dead_s: float) -> Lateness:
        """Return it for a computer that acts every `period_s`, `computing_s` after it has measured."""
        return cls(servo_lag_s, 0.5 * period_s + computing_s + servo_dead_s)


@dataclass(frozen=True, slots=True)
class Margins:
    """Margins, shapes as the loop's parameters broadcast: dB, rad, and at which frequency (rad/s) the loop gain is one.

    Infinite where nothing of that kind makes it swing (or the loop gain is below one everywhere: `crossover_rad_s` is 0
    then); negative where the loop is unstable. Minus infinity where the fins turn it the wrong way.
    """

    gain_db: Floats
    phase_rad: Floats
    crossover_rad_s: Floats


def magnitude(omega: Floats, loop_gain: Floats, angle_share: Floats, damping_s: Floats, lag_s: Floats) -> Floats:
    """Return |L| at frequencies (rad/s); shapes broadcast. It falls at every frequency, so that it is one at most once.

    `loop_gain` is b q times the rate gain (1/s), `angle_share` the angle gain over the rate gain (rad/s), `damping_s` k
    times the root of q (1/s).
    """
    top = np.hypot(omega, angle_share)
    return np.abs(loop_gain) * top / (omega * np.hypot(omega, damping_s) * np.hypot(1.0, omega * lag_s))


def phase(omega: Floats, angle_share: Floats, damping_s: Floats, lag_s: Floats, delay_s: Floats) -> Floats:
    """Return the phase of L (rad), not wrapped: 0 at no frequency, -pi where the loop turns on itself. Shapes broadcast."""
    lead = np.arctan2(omega, angle_share) - 0.5 * np.pi
    return lead - np.arctan2(omega, damping_s) - np.arctan(omega * lag_s) - omega * delay_s


def margins(
    loop_gain: Floats | float, angle_share: Floats | float, damping_s: Floats | float, lag_s: Floats | float,
    delay_s: Floats | float,
) -> Margins:  # fmt: skip
    """Return the margins of loops whose parameters broadcast to one shape; see `magnitude` and `phase` for them.

    With |L| falling everywhere and no pole to the right, the loop is stable exactly where its phase is above -pi at the one
    frequency of |L| = 1 (H. Nyquist 1932, in Bode's form). The gain margin is the one upward: where the phase passes -pi
    for the last time.
    """
    gain, share, damping, lag, delay = _broadcast(loop_gain, angle_share, damping_s, lag_s, delay_s)
    turning = _turning(share, damping, lag, delay)
    with np.errstate(divide="ignore", invalid="ignore"):
        grown = -20.0 * np.log10(magnitude(np.minimum(turning, FASTEST_RAD_S), gain, share, damping, lag))
    grown = np.where(np.isfinite(turning), grown, np.inf)
    margin, crossover = phase_margins(gain, share, damping, lag, delay)
    return Margins(np.where(gain < 0.0, -np.inf, grown), margin, crossover)


def phase_margins(
    loop_gain: Floats | float, angle_share: Floats | float, damping_s: Floats | float, lag_s: Floats | float,
    delay_s: Floats | float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Return phase margin (rad) and crossover (rad/s) alone, as `margins` has them; much quicker."""
    gain, share, damping, lag, delay = _broadcast(loop_gain, angle_share, damping_s, lag_s, delay_s)
    crossover = _crossover(gain, share, damping, lag)
    margin = np.pi + phase(np.maximum(crossover, SLOWEST_RAD_S), share, damping, lag, delay)
    margin = np.where(crossover > 0.0, margin, np.inf)
    return np.where(gain < 0.0, -np.inf, margin), crossover


def _broadcast(*given: Floats | float) -> tuple[Floats, ...]:
    return np.broadcast_arrays(*(np.asarray(one, dtype=np.float64) for one in given))


def _crossover(gain: Floats, share: Floats, damping: Floats, lag: Floats) -> Floats:
    """Return where |L| is one (rad/s), 0 where it is smaller everywhere, by bisection of the logarithm."""
    low, high = np.full(gain.shape, np.log(SLOWEST_RAD_S)), np.full(gain.shape, np.log(FASTEST_RAD_S))
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        above = magnitude(np.exp(middle), gain, share, damping, lag) > 1.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    begins = magnitude(np.full(gain.shape, SLOWEST_RAD_S), gain, share, damping, lag) > 1.0
    return np.where(begins, np.exp(0.5 * (low + high)), 0.0)


def _turning(share: Floats, damping: Floats, lag: Floats, delay: Floats) -> Floats:
    """Return where the phase passes -pi for the last time (rad/s), infinite where it never does."""
    grid = np.log(np.logspace(np.log10(SLOWEST_RAD_S), np.log10(FASTEST_RAD_S), PHASE_POINTS))
    shape = (PHASE_POINTS, *(1,) * share.ndim)
    above = phase(np.exp(grid.reshape(shape)), share, damping, lag, delay) > -np.pi
    last = PHASE_POINTS - 1 - np.argmax(above[::-1], axis=0)  # the last point of the grid that is above
    never = above[-1]
    always_below = ~above.any(axis=0)
    low = grid[np.minimum(last, PHASE_POINTS - 2)]
    high = grid[np.minimum(last + 1, PHASE_POINTS - 1)]
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        still = phase(np.exp(middle), share, damping, lag, delay) > -np.pi
        low, high = np.where(still, middle, low), np.where(still, high, middle)
    return np.where(never, np.inf, np.where(always_below, SLOWEST_RAD_S, np.exp(0.5 * (low + high))))


def rate_limited(asked_rad: Floats, omega: Floats, rate_rad_s: float) -> tuple[Floats, Floats]:
    """Return gain and phase (rad) of a servo that turns no faster than its rate, asked for a swing of that size.

    The first harmonic of what comes out over what went in (describing function; from memory, D. Graham and D. McRuer,
    "Analysis of Nonlinear Control Systems", 1961). Where the rate limit holds it all the time the servo draws a triangle of
    height pi rate / (2 omega), which meets the sine at its tips. Between the first touch (swing x omega = rate) and there
    (at 1.862 times) a straight line stands in for the exact curve.
    """
    ratio = np.asarray(asked_rad * omega / rate_rad_s, dtype=np.float64)
    full = np.maximum(ratio, FULLY_LIMITED)
    gain, lag = 4.0 / (np.pi * full), np.arccos(np.clip(0.5 * np.pi / full, -1.0, 1.0))
    way = np.clip((ratio - 1.0) / (FULLY_LIMITED - 1.0), 0.0, 1.0)
    return 1.0 + way * (gain - 1.0), -way * lag


# A triangle that fits inside the sine: sqrt(1 + (pi/2)^2).
FULLY_LIMITED = float(np.hypot(1.0, 0.5 * np.pi))
