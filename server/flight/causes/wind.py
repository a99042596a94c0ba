"""One wind with a doubt from what was measured at the pad and from the drift under canopy, as the fit's beginning.

At 10 m over the ground, east and north. Doubts are our choice: a hand-held reading is a quarter or half a meter a second
from the mean of the minute; a drift is that of other heights and other minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from protocol.arrays import Floats

PAD_SHARE, PAD_M_S = 0.25, 0.5
DRIFT_SHARE, DRIFT_M_S = 0.3, 0.8
UNKNOWN_M_S = 4.0  # one sigma to each side where nobody measured; common practice, no source


@dataclass(frozen=True)
class MeanWind:
    """East and north in m/s, shape (2,), their covariance (2, 2), and where it comes from in words."""

    mean: Floats
    cover: Floats
    source: str


def mean_wind(pad_m_s: float | None, drift_m_s: tuple[float, float] | None) -> MeanWind:
    """Return what is believed of the mean wind before the fit: speed at the pad, drift brought down to 10 m, or neither."""
    if drift_m_s is None:
        if pad_m_s is None:
            return MeanWind(np.zeros(2), np.eye(2) * UNKNOWN_M_S**2, "nobody measured the wind")
        # A speed of unknown direction: each component has half of its square.
        return MeanWind(np.zeros(2), np.eye(2) * (0.5 * pad_m_s**2 + _pad_sigma(pad_m_s) ** 2), "the wind at the pad")
    drift = np.array(drift_m_s)
    speed = hypot(*drift_m_s)
    sigma = hypot(DRIFT_M_S, DRIFT_SHARE * speed)
    if pad_m_s is None:
        return MeanWind(drift, np.eye(2) * sigma**2, "the drift under canopy")
    along = drift / speed if speed > 0.0 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    # The direction is the drift's alone, the speed is told by both.
    weights = 1.0 / sigma**2, 1.0 / _pad_sigma(pad_m_s) ** 2
    told = (weights[0] * speed + weights[1] * pad_m_s) / sum(weights)
    # Where the two differ by more than their doubt, the doubt was too small (R. T. Birge, 1932; from memory).
    apart = max(1.0, abs(speed - pad_m_s) / sqrt(1.0 / weights[0] + 1.0 / weights[1]))
    side = sigma * max(told, 0.5) / max(speed, 0.5)
    cover = np.outer(along, along) / sum(weights) * apart**2 + np.outer(across, across) * side**2
    return MeanWind(told * along, cover, "the wind at the pad and the drift under canopy")


def _pad_sigma(speed_m_s: float) -> float:
    return sqrt(PAD_M_S**2 + (PAD_SHARE * speed_m_s) ** 2)
