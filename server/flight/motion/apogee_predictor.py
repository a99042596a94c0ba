"""The apogee as foreseen from burnout on: what stood on the pad, the way up with its instruments' errors, the rest of it.

On the pad the accelerometer's bias is learned: the upright force less gravity, from all but the last seconds, which wait
here so that the way up can be followed from before lift-off, whenever it was noticed. What the bias may have become in
flight is not learned there (`BIAS_SIGMA_M_S2`: warming up, vibration, a pad that leans); without a pad it is as large as
such parts have it; both are common practice, no source. Where no force was heard at all, the heights alone say
(`height_coast`).
"""

from __future__ import annotations

from collections import deque
from math import exp, hypot, sqrt

import numpy as np

from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import SEA_LEVEL_TEMPERATURE_K
from server.flight.motion.air_start import PUSH_M_S2, PUSH_SHARE
from server.flight.motion.coast import FORCE_BIAS_M_S2, THRUST_TAIL_S, Coast, Prediction, predict_apogee
from server.flight.motion.drag_by_mach import DragByMach
from server.flight.motion.drag_curve import USUAL, Shape
from server.flight.motion.height_coast import HeightCoast
from server.flight.motion.way_up import BIAS, DRAG, Before, H, V, WayUp, is_number

HISTORY_S = 4.0
BEFORE_S = 1.0  # before lift-off as noticed, from where it is followed
BIAS_SIGMA_M_S2, UNKNOWN_BIAS_M_S2 = 0.2, 0.7
HANDLED_M_S2 = 3.0  # a force this far from gravity is no vehicle standing upright
FEWEST_AT_REST, MOST_AT_REST = 10, 1000
LONGEST_CLIMB_S = 300.0
LEAST_SPEED_M_S = 15.0
BEFORE_BURNOUT = "no burnout seen yet"
ANOTHER_BURNS = "another motor burns"
CONTRADICTED = "forces and barometer disagree"
TOO_WIDE = "too uncertain"
NO_CLIMB = "no longer climbs"

_Sample = tuple[float, float | None, float, bool]
"""Time, force along the nose (None for a height), upright force or height, whether the sensor was at its end."""


class ApogeePredictor:
    """INCREMENTAL: takes forces, heights, lift-off and every thrust in order of arrival; predicts while it coasts."""

    def __init__(
        self,
        kappa: tuple[float, float] | None = None,
        pad_temperature_k: float | None = None,
        air_told: bool = False,
        shape: Shape = USUAL,
    ) -> None:
        """`kappa` is (1/m, sigma of its logarithm) by the sheet; `air_told` whether the heights are in air that was told."""
        self._kappa, self._air_told, self._shape = kappa, air_told, shape
        self._pad_temperature_k = SEA_LEVEL_TEMPERATURE_K if pad_temperature_k is None else pad_temperature_k
        self._history: deque[_Sample] = deque()
        self._rest, self._rest_count = 0.0, 0
        self._has_attitude = False
        self._across_m_s = 0.0
        self._lift_off_s = self._burnout_s = 1e18
        self.has_force = False
        self._bias_m_s2 = self._fast_m_s = self._strongest_m_s2 = 0.0
        self._heights = HeightCoast(kappa, self._air_told, self._pad_temperature_k, shape)
        self.why_none = BEFORE_BURNOUT  # what stands against the prediction asked for last, "" for nothing
        self.drag = DragByMach(self._shape)
        self.way: WayUp | None = None

    def take_force(self, t_s: float, along_m_s2: float, up_m_s2: float, has_attitude: bool, clipped: bool = False) -> None:
        """Take the specific force along the nose and its upright part (m/s2), turned by an attitude or not."""
        if not is_number(t_s, along_m_s2, up_m_s2):
            return
        self._has_attitude, self.has_force = has_attitude, True
        if self.way is None:
            self._keep((t_s, along_m_s2, up_m_s2, clipped))
        elif t_s - self._lift_off_s < LONGEST_CLIMB_S:
            self._force(t_s, along_m_s2, up_m_s2, clipped)

    def take_height(self, t_s: float, height_m: float) -> None:
        """Take a height over the pad by the barometer alone (m)."""
        if not is_number(t_s, height_m):
            return
        if self.way is None:
            self._keep((t_s, None, height_m, False))
        elif t_s - self._lift_off_s < LONGEST_CLIMB_S:
            self._height(t_s, height_m)

    def lift_off(self, t_s: float) -> None:
        """Say when it left the pad; a second call changes nothing."""
        if self.way is not None:
            return
        self._lift_off_s = t_s
        start_s = t_s - BEFORE_S
        heights = [value for t, along, value, _ in self._history if along is None and t < start_s]
        while self._history and self._history[0][0] < start_s:
            self._drop()
        if self._history:
            start_s = self._history[0][0]
        height = sum(heights) / len(heights) if heights else 0.0
        known = self._rest_count >= FEWEST_AT_REST
        self._bias_m_s2 = self._rest if known else 0.0
        sigma = BIAS_SIGMA_M_S2 if known else UNKNOWN_BIAS_M_S2
        before = Before(sigma, self._has_attitude, self._kappa, self._air_told, self._pad_temperature_k, self._shape)
        self.way = WayUp(before, start_s, height)
        for t, along, value, clipped in self._history:
            if along is None:
                self._height(t, value)
            else:
                self._force(t, along, value, clipped)
        self._history.clear()

    def begin(self, burnout_s: float) -> None:
        """Say when (timeline seconds) the motor burned out; a second call changes nothing unless another one lit."""
        if self._burnout_s > 1e17:
            self._burnout_s = burnout_s
            if self.way is not None:
                self.way.coasts(burnout_s + THRUST_TAIL_S)

    def lit(self, t_s: float) -> None:
        """Say that another motor lit: what was learned of the drag was another vehicle's, and nothing coasts."""
        if t_s < self._lift_off_s:
            return
        self._burnout_s, self._fast_m_s = 1e18, 0.0
        self.drag = DragByMach(self._shape)
        self._heights = HeightCoast(self._kappa, self._air_told, self._pad_temperature_k, self._shape)
        if self.way is not None:
            self.way.burns()

    def predict(self, t_s: float, horizontal_m_s: float | None = None) -> Prediction | None:
        """Return the prediction at the last sample, if there is one: after burnout, while it climbs.

        None also where force and barometer cannot both be right by any error that such instruments have, and where the
        interval would be too wide to be one. `horizontal_m_s` is the vehicle's speed over ground across, None where nobody
        tells it.
        """
        self._across_m_s = 0.0 if horizontal_m_s is None else abs(horizontal_m_s)
        way = self.way
        if not self.has_force:
            return self._by_heights(horizontal_m_s)
        self.why_none = BEFORE_BURNOUT if way is None or t_s < self._burnout_s else CONTRADICTED if way.is_lost else ""
        if way is None or self.why_none:
            return None
        x, covariance = way.x, np.zeros((4, 4))
        covariance[:2, :2] = way.p[:2, :2]
        fitted = self.drag.estimate()
        if fitted is None:
            kappa = exp(float(x[DRAG]))
            rise, by_climb = self._shape.rise * kappa, 0.0
            covariance[:3, :3] = way.p[np.ix_([H, V, DRAG], [H, V, DRAG])] * np.outer([1, 1, kappa], [1, 1, kappa])
            covariance[3, 3] = (self._shape.sigma * kappa) ** 2
        else:
            kappa, rise, scatter = fitted
            by_climb = -2.0
            covariance[2:, 2:] = scatter
            covariance[2, 2] += self._bias_share(way) ** 2
        across = horizontal_m_s
        return self._told(
            Coast(float(x[H]), float(x[V]), kappa, rise, across, covariance, by_climb, self._pad_temperature_k, self._shape)
        )

    def _told(self, state: Coast) -> Prediction | None:
        """Return the prediction, and keep why there is none."""
        found = predict_apogee(state)
        self.why_none = "" if found is not None else TOO_WIDE if state.climb_m_s > 0.0 else NO_CLIMB
        return found

    def _by_heights(self, horizontal_m_s: float | None) -> Prediction | None:
        fitted = self._heights.fit()
        if fitted is None:
            self.why_none = self._heights.why_none
            return None
        covariance = np.zeros((4, 4))
        covariance[:3, :3] = fitted.covariance
        covariance[3, 3] = (self._shape.sigma * fitted.kappa_1_m) ** 2
        h, v, k = fitted.height_m, fitted.climb_m_s, fitted.kappa_1_m
        rise = self._shape.rise * k
        return self._told(Coast(h, v, k, rise, horizontal_m_s, covariance, 0.0, self._pad_temperature_k, self._shape))

    def _bias_share(self, way: WayUp) -> float:
        """Return what a bias not known leaves in kappa, 1/m."""
        speed = max(self._fast_m_s, LEAST_SPEED_M_S)
        return hypot(min(sqrt(max(float(way.p[BIAS, BIAS]), 0.0)), UNKNOWN_BIAS_M_S2), FORCE_BIAS_M_S2) / (speed * speed)

    def _force(self, t_s: float, along: float, up: float, clipped: bool) -> None:
        way = self.way
        assert way is not None
        way.force(t_s, up - self._bias_m_s2, clipped)
        self._strongest_m_s2 = max(self._strongest_m_s2, along)
        pushes = along - self._bias_m_s2 > max(PUSH_M_S2, PUSH_SHARE * self._strongest_m_s2)
        if clipped or pushes or t_s < self._burnout_s + THRUST_TAIL_S:
            return
        climb = float(way.x[V])
        if climb < LEAST_SPEED_M_S or way.is_lost:
            return
        self._fast_m_s = max(climb, 0.7 * self._fast_m_s)
        speed = hypot(climb, self._across_m_s)
        self.drag.take(t_s, -(along - self._bias_m_s2 - float(way.x[BIAS])), speed, float(way.x[H]), way.mach)
        fitted = self.drag.estimate()
        if fitted is not None:
            way.know_drag(fitted[0], hypot(sqrt(float(fitted[2][0, 0])) / fitted[0], 0.1))

    def _height(self, t_s: float, height_m: float) -> None:
        way = self.way
        assert way is not None
        way.height(t_s, height_m)
        if not self.has_force:
            self._heights.take(t_s, height_m)

    def _keep(self, sample: _Sample) -> None:
        history = self._history
        history.append(sample)
        t_s = sample[0]
        while t_s - history[0][0] > HISTORY_S:
            self._drop()

    def _drop(self) -> None:
        """Learn the bias from the oldest sample and let it go."""
        _, along, up, clipped = self._history.popleft()
        if along is None or clipped or not abs(up - GRAVITY_M_S2) < HANDLED_M_S2:
            return
        self._rest_count += 1
        count = self._rest_count if self._rest_count < MOST_AT_REST else MOST_AT_REST
        self._rest += (up - GRAVITY_M_S2 - self._rest) / count
