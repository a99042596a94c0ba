"""Height and climb rate by the ground's own filter, independent of the vehicle's estimate.

A two-state Kalman filter (R. E. Kalman, "A New Approach to Linear Filtering and Prediction Problems", Journal of Basic
Engineering 82, 1960; the discrete form with an acceleration input is in every estimation textbook): state height and
climb rate over the pad, driven by the vertical acceleration, corrected by the barometric height. A barometer sample
further from the prediction than `GATE` standard deviations is left out (ejection spikes, transonic errors), unless so
many in a row disagree that the filter itself must be wrong; then it starts again at the barometer.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

GATE = 5.0  # common practice, no source
REJECTED_IN_A_ROW = 12  # common practice, no source
HIGHEST_M_S2 = 2000.0  # about 200 g, more than such a vehicle's sensors measure; common practice, no source


@dataclass(frozen=True, slots=True)
class VerticalNoise:
    """Standard deviations: barometric height (m), acceleration input (m/s2), acceleration when none is known (m/s2).

    The acceleration is white noise of that size over one IMU period, scaled to the step. Common practice, no source.
    """

    height_m: float = 0.6
    acceleration_m_s2: float = 1.5
    unknown_acceleration_m_s2: float = 25.0


class VerticalFilter:
    """Feeds on (time, vertical acceleration) and (time, height); times in vehicle seconds, ascending.

    A sample not after the last one of its kind, not finite, or beyond `HIGHEST_M_S2`, is ignored. `height_m`,
    `climb_m_s` and the variances `p_height`, `p_climb` hold the estimate; `rejected` counts barometer samples left out.
    """

    def __init__(self, noise: VerticalNoise | None = None) -> None:
        self._noise = noise or VerticalNoise()
        self.time_s: float | None = None
        self.height_m = 0.0
        self.climb_m_s = 0.0
        self.p_height = self.p_cross = self.p_climb = 0.0
        self.acceleration_m_s2 = 0.0
        self._acceleration_s = -1e9
        self.rejected = 0
        self._in_a_row = 0

    def acceleration(self, time_s: float, up_m_s2: float) -> None:
        """Take the vertical acceleration (gravity removed, up positive) at `time_s`."""
        if not abs(up_m_s2) <= HIGHEST_M_S2 or (self.time_s is not None and time_s < self.time_s):
            return
        if self.time_s is not None:
            self._predict(time_s)
        self.acceleration_m_s2, self._acceleration_s = up_m_s2, time_s

    def height(self, time_s: float, height_m: float) -> None:
        """Take one barometric height over the pad at `time_s`."""
        if not isfinite(height_m):
            return
        if self.time_s is None:
            self._start(time_s, height_m)
            return
        if time_s < self.time_s:
            return
        self._predict(time_s)
        innovation = height_m - self.height_m
        variance = self.p_height + self._noise.height_m**2
        if innovation * innovation > GATE * GATE * variance:
            self._reject(time_s, height_m)
            return
        self._in_a_row = 0
        gain_height, gain_climb = self.p_height / variance, self.p_cross / variance
        self.height_m += gain_height * innovation
        self.climb_m_s += gain_climb * innovation
        self.p_climb -= gain_climb * self.p_cross
        self.p_cross *= 1 - gain_height
        self.p_height *= 1 - gain_height

    def _start(self, time_s: float, height_m: float) -> None:
        self.time_s, self.height_m, self.climb_m_s = time_s, height_m, 0.0
        self.p_height, self.p_cross, self.p_climb = self._noise.height_m**2, 0.0, 1.0
        self._in_a_row = 0

    def _reject(self, time_s: float, height_m: float) -> None:
        self.rejected += 1
        self._in_a_row += 1
        if self._in_a_row >= REJECTED_IN_A_ROW:
            climb = self.climb_m_s
            self._start(time_s, height_m)
            self.climb_m_s, self.p_climb = climb, 400.0

    def _predict(self, time_s: float) -> None:
        """Move the estimate to `time_s` under the last acceleration; one older than 0.25 s is no longer believed."""
        dt = time_s - self.time_s
        if dt <= 0.0:
            return
        known = time_s - self._acceleration_s <= 0.25
        up = self.acceleration_m_s2 if known else 0.0
        sigma = self._noise.acceleration_m_s2 if known else self._noise.unknown_acceleration_m_s2
        self.height_m += self.climb_m_s * dt + 0.5 * up * dt * dt
        self.climb_m_s += up * dt
        spread = sigma * sigma * 0.04  # white over one 25 Hz period: power = sigma^2 * 0.04 s
        self.p_height += dt * (2 * self.p_cross + dt * self.p_climb) + spread * dt**3 / 3
        self.p_cross += dt * self.p_climb + spread * dt * dt / 2
        self.p_climb += spread * dt
        self.time_s = time_s
