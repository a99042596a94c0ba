"""Two inertial units disagree: which of them is it, by witnesses that depend on neither?

    force    the barometer: if a unit is right, height less the twice integrated vertical acceleration is a straight line; an
             error of constant acceleration bends it into a parabola, whose least-squares curvature is that error
    rates    what was learned at rest (`imu_rest`); and the navigation's rates, but only when the navigation runs on neither
             unit: with the unit it runs on it agrees whatever that unit says, which proves nothing

Of two units one is taken to be right. With normal errors of equal size the odds that it is A are exp((z_b^2 - z_a^2) / 2),
z being each one's error over its sigma (likelihood ratio of two simple hypotheses: Neyman and Pearson, Phil. Trans. A 231,
1933). A verdict needs odds of 100 to 1, a guilty one beyond `GUILTY_SIGMAS` and an innocent one within `INNOCENT_SIGMAS`;
witnesses that contradict each other make it "cannot tell". Sigmas hold the port in the flow (`PORT_SHARE` of the dynamic
pressure), scale and residuals. Limits and shares are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.sensors.imu_pair import FORCE_SHIFT_M_S2, KINDS, RATE_SHIFT_RAD_S, SCALE
from server.flight.sensors.imu_rest import NO_SENSOR_SAYS, GyroDrift

ODDS = log(100.0)
GUILTY_SIGMAS, INNOCENT_SIGMAS = 3.5, 3.5
PORT_SHARE = 0.01
LONGEST_GAP_S = 0.6
SHORTEST_S = 1.5
FEWEST_HEIGHTS = 15
ATTITUDE_AGE_S = 0.3


@dataclass(frozen=True)
class TimeSeries:
    """Something heard over a window: times (n,) and values (n,) or (n, k), any order, gaps and bad numbers allowed."""

    t_s: Floats
    values: Floats


@dataclass(frozen=True)
class Deviation:
    """How far a unit is from a witness, and one sigma: m/s2 upward for force, rad/s for rates."""

    value: float
    sigma: float


@dataclass(frozen=True)
class Blame:
    """Who disagrees: "a", "b" or None when it cannot be told, and each witness's words."""

    unit: str | None
    reasons: tuple[str, ...]

    @property
    def text(self) -> str:
        """Return "unit A", "unit B" or "cannot tell"."""
        return "cannot tell" if self.unit is None else f"unit {self.unit.upper()}"


def force_error(force: TimeSeries, quaternion: TimeSeries, height: TimeSeries, sigma_m: float = 0.3) -> Deviation | None:
    """Return by how much a unit's vertical acceleration is too great, by the barometer, over the window given.

    `force`: specific force in body axes (n, 3), the pad's bias left in; `quaternion` (n, 4), scalar first, body to world;
    `height` over the pad (n,). None when too little was heard.
    """
    t, body = _clean(force)
    tq, q = _clean(quaternion)
    th, h = _clean(height)
    if len(t) < FEWEST_HEIGHTS or not len(tq) or float(np.diff(t).max()) > LONGEST_GAP_S:
        return None
    right = np.clip(np.searchsorted(tq, t), 1, len(tq) - 1) if len(tq) > 1 else np.zeros(len(t), dtype=np.int64)
    near = np.where(t - tq[right - 1] <= tq[right] - t, right - 1, right)
    if float(np.abs(tq[near] - t).max()) > ATTITUDE_AGE_S:
        return None
    w, x, y, z = (q[near] / np.maximum(np.sqrt((q[near] ** 2).sum(axis=1)), 1e-9)[:, None]).T
    up = (
        2 * (x * z - w * y) * body[:, 0]
        + 2 * (y * z + w * x) * body[:, 1]
        + (1 - 2 * (x * x + y * y)) * body[:, 2]
        - GRAVITY_M_S2
    )
    inside = (th >= t[0]) & (th <= t[-1])
    th, h = th[inside], h[inside, 0]
    if len(th) < FEWEST_HEIGHTS or th[-1] - th[0] < SHORTEST_S:
        return None
    step = np.diff(t)
    climb = np.concatenate(([0.0], np.cumsum(0.5 * (up[1:] + up[:-1]) * step)))
    rise = np.concatenate(([0.0], np.cumsum(step * climb[:-1] + step * step * (2 * up[:-1] + up[1:]) / 6)))
    return _curvature(th, h - np.interp(th, t, rise), np.interp(th, t, climb), float(np.median(_length(body))), sigma_m)


def _curvature(t: Floats, left: Floats, climb: Floats, force: float, sigma_m: float) -> Deviation:
    """Fit a parabola to what the unit leaves of the height; the port's error is drawn through the same fit."""
    tau = t - t.mean()
    design = np.column_stack((np.ones(len(t)), tau, 0.5 * tau * tau))
    inverse = np.linalg.inv(design.T @ design)
    fit = inverse @ (design.T @ left)
    misses = left - design @ fit
    noise = max(sigma_m, sqrt(float(misses @ misses) / (len(t) - 3)))
    speed = climb + float(fit[1])  # the integral starts from nothing; the line's slope is the climb it began with
    port = PORT_SHARE * speed * speed / (2 * GRAVITY_M_S2)
    bent = float((inverse @ (design.T @ port))[2])
    sigma = sqrt(noise * noise * float(inverse[2, 2]) + bent * bent + (SCALE * force) ** 2 + FORCE_SHIFT_M_S2**2)
    return Deviation(-float(fit[2]), sigma)


def rate_error(gyro: TimeSeries, bias: tuple[float, float, float], rates: TimeSeries) -> Deviation | None:
    """Return the length of a unit's median difference (bias taken off) from the navigation's rates over the window.

    `gyro` and `rates` in rad/s, body axes, values (n, 3); `bias` in rad/s. None when too little was heard of both.
    """
    t, unit = _clean(gyro)
    tn, told = _clean(rates)
    if len(t) < FEWEST_HEIGHTS or len(tn) < FEWEST_HEIGHTS:
        return None
    inside = (t >= tn[0]) & (t <= tn[-1])
    if inside.sum() < FEWEST_HEIGHTS:
        return None
    there = np.column_stack([np.interp(t[inside], tn, told[:, axis]) for axis in range(3)])
    apart = unit[inside] - np.array(bias) - there
    middle = np.median(apart, axis=0)
    scatter = 1.4826 * float(np.median(np.abs(apart - middle)))
    size = float(np.median(_length(there)))
    sigma = sqrt(RATE_SHIFT_RAD_S**2 + (SCALE * size) ** 2 + 1.57 * scatter * scatter / float(inside.sum()))
    return Deviation(float(np.sqrt(middle @ middle)), sigma)


def who_disagrees(
    kind: str,
    barometer: tuple[Deviation | None, Deviation | None] = (None, None),
    navigation: tuple[Deviation | None, Deviation | None] = (None, None),
    drift: GyroDrift | None = None,
    navigation_uses: str | None = None,
) -> Blame:
    """Return who it is when `kind` ("accel" or "gyro") disagrees; pairs hold the deviations of unit A and unit B.

    Source: Neyman and Pearson 1933 for the odds; `navigation_uses` names the unit the navigation runs on, None for neither.
    """
    if kind == KINDS[0]:
        return _agreed([_weigh("the barometer", *barometer, "m/s2")])
    said: list[tuple[str | None, str]] = []
    if drift is not None and drift.unit is not None:
        said.append((drift.unit, f"at rest the gyro of unit {drift.unit.upper()} drifted by {drift.rate_rad_s2:.1e} rad/s2"))
    if navigation_uses is None:
        said.append(_weigh("the navigation", *navigation, "rad/s"))
    else:
        said.append((None, f"the navigation runs on unit {navigation_uses.upper()}: agreeing with that one proves nothing"))
    return _agreed(said)


def _weigh(witness: str, a: Deviation | None, b: Deviation | None, unit: str) -> tuple[str | None, str]:
    if a is None or b is None:
        return None, f"{witness} was not heard well enough"
    sigma = max(a.sigma, b.sigma)
    off_a, off_b = abs(a.value) / sigma, abs(b.value) / sigma
    found = f"by {witness} unit A is off by {a.value:+.2g} and unit B by {b.value:+.2g} {unit} (sigma {sigma:.1g})"
    guilty = "a" if off_a > off_b else "b"
    worse, better = max(off_a, off_b), min(off_a, off_b)
    if 0.5 * (worse * worse - better * better) < ODDS or worse < GUILTY_SIGMAS or better > INNOCENT_SIGMAS:
        return None, found
    return guilty, found


def _agreed(said: list[tuple[str | None, str]]) -> Blame:
    named = {unit for unit, _ in said if unit is not None}
    return Blame(named.pop() if len(named) == 1 else None, tuple(words for _, words in said))


def _clean(track: TimeSeries) -> tuple[Floats, Floats]:
    """Return finite samples sorted by time, one per instant, values as (n, k)."""
    t = np.asarray(track.t_s, dtype=np.float64)
    values = np.asarray(track.values, dtype=np.float64)
    if values.ndim == 1:
        values = values[:, None]
    good = np.isfinite(t) & (np.abs(values) < NO_SENSOR_SAYS).all(axis=1)
    t, index = np.unique(t[good], return_index=True)
    return t, values[good][index]


def _length(vectors: Floats) -> Floats:
    length: Floats = np.sqrt((vectors * vectors).sum(axis=1))
    return length
