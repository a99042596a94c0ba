"""Height and climb rate by the ground's own filter, independent of the vehicle's estimate.

A two-state Kalman filter (R. E. Kalman, "A New Approach to Linear Filtering and Prediction Problems", Journal of Basic
Engineering 82, 1960; the discrete form with an acceleration input is in every estimation textbook): state height and
climb rate over the pad, driven by the vertical acceleration, corrected by the barometric height. Its variances are meant to
be believed, so it counts what makes honest samples err:

    between two accelerations  the second one tells how the first changed: a straight line is put in afterwards, with the
                               variance of one half of that triangle, as a shock is shorter than a sample
    a doubted acceleration     an error of that size that holds for the whole step
    no acceleration            an unknown one that holds for the whole step, so that a gap of T seconds leaves T^2, not T^1.5
    a port in the flow         an error of `PORT_SHARE` of the dynamic pressure (that share of v^2 / 2g in meters), `LAG_S`
    an ejection's puff         a barometer sample further from the prediction than `GATE` standard deviations is left out;
                               those after it count for less, by the size of what was left out, decaying with `PUFF_S`; the
                               kick that comes with it adds `KICK_M_S` to the climb rate's uncertainty

If `REJECTED_IN_A_ROW` samples disagree for at least `REJECTED_S`, the filter itself must be wrong: it starts again at the
barometer, with the climb that the rejected heights themselves show (least-squares line), since the climb it had is what
they disagreed with. All of these numbers are common practice, no source. tests/accuracy and the tests hold what they lead
to.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf

from protocol.units import GRAVITY_M_S2

TWICE_GRAVITY_M_S2 = 2.0 * GRAVITY_M_S2
GATE = 5.0
REJECTED_IN_A_ROW = 12
REJECTED_S = 0.5
HIGHEST_M_S2 = 2000.0  # about 200 g, more than such a vehicle's sensors measure
HELD_S = 0.25  # an acceleration older than this is no longer believed
PORT_SHARE = 0.01
LAG_S = 0.02
PUFF_S = 0.1
KICK_M_S = 2.0
RESTART_CLIMB_M_S = 20.0
SURPRISE_S, REJECTED_SURPRISE = 1.0, 5.0  # what a height left out counts for: half a second of them is no puff
FORGOTTEN_CLIMB_M_S = 5.0


@dataclass(frozen=True, slots=True)
class VerticalNoise:
    """Standard deviations: barometric height (m), acceleration input (m/s2), acceleration when none is known (m/s2).

    The acceleration is white noise of that size over one IMU period, scaled to the step; an unknown one holds for the step.
    Common practice, no source.
    """

    height_m: float = 0.6
    acceleration_m_s2: float = 2.5
    unknown_acceleration_m_s2: float = 25.0


class VerticalFilter:
    """Feeds on (time, vertical acceleration) and (time, height); times in vehicle seconds, ascending.

    A sample not after the last one of its kind or before any other, not finite, or beyond `HIGHEST_M_S2`, is ignored.
    `height_m`, `climb_m_s` and the variances `p_height`, `p_climb` (and `p_cross`) hold the estimate; `rejected` counts
    barometer samples left out; `surprise` is the mean square of the last heights' distance from the prediction over what
    was believed, near 1 while the accelerations are true.
    """

    def __init__(self, noise: VerticalNoise | None = None) -> None:
        noise = noise or VerticalNoise()
        self._height_noise = noise.height_m**2
        self._spread = noise.acceleration_m_s2**2 * 0.04  # white over one 25 Hz period: power = sigma^2 * 0.04 s
        self._unknown_m_s2 = noise.unknown_acceleration_m_s2
        self.time_s: float | None = None
        self.height_m = 0.0
        self.climb_m_s = 0.0
        self.p_height = self.p_cross = self.p_climb = 0.0
        self.acceleration_m_s2 = self._doubt_m_s2 = 0.0
        self._acceleration_s = self._height_s = self._start_s = -1e9
        self.rejected = 0
        self.surprise = 1.0
        self._in_a_row = 0
        self._first_rejected_s = 0.0
        self._disagreeing: list[tuple[float, float]] = []  # time (s) and height (m) of the samples rejected in a row
        self._puff_m, self._puff_s = 0.0, -1e9

    @property
    def is_rejecting(self) -> bool:
        """Whether the last barometer sample was left out: the estimate and what it hears are apart, and one is wrong."""
        return self._in_a_row > 0

    def acceleration(self, time_s: float, up_m_s2: float, doubt_m_s2: float = 0.0) -> None:
        """Take the vertical acceleration (m/s2, gravity removed, up positive) at `time_s`.

        `doubt_m_s2`: one sigma of an error that holds until the next one, as of a sensor at the end of its range.
        """
        if not (-HIGHEST_M_S2 <= up_m_s2 <= HIGHEST_M_S2 and self._acceleration_s < time_s < inf):  # false for NaN
            return
        if self.time_s is not None:
            if time_s < self.time_s:
                return
            self._predict(time_s)
            if time_s - self._acceleration_s <= HELD_S:
                self._straighten(time_s, up_m_s2 - self.acceleration_m_s2)
        self.acceleration_m_s2, self._acceleration_s, self._doubt_m_s2 = up_m_s2, time_s, doubt_m_s2

    def height(self, time_s: float, height_m: float) -> None:
        """Take one barometric height over the pad (m) at `time_s`."""
        if not (-inf < height_m < inf and self._height_s < time_s < inf):  # false for NaN
            return
        if self.time_s is None:
            self._start(time_s, height_m)
            return
        if time_s < self.time_s:
            return
        passed_s, self._height_s = time_s - self._height_s, time_s
        self._predict(time_s)
        innovation = height_m - self.height_m
        p_height, p_cross = self.p_height, self.p_cross
        variance = p_height + self._height_variance()
        if innovation * innovation > GATE * GATE * variance:
            self._surprised(REJECTED_SURPRISE, passed_s)
            self._reject(time_s, height_m, innovation)
            return
        since = time_s - self._puff_s
        if since < 10.0 * PUFF_S:
            variance += (self._puff_m * exp(-since / PUFF_S)) ** 2
        self._surprised(innovation * innovation / variance, passed_s)
        self._in_a_row = 0
        gain_height, gain_climb = p_height / variance, p_cross / variance
        self.height_m += gain_height * innovation
        self.climb_m_s += gain_climb * innovation
        self.p_climb -= gain_climb * p_cross
        self.p_cross = p_cross * (1.0 - gain_height)
        self.p_height = p_height * (1.0 - gain_height)

    def _surprised(self, square: float, passed_s: float) -> None:
        keep = exp(-(passed_s if passed_s < SURPRISE_S else SURPRISE_S) / SURPRISE_S)
        self.surprise = keep * self.surprise + (1.0 - keep) * square

    def forget_acceleration(self) -> None:
        """The accelerations so far were wrong: go on by the barometer alone until another one comes."""
        self.acceleration_m_s2, self._acceleration_s = 0.0, -1e9
        self.p_climb += FORGOTTEN_CLIMB_M_S**2
        self.surprise = 1.0

    def _height_variance(self) -> float:
        """Return the variance of a barometric height at the present speed."""
        climb = self.climb_m_s
        port, lag = PORT_SHARE * climb * climb / TWICE_GRAVITY_M_S2, LAG_S * climb
        return self._height_noise + port * port + lag * lag

    def _start(self, time_s: float, height_m: float) -> None:
        self.time_s, self.height_m, self.climb_m_s = time_s, height_m, 0.0
        self.p_height, self.p_cross, self.p_climb = self._height_noise, 0.0, 1.0
        self._height_s = self._start_s = time_s
        self._in_a_row, self._puff_m = 0, 0.0

    def _reject(self, time_s: float, height_m: float, innovation: float) -> None:
        if not self._in_a_row:
            self._disagreeing = []
            self.p_climb += KICK_M_S**2
        self.rejected += 1
        self._in_a_row += 1
        self._puff_m, self._puff_s = innovation, time_s
        self._disagreeing = [*self._disagreeing[1 - REJECTED_IN_A_ROW :], (time_s, height_m)]
        self._first_rejected_s = time_s if self._in_a_row == 1 else self._first_rejected_s
        if self._in_a_row >= REJECTED_IN_A_ROW and time_s - self._first_rejected_s >= REJECTED_S:
            climb = _slope(self._disagreeing)
            self._start(time_s, height_m)
            self.climb_m_s, self.p_climb = climb, RESTART_CLIMB_M_S**2

    def _straighten(self, time_s: float, change_m_s2: float) -> None:
        """Put in what a straight line from the last acceleration to this one adds to the last one held."""
        since_s = self._acceleration_s
        span = time_s - (since_s if since_s >= self._start_s else self._start_s)
        step = change_m_s2 * span
        self.climb_m_s += 0.5 * change_m_s2 * span
        self.height_m += step * span / 6.0
        variance = 0.25 * step * step
        self.p_climb += variance
        self.p_cross += 0.5 * span * variance
        self.p_height += 0.25 * span * span * variance

    def _predict(self, time_s: float) -> None:
        """Move the estimate to `time_s` under the last acceleration, or under an unknown one."""
        dt = 0.0 if self.time_s is None else time_s - self.time_s
        if dt <= 0.0:
            return
        known = time_s - self._acceleration_s <= HELD_S
        up = self.acceleration_m_s2 if known else 0.0
        self.height_m += self.climb_m_s * dt + 0.5 * up * dt * dt
        self.climb_m_s += up * dt
        p_cross, p_climb = self.p_cross, self.p_climb
        p_height = self.p_height + dt * (2.0 * p_cross + dt * p_climb)
        p_cross += dt * p_climb
        if known:
            spread = self._spread
            p_height += spread * dt**3 / 3.0
            p_cross += spread * dt * dt / 2.0
            p_climb += spread * dt
        if not known or self._doubt_m_s2:
            gained = (self._doubt_m_s2 if known else self._unknown_m_s2) * dt
            p_height += (0.5 * gained * dt) ** 2
            p_cross += 0.5 * gained * gained * dt
            p_climb += gained * gained
        self.p_height, self.p_cross, self.p_climb = p_height, p_cross, p_climb
        self.time_s = time_s


def _slope(samples: list[tuple[float, float]]) -> float:
    """Return the slope of the least-squares line through (time, height); at least two times (any textbook of statistics)."""
    mean_t = sum(t for t, _ in samples) / len(samples)
    spread = sum((t - mean_t) ** 2 for t, _ in samples)
    return sum((t - mean_t) * height for t, height in samples) / spread
