"""Has it left the pad, and is there any reason to think so? By force, by speed gained, by height gained, whichever is first.

    force    the force along the nose exceeded `STRONG_G` for `STRONG_SAMPLES` samples not longer than `PROOF_S` ago, in a
             run that began not longer than `PUSH_S` ago, and the barometer alone surely climbs; handling shakes the force
             (and with it the filtered climb rate), but it does not make the pressure fall
    speed    the force over what it was at rest has added up to `SPEED_M_S` and still pushes, while the barometer surely
             climbs and stands `SPEED_RISEN_M` over the pad: thrust that is little more than the weight
    height   the barometer surely climbs and has risen `HEIGHT_RISEN_M` above where it stood, whatever the force says or
             whether there is one: a frozen accelerometer disables nothing

Speed is a cumulative sum that starts again at nothing (E. S. Page, "Continuous Inspection Schemes", Biometrika 41, 1954),
of at most one g, since more is the first row's and a blow is short;
rest is the force of the last quiet blocks, at most `BIAS_M_S2` over gravity, so that a steady push is no rest. Suspicion is
much less than proof, and all that it does is to stop the learning of the pad. Thresholds are common practice, no source.
"""

from __future__ import annotations

from collections import deque
from math import inf, sqrt

from protocol.units import GRAVITY_M_S2

STRONG_G = 2.0
STRONG_SAMPLES = 3
PROOF_S = 1.0
PUSH_S = 3.0
CLIMBS_M_S = 2.0
CLIMB_WINDOW_S = 0.6
LONG_WINDOW_S = 1.5
BAROMETER_NOISE_M = 0.6
SURE_SIGMAS = 4.0
DOUBT_M = SURE_SIGMAS * BAROMETER_NOISE_M
AFRESH = 64
SPEED_M_S, SPEED_RISEN_M = 3.0, 3.0
DRIFT_M_S2 = 0.25  # of the force over that at rest: half of what a thrust to weight of 1.05 gives
LONGEST_STEP_S = 0.3
HEIGHT_RISEN_M, HEIGHT_CLIMBS_M_S = 15.0, 3.0
STOOD_M, STOOD_S = 3.0, 2.0
BLOCK_S, BLOCK_SAMPLES, QUIET_M_S2 = 1.0, 5, 0.5
BIAS_M_S2 = 1.5
SUSPECT_SPEED_M_S, SUSPECT_CLIMB_M_S, SUSPECT_RISEN_M = 1.0, 0.8, 5.0
SUSPECT_AT_MOST_S = 30.0  # then it was something else: weather, a new place, another attitude


class BarometerClimb:
    """The climb rate of the barometer alone over the last `window_s`: the slope of the least-squares line.

    Slope and its standard deviation, sigma / sqrt(sum (t - mean t)^2), are in every textbook of statistics. The sums run on;
    every `AFRESH` samples they are made anew, so that rounding cannot add up.
    """

    def __init__(self, window_s: float = CLIMB_WINDOW_S) -> None:
        self._window_s = window_s
        self._samples: deque[tuple[float, float]] = deque()
        self._origin_s, self._since_afresh = 0.0, 0
        self._t = self._h = self._tt = self._th = 0.0
        self._surely: float | None = None  # kept until the next sample, since it is asked at every force between them

    def take(self, t_s: float, height_m: float) -> None:
        """Take one unfiltered height over the pad (m) at a time (s); NaN and a sample not after the last are passed over."""
        samples = self._samples
        if height_m != height_m or (samples and t_s <= samples[-1][0]):
            return
        self._surely = None
        samples.append((t_s, height_m))
        self._since_afresh += 1
        start_s = t_s - self._window_s
        origin_s = self._origin_s
        t = t_s - origin_s
        sum_t, sum_h, sum_tt, sum_th = self._t + t, self._h + height_m, self._tt + t * t, self._th + t * height_m
        while samples[0][0] < start_s:
            old_s, old_m = samples.popleft()
            t = old_s - origin_s
            sum_t -= t
            sum_h -= old_m
            sum_tt -= t * t
            sum_th -= t * old_m
        self._t, self._h, self._tt, self._th = sum_t, sum_h, sum_tt, sum_th
        if self._since_afresh >= AFRESH or len(samples) == 1:
            self._begin_afresh(t_s)

    def _begin_afresh(self, t_s: float) -> None:
        samples = self._samples
        self._since_afresh, self._origin_s = 0, t_s
        times = [one_s - t_s for one_s, _ in samples]
        self._t, self._tt = sum(times), sum(t * t for t in times)
        self._h = sum(one_m for _, one_m in samples)
        self._th = sum(t * one_m for t, (_, one_m) in zip(times, samples, strict=True))

    @property
    def span_s(self) -> float:
        """How long it has been heard within the window (s), first to last sample."""
        return self._samples[-1][0] - self._samples[0][0] if self._samples else 0.0

    def surely_m_s(self) -> float:
        """Return a climb rate (m/s) that the true one exceeds but for `SURE_SIGMAS` of noise; few samples prove little."""
        surely = self._surely
        if surely is None:
            spread = self._spread()
            surely = self._slope(spread) - DOUBT_M / sqrt(spread) if spread > 0.0 else -inf
            self._surely = surely
        return surely

    def slope_m_s(self) -> float:
        """Return the climb rate (m/s), 0 while there is none to tell."""
        spread = self._spread()
        return self._slope(spread) if spread > 0.0 else 0.0

    def at_rest_s(self) -> float | None:
        """Return when it stood at height 0, were the acceleration steady since; None where it does not climb.

        At the middle of the window speed is the slope, and height the mean less what the bend adds to it.
        """
        spread, count = self._spread(), len(self._samples)
        slope = self._slope(spread) if spread > 0.0 else 0.0
        if slope <= 0.0:
            return None
        since, mean, bend = 2.0 * self._h / count / slope, self._h / count, spread / count
        for _ in range(3):
            since = 2.0 * (mean - 0.5 * slope / max(since, self._window_s) * bend) / slope
        return self._origin_s + self._t / count - since

    def _spread(self) -> float:
        count = len(self._samples)
        return self._tt - self._t * self._t / count if count > 1 else 0.0

    def _slope(self, spread: float) -> float:
        return (self._th - self._t * self._h / len(self._samples)) / spread


class RestForce:
    """The force along the nose (m/s2) while nothing pushes: the mean of the last quiet block but one; gravity before."""

    def __init__(self, most_over_m_s2: float = BIAS_M_S2) -> None:
        self.along_m_s2 = GRAVITY_M_S2
        self._most_m_s2 = most_over_m_s2
        self._last: float | None = None
        self._start_s = -inf
        self._block: list[float] = []

    def take(self, t_s: float, along_m_s2: float) -> bool:
        """Take one force; return whether it shows that the vehicle stands still."""
        if not t_s - self._start_s > BLOCK_S:
            self._block.append(along_m_s2)
            return False
        stands = self._finish()
        self._start_s, self._block = t_s, [along_m_s2]
        return stands

    def _finish(self) -> bool:
        """A block of scattered or of strong forces is no rest; two quiet ones that follow each other are."""
        count = len(self._block)
        if count < BLOCK_SAMPLES:
            return False
        mean = sum(self._block) / count
        scatter = sqrt(sum((force - mean) ** 2 for force in self._block) / count)
        quiet, before = scatter < QUIET_M_S2 and abs(mean - GRAVITY_M_S2) < self._most_m_s2, self._last
        self._last = mean if quiet else None
        if not quiet or before is None:
            return False
        self.along_m_s2 = before
        return True


class LiftOffWatch:
    """Takes forces along the nose and unfiltered heights over the pad in order of arrival, while it stands there."""

    def __init__(self, climb: BarometerClimb | None = None) -> None:
        """`climb` is fed here as long as heights are, for whoever goes on with it."""
        self._short, self._long = climb or BarometerClimb(), BarometerClimb(LONG_WINDOW_S)
        self._rest = RestForce()
        self._strong: tuple[float, int] | None = None  # when the present run of strong force began, samples in it
        self._pushed: tuple[float, float] | None = None  # first and last sample of the latest run that was long enough
        self._force_s = -inf
        self._excess_m_s2 = 0.0
        self._speed_m_s = 0.0
        self._speed_from_s = 0.0
        self._raw_m = 0.0
        self._stood_from_s: float | None = None
        self._stood_until_s: float | None = None
        self._suspect_from_s: float | None = None
        self.climbs = False  # the barometer alone speaks against standing on the pad
        self.suspects = False  # reason to think that it flies, and to learn nothing of the pad
        self.gave_up = False  # it has suspected for so long that the pad itself must be another

    def force(self, t_s: float, along_m_s2: float) -> None:
        """Take one specific force along the body axis (m/s2, +9.8 at rest nose up)."""
        if along_m_s2 != along_m_s2 or t_s <= self._force_s:
            return
        step = t_s - self._force_s
        if step > LONGEST_STEP_S:
            step = LONGEST_STEP_S
        self._force_s = t_s
        if along_m_s2 > STRONG_G * GRAVITY_M_S2:
            began, count = self._strong or (t_s, 0)
            self._strong = (began, count + 1)
            if count + 1 >= STRONG_SAMPLES:
                self._pushed = (began, t_s)
        else:
            self._strong = None
        rest = self._rest
        if rest.take(t_s, along_m_s2):
            self._speed_m_s = 0.0
        self._excess_m_s2 = excess = along_m_s2 - rest.along_m_s2
        before = self._speed_m_s
        gained = before + ((excess if excess < GRAVITY_M_S2 else GRAVITY_M_S2) - DRIFT_M_S2) * step
        self._speed_m_s = gained if gained > 0.0 else 0.0
        if before == 0.0:
            self._speed_from_s = t_s
        # A force moves neither the barometer nor what it says, so that without any of these nothing can be suspected.
        if gained >= SUSPECT_SPEED_M_S or self.climbs or self._suspect_from_s is not None or self._pushed is not None:
            self._look_for_suspicion(t_s)

    def height(self, t_s: float, raw_m: float) -> None:
        """Take one unfiltered height over the pad (m)."""
        if raw_m != raw_m:
            return
        self._short.take(t_s, raw_m)
        self._long.take(t_s, raw_m)
        self._raw_m = raw_m
        if raw_m < STOOD_M:
            if self._stood_from_s is None:
                self._stood_from_s = t_s
            self._stood_until_s = t_s
        self._look_for_suspicion(t_s)

    def lift_off_s(self, t_s: float) -> float | None:
        """Return since when it flies, as far as that is proven at `t_s`; None while it is not."""
        if self._pushed is not None and t_s - self._pushed[1] <= PROOF_S and t_s - self._pushed[0] <= PUSH_S:
            if self._short.surely_m_s() >= CLIMBS_M_S:
                return self._pushed[0]
        if (
            self._speed_m_s >= SPEED_M_S
            and self._excess_m_s2 > DRIFT_M_S2
            and self._raw_m >= SPEED_RISEN_M
            and self._has_stood
            and self._long.surely_m_s() >= CLIMBS_M_S
        ):
            return self._speed_from_s
        return self._by_height(t_s) if self._raw_m >= HEIGHT_RISEN_M else None

    @property
    def offset_m_s2(self) -> float:
        """What the accelerometer read too much along the nose at rest, nose up; 0 where it read something else."""
        offset = self._rest.along_m_s2 - GRAVITY_M_S2
        return offset if abs(offset) < BIAS_M_S2 else 0.0

    @property
    def _has_stood(self) -> bool:
        from_s, until_s = self._stood_from_s, self._stood_until_s
        return from_s is not None and until_s is not None and until_s - from_s >= STOOD_S

    def _by_height(self, t_s: float) -> float | None:
        """From rest at a steady acceleration it left twice the height over the speed ago, yet after it last stood."""
        if not self._has_stood or self._stood_until_s is None:
            return None
        if self._long.surely_m_s() < HEIGHT_CLIMBS_M_S:
            return None
        climb = self._short.slope_m_s() or self._long.slope_m_s()
        rising_s = sqrt(4.0 * STOOD_M * self._raw_m) / climb  # what the first `STOOD_M` took at that acceleration
        return max(self._short.at_rest_s() or t_s - 2.0 * self._raw_m / climb, self._stood_until_s - rising_s)

    def _look_for_suspicion(self, t_s: float) -> None:
        self.climbs = abs(self._raw_m) >= SUSPECT_RISEN_M or self._long.surely_m_s() >= SUSPECT_CLIMB_M_S
        suspects = (
            self.climbs
            or self._speed_m_s >= SUSPECT_SPEED_M_S
            or (self._pushed is not None and t_s - self._pushed[1] <= PROOF_S)
        )
        if not suspects:
            self._suspect_from_s = None
        elif self._suspect_from_s is None:
            self._suspect_from_s = t_s
        elif t_s - self._suspect_from_s > SUSPECT_AT_MOST_S:
            self._speed_m_s, self._raw_m, self._suspect_from_s = 0.0, 0.0, None
            self._stood_from_s = self._stood_until_s = self._pushed = None
            self.gave_up, suspects = True, False
        self.suspects = suspects
