"""When thrust no longer overcame drag, by a share of the boost, with one sigma that counts gaps and a slow end.

An accelerometer's zero may be off by more than the drag of a slow vehicle, so that "below nothing" may never come. What it
read at rest is taken off, and the motor counts as burnt out when the force along the nose is under `SHARE` of the boost's
for `SAMPLES` samples. Between two samples of a thrust that already falls the force is a straight line; from full thrust, or
across a burst of loss, the middle is the best guess. A thrust that ends slowly has no instant: the time from twice that
share to nothing widens sigma. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np

from protocol.arrays import Floats

SHARE = 0.05
SAMPLES = 3
STRAIGHT_GAP_S, FALLING = 0.06, 0.7
STAMP_S = 0.004  # time stamps and the sensor's own averaging
SLOW_END_S = 0.5


@dataclass(frozen=True)
class Burnout:
    """When (s), how sure (one sigma, s)."""

    t_s: float
    sigma_s: float


def burnout(t_s: Floats, along_m_s2: Floats, offset_m_s2: float) -> Burnout | None:
    """Return the end of the boost that a stretch of forces along the nose begins with; None where it shows none.

    Arrays of shape (n,), sorted by time; `offset_m_s2` is what the accelerometer read too much at rest.
    """
    force = along_m_s2 - offset_m_s2
    if len(force) < SAMPLES + 1 or force.max() <= 0.0:
        return None
    level = float(np.median(force[force >= 0.5 * force.max()]))
    low = force <= SHARE * level
    lasting = low[:-2] & low[1:-1] & low[2:]
    after = np.flatnonzero(lasting)
    if not len(after) or after[0] == 0:
        return None
    first = int(after[0])
    gap = float(t_s[first] - t_s[first - 1])
    fallen = (force[first - 1] - SHARE * level) / (force[first - 1] - force[first])
    share = float(fallen) if gap <= STRAIGHT_GAP_S and force[first - 1] < FALLING * level else 0.5
    thrusts = np.flatnonzero(force[:first] >= 2.0 * SHARE * level)
    ended = np.flatnonzero(force[first:] <= 0.0)
    begin_s = float(t_s[thrusts[-1]]) if len(thrusts) else float(t_s[0])
    end_s = float(t_s[first + ended[0]]) if len(ended) else float(t_s[first])
    slow = max(0.0, min(end_s - begin_s, SLOW_END_S) - gap)
    return Burnout(float(t_s[first - 1]) + share * gap, hypot(gap / 3.46, 0.5 * slow, STAMP_S))
