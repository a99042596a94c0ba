"""The chain from command to fin of one servo, each part with a 95 % interval, or that it was not excited.

Fits of `fit` from two starts and of both orders are averaged by their evidence, as the roll's fit does with lags: not
knowing the order widens the interval. What telemetry of one rate can tell of times is bounded: the moment of a change is
known to an interval only, and whether the command holds from the sample or to it is not known at all. The first is carried
by the fit, the second by `CYCLE_S`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from protocol.arrays import Floats
from server.flight.servo.drive import BEND_SHARE, Drive, Samples, clean, prepare
from server.flight.servo.fit import Fitted, fit, starts
from server.flight.servo.model import (
    DEAD,
    FIRST_ORDER_ZETA,
    LOG_LAG,
    LOG_RATE,
    LOG_ZETA,
    OFFSET,
    PLAY,
    RATIO,
    commands,
    simulate,
)  # fmt: skip
from server.flight.servo.stops import Stops, find_stops

NORMAL_95 = 1.96
# A servo's own dead band looks like play, rate and lag follow the supply, a linkage is not quite straight: one sigma of what
# the model itself is worth in play (rad), rate, lag and ratio (shares). Common practice, no source.
BAND_RAD, RATE_SHARE, LAG_SHARE, RATIO_SHARE = 0.0004, 0.025, 0.02, 0.0013
SURELY = 0.85  # of the greatest speed in the fit, which nobody saw; our choice
UNSEEN_RATIO = 0.015  # where most of the way was not seen
CYCLE_S = 0.02  # commands are made anew at least so often; common practice, no source
# What linearizing costs: chosen on odd seeds of tests/accuracy/servo_chain.py, what it did on even ones is told there.
WIDEN = 1.15
NEARLY = 1.5  # the noise of a fit that is to be bettered, in that of the one before; our choice
CAREFUL = 10.0  # evidence is divided by it: what the model lacks is counted in every sample; chosen as `WIDEN` was
# The way between samples turns farther than it is seen to, and that takes up play: shares of the line's error.
UNSEEN_PLAY, UNSEEN_OFFSET = 0.4, 0.12  # chosen as `WIDEN` was
LEAST_MOVES_RAD = 0.01  # less movement tells nothing of a servo; our choice
PLAIN = 0.95  # so sure of an order before it is said; our choice
UNIFORM_VARIANCE, UNIFORM_SPREAD = 1.0 / 12.0, 0.0745  # of U(0, 1), and of its sample variance times the root of n
NOT_EXCITED = "not excited"


@dataclass(frozen=True, slots=True)
class Estimate:
    """One number with its 95 % interval; `value` None and a `reason` where the record does not tell it.

    A bound that is known stays in `low` or `high` then.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    reason: str = ""


UNTOLD = Estimate(None, None, None, NOT_EXCITED)


@dataclass(frozen=True, slots=True)
class Chain:
    """What one record tells of a fin's servo and linkage: angles in rad, times in s.

    `ratio`: fin per horn, negative where the linkage is reversed. `dead_s`: from the command to the first movement.
    `lag_s`: mean delay of what follows, the time constant of a first-order servo. `rate`: greatest rate of the horn
    (rad/s). `order`: "first", "second" or "either". `delay_s`: dead time and lag together, told best. `fastest`: the
    greatest speed that was asked for and reached. `reason` is why nothing at all is told, else "".
    """

    reason: str
    samples: int = 0
    moves: int = 0
    period_s: float = 0.0
    noise: float = 0.0
    ratio: Estimate = UNTOLD
    offset: Estimate = UNTOLD
    play: Estimate = UNTOLD
    dead_s: Estimate = UNTOLD
    lag_s: Estimate = UNTOLD
    delay_s: Estimate = UNTOLD
    rate: Estimate = UNTOLD
    damping: Estimate = UNTOLD
    order: str = ""
    fastest: float = 0.0
    at_rate_limit: Samples = field(default_factory=lambda: (np.zeros(0), np.zeros(0)))
    stops: Stops = Stops()
    is_locked: bool = False


def identify(commanded: Samples, measured: Samples) -> Chain:
    """Return what commanded and measured angles (times in s, angles in rad; any order, of any packets) tell of a servo."""
    asked, seen = clean(commanded), clean(measured)
    if len(asked[0]) < 8 or len(seen[0]) < 8:
        return Chain("too little was heard of it")
    stops = find_stops(asked, seen)
    asked = (asked[0], stops.limited(asked[1]))
    moves = int(np.count_nonzero(np.abs(np.diff(asked[1])) > LEAST_MOVES_RAD / 4.0))
    if np.ptp(asked[1]) < LEAST_MOVES_RAD:
        return Chain("its commands hardly moved", len(seen[0]), moves, stops=stops)
    drive = prepare(asked, seen)
    if drive is None:
        return Chain("too little was heard of it while it moved", len(seen[0]), moves, stops=stops)
    if np.ptp(asked[1]) < 8.0 * drive.noise:
        reason = "its commands moved no more than the measurement's noise"
        return Chain(reason, len(drive.y), moves, drive.period_s, stops=stops)
    fits = _fits(drive)
    return _told(drive, fits, moves, stops)


def _fits(drive: Drive) -> list[Fitted]:
    first = [fit(drive, False, *start, times=2) for start in starts(drive)]
    best = max(first, key=lambda one: one.log_evidence)
    best = fit(drive, False, best.numbers, best.nuisance, NEARLY * best.sigma)
    first.append(best)
    start = best.numbers.copy()
    start[LOG_ZETA], start[DEAD] = np.log(0.9), max(0.0, start[DEAD] - 0.2 * np.exp(start[LOG_LAG]))
    second = fit(drive, True, start, best.nuisance, NEARLY * best.sigma)
    if second.log_evidence < best.log_evidence:
        return [*first, second]
    # The second order may only have got out of a valley.
    back = second.numbers.copy()
    back[LOG_ZETA] = FIRST_ORDER_ZETA
    return [*first, second, fit(drive, False, back, second.nuisance, NEARLY * second.sigma)]


def _told(drive: Drive, fits: list[Fitted], moves: int, stops: Stops) -> Chain:
    evidence = np.array([one.log_evidence for one in fits]) / CAREFUL
    weights = np.exp(evidence - evidence.max())
    weights /= weights.sum()
    mean = weights @ np.stack([one.numbers for one in fits])
    off = np.stack([one.numbers for one in fits]) - mean
    covariance = np.tensordot(weights, np.stack([one.covariance for one in fits]), axes=1) + (weights[:, None] * off).T @ off
    best = fits[int(np.argmax(weights))]
    common = UNIFORM_VARIANCE * CYCLE_S**2
    locked = locked_share(best, drive)
    common += locked * drive.period_s**2
    covariance[DEAD, DEAD] += common
    unseen = BEND_SHARE * float(np.sqrt(np.mean(drive.bend**2))) if len(drive.line) > len(drive.jump) else 0.0
    covariance[PLAY, PLAY] += (UNSEEN_PLAY * unseen) ** 2
    covariance[OFFSET, OFFSET] += (UNSEEN_OFFSET * unseen) ** 2
    covariance[PLAY, PLAY] += BAND_RAD**2
    covariance[LOG_RATE, LOG_RATE] += RATE_SHARE**2
    covariance[LOG_LAG, LOG_LAG] += LAG_SHARE**2
    covariance[RATIO, RATIO] += (UNSEEN_RATIO if unseen else RATIO_SHARE) ** 2
    sigma = WIDEN * np.sqrt(np.diag(covariance))
    second = float(weights[[one.second_order for one in fits]].sum())
    fastest, limited = _speeds(drive, best)
    dead = _dead(float(mean[DEAD]), float(sigma[DEAD]))
    lag_sigma = float(sigma[LOG_LAG])
    lag = _logarithmic(float(mean[LOG_LAG]), lag_sigma, 0.6)
    if lag.value is not None and lag.low is not None and np.exp(mean[LOG_LAG]) < 0.15 * drive.period_s:
        lag = Estimate(None, None, lag.high, "shorter than this telemetry resolves")
    slope = float(np.exp(mean[LOG_LAG]))
    pick = np.zeros(7)
    pick[DEAD], pick[LOG_LAG] = 1.0, slope
    both = float(np.sqrt(pick @ covariance @ pick))
    told = dead.value is not None or lag.value is not None
    delay = _dead(float(mean[DEAD]) + slope, WIDEN * both) if told else UNTOLD
    return Chain(
        "",
        len(drive.y),
        moves,
        drive.period_s,
        best.sigma,
        ratio=_plain(float(mean[RATIO]), float(sigma[RATIO]), 0.1),
        offset=_plain(float(mean[OFFSET]), float(sigma[OFFSET]), 0.02),
        play=_play(drive, float(mean[PLAY]), float(sigma[PLAY])),
        dead_s=dead,
        lag_s=lag,
        delay_s=delay,
        rate=_rate(float(mean[LOG_RATE]), float(sigma[LOG_RATE]), limited, fastest),
        damping=_logarithmic(float(best.numbers[LOG_ZETA]), float(sigma[LOG_ZETA]), 0.25) if second > PLAIN else UNTOLD,
        order="second" if second > PLAIN else "first" if second < 1.0 - PLAIN else "either",
        fastest=fastest,
        at_rate_limit=(drive.cells + drive.dt, limited.astype(float)),
        stops=stops,
        is_locked=locked > 0.0,
    )


def locked_share(fitted: Fitted, drive: Drive) -> float:
    """Return the variance (share of the interval squared) of a moment that all changes seem to have in common.

    Moments of change spread over their intervals, or telemetry and commands run by one clock: then how far into the
    interval they come cannot be told from a dead time.
    """
    from scipy.special import ndtr

    count = len(drive.jump)
    known = fitted.nuisance_sigma[:count] < 0.7
    if known.sum() < 3:
        return UNIFORM_VARIANCE if count else 0.0
    spread = float(np.var(ndtr(fitted.nuisance[:count][known]), ddof=1))
    expected = UNIFORM_VARIANCE - 2.0 * UNIFORM_SPREAD / np.sqrt(known.sum())
    return UNIFORM_VARIANCE - spread if spread < expected else 0.0


def _speeds(drive: Drive, fitted: Fitted) -> tuple[float, Floats]:
    """Return the greatest speed of the horn (rad/s) and where it went at its limit, shape (T,)."""
    numbers, nuisance = fitted.numbers[:, None], fitted.nuisance[:, None]
    horn = simulate(drive, numbers, nuisance, fitted.second_order).horn[:, 0]
    wanted = commands(drive, fitted.nuisance, float(fitted.numbers[DEAD])) - horn
    speed = np.abs(np.diff(horn, prepend=horn[:1])) / drive.dt
    near = np.diff(drive.cells, prepend=drive.cells[:1] - drive.dt) < 1.5 * drive.dt
    speed = np.where(near, speed, 0.0)
    limited = (speed > 0.97 * np.exp(fitted.numbers[LOG_RATE])) & (np.abs(wanted) > drive.noise)
    return float(speed.max()), limited


def _plain(mean: float, sigma: float, most: float) -> Estimate:
    if sigma > most:
        return UNTOLD
    return Estimate(mean, mean - NORMAL_95 * sigma, mean + NORMAL_95 * sigma)


def _dead(mean: float, sigma: float) -> Estimate:
    high = max(mean + NORMAL_95 * sigma, 0.0)
    if sigma > 0.045:
        return UNTOLD
    return Estimate(max(mean, 0.0), max(mean - NORMAL_95 * sigma, 0.0), high)


def _logarithmic(mean: float, sigma: float, most: float) -> Estimate:
    low, high = float(np.exp(mean - NORMAL_95 * sigma)), float(np.exp(mean + NORMAL_95 * sigma))
    return Estimate(float(np.exp(mean)), low, high) if sigma < most else UNTOLD


def _play(drive: Drive, mean: float, sigma: float) -> Estimate:
    high = max(mean, 0.0) + NORMAL_95 * sigma
    if high > 0.5 * float(np.ptp(drive.u)):
        return UNTOLD
    return Estimate(max(mean, 0.0), max(mean - NORMAL_95 * sigma, 0.0), high)


def _rate(mean: float, sigma: float, limited: Floats, fastest: float) -> Estimate:
    """A limit is told where the fit went at it; else only that it is beyond what was asked for."""
    if sigma > 0.3 or not limited.any():
        return Estimate(None, SURELY * fastest, None, NOT_EXCITED)
    return _logarithmic(mean, sigma, 0.3)
