"""Heights over the pad as the descent's parts take them, and the straight line through some of them."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats

SAMPLES_IN_BLOCK = 3
NORMAL_MAD = 1.4826  # one sigma of a normal distribution over its median absolute deviation
# Rising and sinking air and swinging, one sigma of a rate over a second: of any rate, and as a share of it.
AIR_M_S, AIR_SHARE = 0.4, 0.06
SLOWEST_M_S = 0.7  # below it nothing comes down


@dataclass(frozen=True)
class Heights:
    """Heights over the pad: times (s), heights (m) as measured, both (n,), in order, and one sigma (m)."""

    t_s: Floats
    height_m: Floats
    sigma_m: float


def heights_of(t_s: ArrayLike, height_m: ArrayLike, start_s: float, end_s: float, sigma_m: float = 0.3) -> Heights:
    """Return what can be used of heights of any order, with gaps, repeats and numbers that are none, within a window."""
    t, height = np.asarray(t_s, dtype=np.float64), np.asarray(height_m, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        good = (t >= start_s) & (t <= end_s) & (np.abs(height) < 1e5)
    t, index = np.unique(t[good], return_index=True)
    return Heights(t, height[good][index], sigma_m)


def line(t: Floats, y: Floats) -> tuple[float, float, float]:
    """Return slope of the least-squares line, the sum of squares of time about its mean, and rms of what is left."""
    tau = t - t.mean()
    spread = float(tau @ tau)
    slope = float(tau @ y) / spread
    left = y - y.mean() - slope * tau
    return slope, spread, sqrt(float(left @ left) / max(len(t) - 2, 1))
