"""A motor that lights in the air: is it one, and since when, with one sigma.

In a coast the force along the nose is drag, so that one which pushes (over `PUSH_M_S2` and a share of the boost's) is a
motor, a canopy that pulls the nose to the rear, or a blow. Heights tell them apart: after a motor the vehicle is higher than
the coast before would have it, by the force integrated twice; behind a canopy it is lower by as much, after a blow neither.
The coast before is a straight line of the last heights under gravity and the drag felt then, or, where the coast was too
short for one, the filter's own height and climb. It is a motor once the heights
show `GAIN_SHARE` of what the force gives, by more than `SURE_SIGMAS` of what heights and line may be off; a port that lags
or looks into the flow delays this. The vehicle's own word that a motor has lit is believed where no force is heard at all.

When it lit is where the force left the coast's: after the last sample that was still like those before. Thresholds are
common practice, no source.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import hypot, inf, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2

PUSH_M_S2, PUSH_SHARE = 3.0, 0.05
PAUSE_S, PAUSE_SAMPLES = 0.1, 3  # a run of pushing forces is over after both
LEAST_GAIN_M_S = 6.0
GAIN_SHARE, SURE_SIGMAS = 0.25, 4.0
LOOKS_S = 2.5  # after a push nothing more is seen of it
HEIGHT_M, DRAG_SHARE = 0.6, 0.3
LINE_S, FEWEST_HEIGHTS, DRAG_S = 1.0, 5, 0.5
FILTER_M_S, FILTER_SHARE = 1.5, 0.03  # one sigma of the filter's climb soon after a boost
LONGEST_STEP_S = 0.3

BEFORE_S, PUSHES_S = 1.0, (0.05, 0.4)
FEWEST_FORCES = 3
LEAST_STEP_M_S2, STEP_SHARE, STEP_SIGMAS = 1.5, 0.1, 4.0
STAMP_S = 0.004


class AirStartWatch:
    """INCREMENTAL: takes forces along the nose less their offset, and unfiltered heights, while it coasts."""

    def __init__(self, boost_m_s2: float, motion: tuple[float, float, float]) -> None:
        """`boost_m_s2` is the strongest force of the boost before, `motion` the filter's time, height and climb now."""
        self._push_m_s2 = max(PUSH_M_S2, PUSH_SHARE * boost_m_s2)
        self._heights: deque[tuple[float, float]] = deque()
        self._drags: deque[tuple[float, float]] = deque()
        self._force_s = -inf
        self._start_s: float | None = None  # of the push that is looked at
        self._pushed_s = 0.0  # when it pushed last
        self._rests = 0  # samples since then
        self._gain_m_s = self._rise_m = 0.0
        self._line: tuple[float, float, float, float, float] | None = None  # time, height, slope, its sigma, acceleration
        self._filter = motion
        self._word_s: float | None = None
        self.strongest_m_s2 = 0.0
        self._latest = (0.0, 0.0, 0.0)

    @property
    def pushes(self) -> bool:
        """Whether something pushes or did just now, so that the coast before foretells nothing."""
        return self._start_s is not None or self._word_s is not None

    def force(self, t_s: float, own_m_s2: float) -> None:
        """Take one specific force along the nose (m/s2), what it read too much at rest already off."""
        if own_m_s2 != own_m_s2 or t_s <= self._force_s:
            return
        step, self._force_s = min(t_s - self._force_s, LONGEST_STEP_S), t_s
        pushes = own_m_s2 > self._push_m_s2
        if self._start_s is None:
            if not pushes:
                self._drags.append((t_s, own_m_s2))
                while t_s - self._drags[0][0] > DRAG_S:
                    self._drags.popleft()
                return
            self._begin(t_s)
        self._rise_m += self._gain_m_s * step + 0.5 * max(own_m_s2, 0.0) * step * step
        self._gain_m_s += max(own_m_s2, 0.0) * step
        self._latest = (*self._latest[1:], own_m_s2)
        self.strongest_m_s2 = max(self.strongest_m_s2, min(self._latest))
        if pushes:
            self._pushed_s, self._rests = t_s, 0
            return
        self._rests += 1
        is_over = self._rests >= PAUSE_SAMPLES and t_s - self._pushed_s > PAUSE_S
        if is_over and (self._gain_m_s < LEAST_GAIN_M_S or t_s - self._pushed_s > LOOKS_S):
            self._start_s = None

    def height(self, t_s: float, raw_m: float, height_m: float, climb_m_s: float) -> None:
        """Take one unfiltered height over the pad (m), and the filter's height (m) and climb (m/s) then."""
        if self._start_s is None:
            self._filter = (t_s, height_m, climb_m_s)
        if raw_m != raw_m or (self._heights and t_s <= self._heights[-1][0]):
            return
        self._heights.append((t_s, raw_m))
        while t_s - self._heights[0][0] > LINE_S and self._start_s is None:
            self._heights.popleft()

    def word(self, t_s: float) -> None:
        """Take the vehicle's word that a motor lit."""
        self._word_s = t_s

    def lit_s(self) -> float | None:
        """Return since when a motor surely burns, or burned, None while nothing shows one."""
        if self._word_s is not None:
            return self._word_s
        if self._start_s is None or self._line is None or self._gain_m_s < LEAST_GAIN_M_S:
            return None
        t_s, height_m = self._heights[-1]
        if t_s <= self._start_s:
            return None
        mean_s, mean_m, slope, sigma, up_m_s2 = self._line
        since = t_s - mean_s
        coast_m = mean_m + slope * since + 0.5 * up_m_s2 * since * since
        rise_m = self._rise_m + self._gain_m_s * (t_s - self._force_s)  # to this height's instant
        drag_m = 0.5 * DRAG_SHARE * abs(up_m_s2 + GRAVITY_M_S2) * since * since
        doubt_m = hypot(HEIGHT_M, sigma * since, drag_m)
        is_motor = height_m - coast_m > max(GAIN_SHARE * rise_m, SURE_SIGMAS * doubt_m)
        return self._start_s if is_motor else None

    def _begin(self, t_s: float) -> None:
        """A push begins: the coast before is a line from now on."""
        self._start_s, self._pushed_s, self._rests = t_s, t_s, 0
        self._gain_m_s = self._rise_m = self.strongest_m_s2 = 0.0
        self._latest = (0.0, 0.0, 0.0)
        self._line = None
        drag = sum(force for _, force in self._drags) / len(self._drags) if self._drags else 0.0
        up = min(drag, 0.0) - GRAVITY_M_S2
        known = [(t, h) for t, h in self._heights if t >= t_s - LINE_S]
        if len(known) < FEWEST_HEIGHTS:
            self._line = (*self._filter, FILTER_M_S + FILTER_SHARE * abs(self._filter[2]), up)
            return
        table = np.array(known)
        at = table[:, 0] - table[:, 0].mean()
        straight = table[:, 1] - 0.5 * up * at * at
        spread = float(at @ at)
        slope = float(at @ straight) / spread
        left = straight - straight.mean() - slope * at
        scatter = max(HEIGHT_M, sqrt(float(left @ left) / max(len(at) - 2, 1)))
        self._line = (float(table[:, 0].mean()), float(straight.mean()), slope, scatter / sqrt(spread), up)


@dataclass(frozen=True)
class Ignition:
    """When (s), how sure (one sigma, s)."""

    t_s: float
    sigma_s: float


def ignition(t_s: Floats, own_m_s2: Floats, heard_s: float) -> Ignition | None:
    """Return when the push that was first seen at `heard_s` began; None where too little was heard.

    Arrays of shape (n,), sorted by time, from a second before to half a second after; forces less their offset.
    """
    before = own_m_s2[(t_s >= heard_s - BEFORE_S) & (t_s < heard_s)]
    after = own_m_s2[(t_s >= heard_s + PUSHES_S[0]) & (t_s <= heard_s + PUSHES_S[1])]
    first = int(np.searchsorted(t_s, heard_s))
    if len(before) < FEWEST_FORCES or not len(after) or first == 0 or first >= len(t_s):
        return None
    level = float(np.median(before))
    scatter = 1.4826 * float(np.median(np.abs(before - level)))
    excess = float(np.median(after)) - level
    least = max(STEP_SIGMAS * scatter, STEP_SHARE * excess, LEAST_STEP_M_S2)
    while first > 1 and own_m_s2[first - 1] - level > least:
        first -= 1
    gap = float(t_s[first] - t_s[first - 1])
    # What a slow rise hides under the threshold.
    risen = np.flatnonzero(own_m_s2[first:] - level > 0.5 * excess)
    rise_s = float(t_s[first + risen[0]] - t_s[first]) if len(risen) else 0.0
    return Ignition(0.5 * float(t_s[first] + t_s[first - 1]), hypot(gap / 3.46, 0.25 * rise_s, STAMP_S))
