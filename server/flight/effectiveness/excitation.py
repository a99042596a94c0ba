"""What would have shown an effect: the amplitude a back-and-forth of the fins needed, at the dynamic pressure seen.

From the information matrix of the flight itself (design of experiments; V. Klein and E. A. Morelli, 2006; from memory): the
noise, the lasting push and all other unknowns are those just fitted, only the fins' column is replaced by one of a known
movement. One sigma of the effect goes with one over the amplitude.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats
from server.flight.control.colored_push import LASTING_FACTOR, whitened
from server.flight.control.roll_window import running_integral
from server.flight.effectiveness.axis_fit import AxisFit

PERIODS_S = (0.3, 0.5, 0.8, 1.2)
SERVO_S = 0.04  # what a servo and its linkage take, of first order; common practice, no source
WANTED_SHARE = 0.1  # half a 95 % interval over the effect


@dataclass(frozen=True, slots=True)
class Needed:
    """Fins back and forth by `amplitude_rad` with `period_s` for `seconds` from `start_s` on, at a mean `pressure_pa`."""

    amplitude_rad: float
    period_s: float
    start_s: float
    seconds: float
    pressure_pa: float


def needed(fit: AxisFit, effect: float, start_s: float, end_s: float, wanted_share: float = WANTED_SHARE) -> Needed | None:
    """Return the least back-and-forth that would have told an effect (rad/s2 per Pa and rad) to the wanted share.

    Between two times of the window fitted. None where not even that would show it.
    """
    window = fit.window
    start_s, end_s = max(start_s, float(window.t[0])), min(end_s, float(window.t[-1]))
    inside = (window.grid >= start_s) & (window.grid <= end_s)
    if effect == 0.0 or inside.sum() < 10:
        return None
    sigmas = [_sigma_of_one_radian(fit, _wave(window.grid, inside, period)) for period in PERIODS_S]
    best = int(np.argmin(sigmas))
    if not np.isfinite(sigmas[best]):
        return None
    amplitude = 1.96 * sigmas[best] / (wanted_share * abs(effect))
    return Needed(amplitude, PERIODS_S[best], start_s, end_s - start_s, float(window.pressure[inside].mean()))


def _wave(grid: Floats, inside: np.ndarray, period_s: float) -> Floats:
    """Return fins of one radian back and forth, as a servo follows."""
    from scipy.signal import lfilter

    since = grid - grid[inside][0]
    asked = np.where(inside, np.sign(np.sin(2.0 * np.pi * since / period_s) + 1e-12), 0.0)
    stays = float(np.exp(-(grid[1] - grid[0]) / SERVO_S))
    return np.asarray(lfilter([1.0 - stays], [1.0, -stays], asked), dtype=np.float64)


def _sigma_of_one_radian(fit: AxisFit, wave: Floats) -> float:
    data, best, window = fit.regression, fit.fit.best, fit.window
    column = window.at_samples(running_integral(window.pressure * wave))
    push = (np.array([best.ratio_per_s]), np.array([best.memory_s]))
    everything = np.column_stack([column, data.columns(best.lag_s), data.rate])
    rows = whitened(data.t, data.stretch, everything, *push)[0][0]
    known, rate = rows[:, 1:-1], rows[:, -1]
    weights, *_ = np.linalg.lstsq(known, rate, rcond=1e-10)
    variance = float(((rate - known @ weights) ** 2).sum()) / fit.fit.degrees
    others, *_ = np.linalg.lstsq(known[:, len(fit.used) :], rows[:, 0], rcond=1e-10)
    left = rows[:, 0] - known[:, len(fit.used) :] @ others
    information = float(left @ left)
    if information <= 0.0:
        return float("inf")
    return float(np.sqrt(variance / information)) * (LASTING_FACTOR if best.memory_s > 0.0 else 1.0)
