"""The fit of a servo to one record: damped least squares over its numbers and over all that was not seen between samples.

The nuisances of `drive` are fitted along with a prior of unit variance, so that the covariance of the numbers already holds
what the sampling hides (maximum a posteriori with Laplace's approximation; K. Levenberg 1944, D. Marquardt 1963; from
memory). The noise is what is left over, so that whatever the model lacks widens the intervals.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from math import inf

import numpy as np

from protocol.arrays import Bools, Floats
from server.flight.servo.drive import REACH_S, Drive
from server.flight.servo.model import (
    DEAD,
    FIRST_ORDER_ZETA,
    LOG_LAG,
    LOG_RATE,
    LOG_ZETA,
    OFFSET,
    PLAY,
    RATIO,
    simulate,
)  # fmt: skip

# What is believed before anything is seen, mean and one sigma, in the order of `model`: wide, so that only a number the
# record does not carry comes from here (and is then called not excited). Common practice, no source.
BELIEF = np.array([1.0, 0.0, 0.005, 0.02, np.log(0.05), np.log(8.0), np.log(0.8)])
BELIEF_SIGMA = np.array([1.0, 0.3, 0.03, 0.05, 1.0, 1.2, 0.35])
STEP = np.array([1e-3, 1e-4, 2e-4, 1e-3, 0.02, 0.02, 0.02])  # of the differences
NUISANCE_STEP = 0.1
ROUNDS, TIMES, GOOD_ENOUGH = 4, 4, 3e-3
DAMPING = (0.0, 1e-2, 1.0, 30.0)
FREE_FIRST = np.array([RATIO, OFFSET, PLAY, DEAD, LOG_LAG, LOG_RATE])
FREE_SECOND = np.append(FREE_FIRST, LOG_ZETA)
STARTS = 3
MOMENTS = np.array([-1.4, -0.7, 0.0, 0.7, 1.4])  # of a jump in its interval, as nuisances
CLUSTER_S = 0.5  # residuals within are not taken for independent; our choice
OUTLYING = 6.0  # residuals beyond so many sigma are not the servo's


@dataclass(frozen=True, slots=True)
class Fitted:
    """The numbers (7,) with their covariance (7, 7), nuisances (m,) with their sigmas, residual sigma (rad), evidence."""

    numbers: Floats
    covariance: Floats
    nuisance: Floats
    nuisance_sigma: Floats
    sigma: float
    log_evidence: float
    residual: Floats
    used: Bools
    second_order: bool


def fit(drive: Drive, second_order: bool, start: Floats, nuisance: Floats, noise: float = inf, times: int = TIMES) -> Fitted:
    """Fit from one start, shapes (7,) and (m,).

    `noise` (rad) is where the descent begins to believe the record, if it is less than a fiftieth of the movement; `times`
    bounds how often it is found anew.
    """
    free = FREE_SECOND if second_order else FREE_FIRST
    numbers, nuisance = start.copy(), nuisance.copy()
    used = np.ones(len(drive.y), dtype=bool)
    sigma = max(drive.noise, min(noise, 0.02 * float(np.std(drive.u))))
    for _ in range(times):
        numbers, nuisance, jacobian, residual = _descend(drive, second_order, free, numbers, nuisance, sigma, used)
        normal = _normal(jacobian[used] / sigma, free)
        spare = np.linalg.inv(normal)
        # What the nuisances took is no freedom of the residuals.
        taken = len(free) + len(nuisance) - float(np.trace(spare[len(free) :, len(free) :]))
        left = max(float(used.sum()) - taken, 0.2 * float(used.sum()), 4.0)
        fresh = max(float(np.sqrt((residual[used] ** 2).sum() / left)), 0.5 * drive.noise)
        used = np.abs(residual) < OUTLYING * fresh
        ratio, sigma = fresh / sigma, fresh
        if 0.93 < ratio < 1.07:
            break
    normal = _normal(jacobian[used] / sigma, free)
    covariance = np.linalg.inv(normal).astype(np.float64)
    full = np.zeros((7, 7))
    full[np.ix_(free, free)] = _with_clusters(drive, jacobian, residual / sigma, sigma, used, covariance, len(free))
    misfit = float(np.minimum((residual / sigma) ** 2, OUTLYING**2).sum()) + _prior(numbers, nuisance, free)
    evidence = -0.5 * misfit - len(residual) * np.log(sigma) - 0.5 * float(np.linalg.slogdet(normal)[1])
    evidence -= float(np.log(BELIEF_SIGMA[free]).sum())
    spread = np.sqrt(np.diag(covariance)[len(free) :])
    return Fitted(numbers, full, nuisance, spread, sigma, evidence, residual, used, second_order)


def _with_clusters(
    drive: Drive, jacobian: Floats, residual: Floats, sigma: float, used: Bools, covariance: Floats, count: int
) -> Floats:
    """Return the covariance of the first `count` numbers, at least what residuals alike within half a second make of it.

    What the model lacks leaves residuals that go together for a while; sums of scores over clusters tell what they do to
    the numbers (the "sandwich" of P. J. Huber 1967 for clusters, K.-Y. Liang and S. L. Zeger 1986; from memory).
    """
    scores = (jacobian / sigma) * np.where(used, residual, 0.0)[:, None]
    cluster = np.unique(np.floor(drive.at / CLUSTER_S), return_inverse=True)[1]
    sums = np.zeros((int(cluster.max()) + 1, scores.shape[1]))
    np.add.at(sums, cluster, scores)
    influence = sums @ covariance[:, :count]
    clusters = len(sums)
    robust = influence.T @ influence * clusters / max(clusters - count, 1)
    plain = covariance[:count, :count]
    grown = np.sqrt(np.maximum(np.diag(robust) / np.diag(plain), 1.0))
    widened: Floats = plain * np.outer(grown, grown)
    return widened


def _prior(numbers: Floats, nuisance: Floats, free: Floats) -> float:
    off = (numbers[free] - BELIEF[free]) / BELIEF_SIGMA[free]
    return float((off**2).sum() + (nuisance**2).sum())


def _normal(scaled: Floats, free: Floats) -> Floats:
    weight = np.concatenate((BELIEF_SIGMA[free] ** -2.0, np.ones(scaled.shape[1] - len(free))))
    normal: Floats = scaled.T @ scaled + np.diag(weight)
    return normal


def _descend(
    drive: Drive, second: bool, free: Floats, numbers: Floats, nuisance: Floats, sigma: float, used: Bools
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return numbers, nuisances, the Jacobian (n, free + m) and the residuals (n,) where the descent ends.

    A jump's moment moves the curve as it is found. What a line misses is taken out linearly and the numbers' derivatives
    are those without it: fitted like the moments it would reward whatever makes its own effect large, a ratio above all.
    """
    jumps = len(drive.jump)
    firm = len(free) + jumps
    nuisance = nuisance.copy()
    nuisance[jumps:] = 0.0
    jacobian, residual = _jacobian(drive, second, free, numbers, nuisance)
    for _ in range(ROUNDS):
        scaled = jacobian[used] / sigma
        aside = scaled[:, firm:]
        inner = np.linalg.inv(aside.T @ aside + np.eye(aside.shape[1])).astype(np.float64)

        def misfit(off: Floats, tried: Floats, moments: Floats, aside: Floats = aside, inner: Floats = inner) -> Floats:
            """Return what is left of residuals (n, P) without the lines' errors, and the belief's part."""
            lines = aside.T @ off
            left: Floats = (off**2).sum(0) - (lines * (inner @ lines)).sum(0) + (moments**2).sum(0)
            left += (((tried[free] - BELIEF[free, None]) / BELIEF_SIGMA[free, None]) ** 2).sum(0)
            return left

        before = float(misfit(residual[used, None] / sigma, numbers[:, None], nuisance[:jumps, None])[0])
        normal = _normal(scaled, free)
        right = scaled.T @ (residual[used] / sigma)
        right[:firm] -= np.concatenate(((numbers[free] - BELIEF[free]) / BELIEF_SIGMA[free] ** 2, nuisance[:jumps]))
        moves = np.stack([np.linalg.solve(normal + one * np.diag(np.diag(normal)), right) for one in DAMPING], 1)
        tried = np.repeat(numbers[:, None], len(DAMPING), axis=1)
        tried[free] += np.clip(moves[: len(free)], -BELIEF_SIGMA[free, None], BELIEF_SIGMA[free, None])
        tried[DEAD] = np.clip(tried[DEAD], -0.05, 0.5)
        tried[LOG_LAG] = np.clip(tried[LOG_LAG], np.log(0.002), np.log(2.0))
        asides = np.repeat(nuisance[:, None], len(DAMPING), axis=1)
        asides[:jumps] = np.clip(asides[:jumps] + moves[len(free) : firm], -4.0, 4.0)
        off = (drive.y[used, None] - simulate(drive, tried, asides, second).fin[used]) / sigma
        left = misfit(off, tried, asides[:jumps])
        best = int(np.argmin(left))
        if left[best] >= before:
            break
        numbers, nuisance = tried[:, best].copy(), asides[:, best].copy()
        jacobian, residual = _jacobian(drive, second, free, numbers, nuisance)
        if before - left[best] < GOOD_ENOUGH * before:
            break
    scaled = jacobian[used, firm:] / sigma
    lines = np.linalg.solve(scaled.T @ scaled + np.eye(scaled.shape[1]), scaled.T @ (residual[used] / sigma))
    nuisance[jumps:] = lines
    return numbers, nuisance, jacobian, residual - jacobian[:, firm:] @ lines


def _jacobian(drive: Drive, second: bool, free: Floats, numbers: Floats, nuisance: Floats) -> tuple[Floats, Floats]:
    """Return the derivatives of the fin, shape (n, free + m), and the residuals (n,), by central differences."""
    colors = int(drive.color.max()) + 1 if len(drive.color) else 0
    sets = 1 + 2 * len(free) + 2 * colors
    all_numbers, asides = np.repeat(numbers[:, None], sets, axis=1), np.repeat(nuisance[:, None], sets, axis=1)
    for place, number in enumerate(free):
        all_numbers[number, 1 + 2 * place] += STEP[number]
        all_numbers[number, 2 + 2 * place] -= STEP[number]
    base = 1 + 2 * len(free)
    for color in range(colors):
        asides[drive.color == color, base + 2 * color] += NUISANCE_STEP
        asides[drive.color == color, base + 2 * color + 1] -= NUISANCE_STEP
    fins = simulate(drive, all_numbers, asides, second).fin
    jacobian = np.zeros((len(drive.y), len(free) + len(nuisance)))
    for place, number in enumerate(free):
        jacobian[:, place] = (fins[:, 1 + 2 * place] - fins[:, 2 + 2 * place]) / (2.0 * STEP[number])
    slopes = (fins[:, base::2] - fins[:, base + 1 :: 2]) / (2.0 * NUISANCE_STEP)
    begins, ends = drive.t[drive.nuisances - 1], drive.t[drive.nuisances] + REACH_S
    for place in range(len(nuisance)):
        rows = slice(*np.searchsorted(drive.at, (begins[place], ends[place])).tolist())
        jacobian[rows, len(free) + place] = slopes[rows, drive.color[place]]
    return jacobian, drive.y - fins[:, 0]


def starts(drive: Drive) -> list[tuple[Floats, Floats]]:
    """Return starts of the first-order fit, numbers (7,) and nuisances (m,), the likeliest first.

    A coarse grid, at each point with every jump at the moment in its interval that suits it best: from the middle of all
    intervals the descent would end in the nearest of many valleys.
    """
    grid = np.array(list(product((0.0, 0.03, 0.07), (0.012, 0.03, 0.08), (2.0, 4.0, 8.0, 60.0))))
    numbers = np.repeat(BELIEF[:, None], len(grid), axis=1)
    numbers[RATIO], numbers[OFFSET], numbers[PLAY], numbers[LOG_ZETA] = 1.0, 0.0, 0.0, FIRST_ORDER_ZETA
    numbers[DEAD] = grid[:, 0]
    numbers[LOG_LAG], numbers[LOG_RATE] = np.log(grid[:, 1]), np.log(grid[:, 2])
    aside = np.zeros((len(drive.nuisances), len(grid)))
    fins = simulate(drive, numbers, aside, False).fin
    # The start of a stretch is the angle there whatever the ratio, so the horn itself is fitted by a line.
    middle, level = fins - fins.mean(0), drive.y - drive.y.mean()
    numbers[RATIO] = (middle * level[:, None]).sum(0) / np.maximum((middle**2).sum(0), 1e-12)
    numbers[OFFSET] = drive.y.mean() - numbers[RATIO] * fins.mean(0)
    numbers[PLAY] = BELIEF[PLAY]
    left, moments = _profiled(drive, numbers)
    order = np.argsort(left)
    found = [order[0]]
    most = STARTS if drive.period_s > 0.03 else STARTS - 1  # seldom samples leave more valleys
    for other in order[1:]:
        if len(found) < most and all((grid[other] != grid[one]).sum() > 1 for one in found):
            found.append(other)
    return [(numbers[:, one].copy(), moments[:, one].copy()) for one in found]


def _profiled(drive: Drive, numbers: Floats) -> tuple[Floats, Floats]:
    """Return for each of P sets what is left over, shape (P,), with every jump where it fits best, shape (m, P)."""
    sets, jumps = numbers.shape[1], len(drive.jump)
    every = np.tile(numbers, MOMENTS.size)
    aside = np.zeros((len(drive.nuisances), every.shape[1]))
    aside[:jumps] = np.repeat(MOMENTS, sets)
    off = (drive.y[:, None] - simulate(drive, every, aside, False).fin) ** 2
    sums = np.concatenate((np.zeros((1, every.shape[1])), np.cumsum(off, axis=0)))
    left = sums[-1].reshape(MOMENTS.size, sets)[MOMENTS.size // 2].copy()
    moments = np.zeros((len(drive.nuisances), sets))
    begins = drive.t[drive.jump - 1]
    # Each jump has its answers up to the next one.
    ends = np.minimum(begins + REACH_S, np.append(begins[1:], np.inf))
    rows = np.searchsorted(drive.at, np.stack((begins, ends)))
    for jump in range(jumps):
        here = (sums[rows[1, jump]] - sums[rows[0, jump]]).reshape(MOMENTS.size, sets)
        best = np.argmin(here, axis=0)
        moments[jump] = MOMENTS[best]
        left += here[best, np.arange(sets)] - here[MOMENTS.size // 2]
    return left, moments
