"""A coast of which only heights are heard: height, climb and drag at its end, fitted to all heights since it began.

Vertical flight under quadratic drag in closed form, backward from the last height: v = vt tan(phi), phi growing by g t / vt,
h falling by vt^2 / g ln(cos / cos), vt^2 = g / k (tests/SOURCES.md, coast). For every k of a grid the two other numbers are
fitted by Gauss-Newton steps, a port in the flow and a lag along with them within their priors (sizes in `way_up`); the
grid's likelihoods times the prior are what is known (Bayes; any textbook), so that heights too few to tell the drag leave it
as wide as it was. Air that is not the standard's is not fitted but added.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import exp, log, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.motion.drag_curve import USUAL, Shape
from server.flight.motion.drag_rise import DENSITY_HEIGHT_M, mach_at
from server.flight.motion.way_up import (
    BAROMETER_M,
    LAG_S,
    LAG_SIGMA_S,
    LASTING_S,
    LEAST_LOG,
    MOST_LOG,
    PORT_SIGMA,
    STRETCH_SIGMA,
    TOLD_STRETCH_SIGMA,
    USUAL_DRAG_G,
    USUAL_DRAG_SPREAD,
)

SLOPE_S, FEWEST_IN_SLOPE = 0.6, 5
SLOWED_SHARE, SLOWED_SIGMAS = 0.06, 4.0
AFTER_GREATEST_S = 0.3  # half a slope after the greatest climb nothing burns
MOST, KEPT = 1000, 60
SLOWING_S, FREE_SHARE = 1.5, 0.6
FEWEST, LEAST_S = 12, 1.0
GRID = np.linspace(-2.5, 2.5, 26)  # sigmas of the prior
STEPS = 4
STEEPEST = 1.55  # rad, short of the closed form's pole
FASTEST_MACH = 0.8  # beyond, shocks move over the port: heights alone carry no promise


@dataclass(frozen=True, slots=True)
class FittedCoast:
    """Height over the pad (m), climb (m/s), kappa at low speed and pad density (1/m); covariance (3, 3) of these."""

    height_m: float
    climb_m_s: float
    kappa_1_m: float
    covariance: Floats


class HeightCoast:
    """INCREMENTAL: takes heights from lift-off on; coasts once the climb has surely fallen below its greatest.

    Only what has burned out slows down by `SLOWED_SHARE`; common practice, no source.
    """

    def __init__(
        self, kappa: tuple[float, float] | None, air_told: bool, pad_temperature_k: float, shape: Shape = USUAL
    ) -> None:
        """`kappa` is (1/m, sigma of its logarithm) by the sheet; else drag is about the weight at the greatest climb."""
        self._kappa, self._pad_temperature_k, self._shape = kappa, pad_temperature_k, shape
        self._stretch = TOLD_STRETCH_SIGMA if air_told else STRETCH_SIGMA
        self._recent: deque[tuple[float, float]] = deque()
        self._samples: deque[tuple[float, float]] = deque(
            maxlen=MOST
        )  # since it coasts below the shocks, as far as is known
        self._greatest = (0.0, 0.0, 0.0)  # m/s, its sigma, when
        self._slopes: deque[tuple[float, float, float]] = deque()
        self._climb_m_s = 0.0
        self.coasts = False

    def take(self, t_s: float, height_m: float) -> None:
        """Take one height (m)."""
        recent = self._recent
        if recent and t_s <= recent[-1][0]:
            return
        recent.append((t_s, height_m))
        self._samples.append((t_s, height_m))
        while t_s - recent[0][0] > SLOPE_S:
            recent.popleft()
        if len(recent) < FEWEST_IN_SLOPE or t_s - recent[0][0] < 0.5 * SLOPE_S:
            return
        slope, sigma = _slope(np.array(recent))
        self._climb_m_s = slope
        if slope > self._greatest[0]:
            self._greatest = (slope, sigma, t_s)
        greatest, its_sigma, _ = self._greatest
        least = max(SLOWED_SHARE * greatest, SLOWED_SIGMAS * sqrt(sigma * sigma + its_sigma * its_sigma))
        self.coasts = greatest - slope > least and t_s - self._greatest[2] > SLOPE_S
        is_fast = mach_at(slope, height_m, self._pad_temperature_k) > FASTEST_MACH
        burns = is_fast or slope == greatest or self._surely_burns(t_s, slope, sigma)
        from_s = t_s - AFTER_GREATEST_S if burns else self._greatest[2] + AFTER_GREATEST_S
        while self._samples and self._samples[0][0] < from_s:
            self._samples.popleft()

    def _surely_burns(self, t_s: float, slope: float, sigma: float) -> bool:
        """Return whether it slows by less than its weight alone would slow it: then something still pushes."""
        slopes = self._slopes
        slopes.append((t_s, slope, sigma))
        while t_s - slopes[0][0] > SLOWING_S:
            slopes.popleft()
        since_s, before, its_sigma = slopes[0]
        if t_s - since_s < 0.7 * SLOWING_S:
            return False
        doubt = sqrt(sigma * sigma + its_sigma * its_sigma)
        return before - slope + doubt < FREE_SHARE * GRAVITY_M_S2 * (t_s - since_s)

    @property
    def why_none(self) -> str:
        """Why `fit` has nothing to say; "" where it has."""
        samples = self._samples
        if not self.coasts:
            return "no slowing down seen yet"
        if len(samples) >= FEWEST and samples[-1][0] - samples[0][0] >= LEAST_S:
            return ""
        return f"too few heights below Mach {FASTEST_MACH}"

    def fit(self) -> FittedCoast | None:
        """Return what the heights since burnout say; None before, and where they are too few or too fast."""
        samples = self._samples
        if self.why_none:
            return None
        table = np.array(samples)[:: max(1, len(samples) // KEPT)]
        back, heights = float(table[-1, 0]) - table[:, 0], table[:, 1]
        greatest, middle = self._greatest[0], float(heights.mean())
        thin = exp(-middle / DENSITY_HEIGHT_M)
        at_greatest = thin * self._shape.factor(mach_at(greatest, middle, self._pad_temperature_k))
        usual = (USUAL_DRAG_G * GRAVITY_M_S2 / (greatest * greatest) / at_greatest, USUAL_DRAG_SPREAD)
        kappa, spread = self._kappa or usual
        log_k = np.clip(log(kappa) + spread * GRID, LEAST_LOG, MOST_LOG)
        left = heights - np.polyval(np.polyfit(back, heights, 2), back)
        scatter = max(float(left @ left) / (len(heights) - 3), BAROMETER_M**2)
        scatter *= max(1.0, LASTING_S * (len(heights) - 1) / max(float(back[0]), 1e-3))
        states, own, surprise = _fitted(log_k, thin, max(self._climb_m_s, 1.0), back, heights, scatter)
        surprise = surprise + GRID**2
        weight = np.exp(-0.5 * (surprise - surprise.min()))
        weight /= weight.sum()
        mean = weight @ states
        off = states - mean
        covariance = (off * weight[:, None]).T @ off
        covariance[:2, :2] += np.tensordot(weight, own, axes=1)
        height, climb, k = float(mean[0]), float(mean[1]), exp(float(mean[2]))
        stretch = np.array([self._stretch * height, self._stretch * climb, 0.0])
        covariance += np.outer(stretch, stretch)
        units = np.array([1.0, 1.0, k])
        return FittedCoast(height, climb, k, covariance * np.outer(units, units))


def _fitted(
    log_k: Floats, thin: float, climb_m_s: float, back_s: Floats, heights_m: Floats, variance_m2: float
) -> tuple[Floats, Floats, Floats]:
    """Return (height, climb, log k) for each k, shape (k, 3), its covariance (k, 2, 2) of the first two, and minus twice
    the logarithm of its likelihood, shape (k,). Port and lag are fitted along, as far from zero and usual as they may be.
    """
    terminal = np.sqrt(GRAVITY_M_S2 / (np.exp(log_k) * thin))[:, None]
    climb = np.full((len(log_k), 1), climb_m_s)
    prior = np.diag([0.0, 0.0, 1.0 / PORT_SIGMA**2, 1.0 / LAG_SIGMA_S**2])
    for _ in range(STEPS):
        fallen, speeds = _fallen(terminal, climb, back_s)
        by_climb = (_fallen(terminal, 1.01 * climb + 0.01, back_s)[0] - fallen) / (0.01 * climb + 0.01)
        left = heights_m - fallen + LAG_S * speeds
        rows = np.stack([np.ones_like(fallen), by_climb, speeds * speeds / (2.0 * GRAVITY_M_S2), -speeds], axis=-1)
        normal = np.einsum("kni,knj->kij", rows, rows) / variance_m2 + prior
        covariance = np.linalg.inv(normal)
        found = np.einsum("kij,knj,kn->ki", covariance, rows, left) / variance_m2
        climb = np.clip(climb + found[:, 1:2], 1.0, 3.0 * climb_m_s)
    left = left - np.einsum("kni,ki->kn", rows, found)
    surprise = (left * left).sum(axis=1) / variance_m2 + (found * (found @ prior)).sum(axis=1)
    surprise += np.linalg.slogdet(normal)[1]
    return np.column_stack([found[:, 0], climb[:, 0], log_k]), covariance[:, :2, :2], surprise


def _fallen(terminal: Floats, climb: Floats, back_s: Floats) -> tuple[Floats, Floats]:
    """Return how much lower (m, negative) it was `back_s` before it had that climb, and its climb then, shape (k, n)."""
    now = np.arctan(climb / terminal)
    then = np.minimum(now + GRAVITY_M_S2 * back_s / terminal, STEEPEST)
    return -(terminal**2) / GRAVITY_M_S2 * np.log(np.cos(now) / np.cos(then)), terminal * np.tan(then)


def _slope(samples: Floats) -> tuple[float, float]:
    """Return the slope of the line through (time, height), shape (n, 2), and its sigma by the scatter about the line."""
    t = samples[:, 0] - samples[:, 0].mean()
    h = samples[:, 1] - samples[:, 1].mean()
    spread = float(t @ t)
    slope = float(t @ h) / spread
    left = h - slope * t
    return slope, sqrt(max(float(left @ left) / (len(t) - 2), 0.05) / spread)
