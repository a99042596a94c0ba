"""Period of a free swing, with its doubt: least squares of a damped sine whose frequency follows its amplitude.

The model of the rate, with the phase's speed w r(A e) and r of the pendulum's own geometry (`pendulum.Hung.slowing`):

    y = r e (a cos p + b sin p) + e^3 (c cos 3p + d sin 3p) + f + g t + h t^2
    e = exp(-k t + j t^2 + i t^3),  p = w times the integral of r(A e)

so that neither air drag by the square of the rate nor a wide swing shifts the period. Another mode (the whole body swaying
on its strings) is found in what is left and fitted along. What is left has color: the covariance is scaled by its spectral
density about the swing's frequency, not by its variance, since only noise there is taken for a change of the period.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, log, pi, sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.weighing.free_swing import BLOCKS_PER_PERIOD, NO_PENDULUM, FreeSwing, free_swing
from server.flight.weighing.pendulum import WIDEST_RAD, Hung, Measured, PendulumProblem

MAIN = 4  # parameters of the swing itself
_RIDGE = 1e-13
OTHERS_AT_MOST, PROMINENT, NEAREST = 2, 15.0, 3.0  # other modes; over the noise about it; in lines of the record: chosen
BAND = (0.6, 1.6)  # of the frequency, where noise is taken for the swing: chosen
LEAST_EXPLAINED, WORST_SHARE, GROWN = 0.9, 0.02, 1.02
CLOCK = 2e-5  # by how much of itself the vehicle's clock is doubted: an ordinary crystal, common practice
GYRO_SCALE = 0.016  # by how much of itself a gyro's scale is doubted, and with it the amplitude: chosen
SWAY_SHARE, SWAY_NEAR = 0.02, 3.0  # sway that cannot be told from the swing, of its amplitude, within so many lines: chosen
_ROUNDS = 3


@dataclass(frozen=True)
class Swing:
    """What swings: axis, period (s) of small swings, amplitude (rad) where it begins, decay (1/s), and what it rests on."""

    axis: str
    period: Measured
    amplitude_rad: float
    decay_per_s: float
    begin_s: float
    end_s: float
    noise_rad_s: float
    explained: float
    others_hz: tuple[float, ...]

    @property
    def swings(self) -> float:
        """How many periods were used."""
        return (self.end_s - self.begin_s) / self.period.value


def swing(t_s: Floats, rates_rad_s: Floats, hung: Hung, axis: str = "auto") -> Swing:
    """Return the swing in a record of turn rates about body axes: times (n,), rates (n, 3). Raises PendulumProblem."""
    fit = _Fit(free_swing(t_s, rates_rad_s, axis), hung)
    for _ in range(_ROUNDS):
        fit.improve()
    while len(fit.others) < OTHERS_AT_MOST and fit.add_other():
        fit.improve()
        if fit.drop_near():
            break
    fit.improve()
    return fit.told()


class _Fit:
    """Nonlinear parameters w, k, j, i and, of each other mode, frequency and decay; all amplitudes are linear."""

    def __init__(self, found: FreeSwing, hung: Hung) -> None:
        self.axis, self.begin_s, self.end_s = found.axis, float(found.t_s[0]), float(found.t_s[-1])
        self.t, self.y = found.t_s - found.t_s[0], found.rate_rad_s
        self.span = float(self.t[-1])
        self._hung = hung
        self._blur = float(np.sinc(1.0 / BLOCKS_PER_PERIOD))  # of an average over a block
        self.main = np.array([2.0 * pi * found.frequency_hz, 1.0 / self.span, 0.0, 0.0])
        self.others: list[tuple[float, float]] = []
        self.amplitude = sqrt(2.0) * float(np.std(self.y[: max(20, len(self.y) // 10)])) / self.main[0]
        self.rest: Floats = self.y
        self._take_speed()
        self._start()

    def _start(self) -> None:
        """Begin at the frequency that fits best: what the whole record showed may miss this stretch by half a turn."""
        tries = self.main[0] + np.arange(-8, 9) * 0.5 * pi / self.span
        costs = [float(np.sum(self._left(np.array([w, *self.main[1:]])) ** 2)) for w in tries]
        self.main[0] = tries[int(np.argmin(costs))]

    def _take_speed(self) -> None:
        """Keep the phase's speed by amplitude: the pendulum's own at the present guess of its period."""
        self._grid = np.linspace(0.0, max(1.5 * min(self.amplitude, 1.0), 1e-3), 40)
        self._speed = 1.0 / self._hung.slowing(self._grid, self._hung.inertia_of(2.0 * pi / self.main[0]))

    def _basis(self, main: Floats) -> Floats:
        w, k, j, i = main[:MAIN]
        envelope = np.exp(np.clip(self.t * (-k + self.t * (j + i * self.t)), -30.0, 3.0))
        speed = np.interp(self.amplitude * envelope, self._grid, self._speed)
        steps = 0.5 * (speed[1:] + speed[:-1]) * np.diff(self.t)
        phase = w * np.concatenate([[0.0], np.cumsum(steps)])
        first, third = speed * envelope, envelope**3
        columns = [first * np.cos(phase), first * np.sin(phase), np.ones(len(self.t))]
        columns += [third * np.cos(3.0 * phase), third * np.sin(3.0 * phase), self.t / self.span, (self.t / self.span) ** 2]
        for place in range(MAIN, len(main), 2):
            damped = np.exp(np.clip(-main[place + 1] * self.t, -30.0, 3.0))
            columns += [damped * np.cos(main[place] * self.t), damped * np.sin(main[place] * self.t)]
        return np.column_stack(columns)

    def _left(self, main: Floats) -> Floats:
        basis = self._basis(main)
        self._linear = np.linalg.solve(basis.T @ basis + _RIDGE * len(basis) * np.eye(basis.shape[1]), basis.T @ self.y)
        left: Floats = self.y - basis @ self._linear
        return left

    @property
    def _scale(self) -> Floats:
        """How far each nonlinear parameter may go before the record shows it."""
        return np.array([1.0, 1.0, 1.0 / self.span, 1.0 / self.span**2] + [1.0, 1.0] * len(self.others)) / self.span

    @property
    def _all(self) -> Floats:
        return np.concatenate([self.main, *self.others]) if self.others else self.main

    def improve(self) -> None:
        """Fit once more, with the amplitude of the last fit in the phase's speed."""
        from scipy.optimize import least_squares

        found = least_squares(self._left, self._all, x_scale=self._scale, max_nfev=40)
        best: Floats = found.x
        self.main = best[:MAIN]
        self.others = [(float(best[i]), float(best[i + 1])) for i in range(MAIN, len(best), 2)]
        self.rest = self._left(best)
        first = float(np.hypot(*self._linear[:2])) / (self.main[0] * self._blur)
        self.amplitude = first / (1.0 + first**2 / 192.0)  # a pendulum's first harmonic is so much more than its amplitude
        if not 0.0 < self.main[0] < 100.0 or not self.amplitude < 4.0:
            raise PendulumProblem(f"{NO_PENDULUM}: no damped sine fits.")
        self._take_speed()

    def add_other(self) -> bool:
        """Take the strongest other line of what is left along; tells whether there is one."""
        hz = np.arange(max(2.0 / self.span, 0.05), min(8.0, 0.4 / float(np.median(np.diff(self.t)))), 0.5 / self.span)
        own = self.main[0] / (2.0 * pi)
        hz = hz[np.abs(hz - own) > NEAREST / self.span]
        if len(hz) < 30:
            return False
        power = self._spectrum(hz)
        at = int(np.argmax(power))
        near = power[(hz > 0.5 * hz[at]) & (hz < 2.0 * hz[at])]
        if power[at] < PROMINENT * float(np.median(near)):
            return False
        self.others.append((2.0 * pi * float(hz[at]), 1.0 / self.span))
        return True

    def drop_near(self) -> bool:
        """Let go of other modes that ran into the swing itself; tells whether there were any."""
        apart = [one for one in self.others if abs(one[0] - self.main[0]) * self.span > 4.0 * pi and one[0] > 0.0]
        dropped, self.others = len(apart) < len(self.others), apart
        return dropped

    def _spectrum(self, hz: Floats) -> Floats:
        """Return the power per sample of what is left at some frequencies: for white noise its variance."""
        window = np.sin(pi * self.t / self.span) ** 2
        weighted = self.rest * window
        turns = 2.0 * pi * self.t
        there = np.array([np.hypot(weighted @ np.cos(turns * f), weighted @ np.sin(turns * f)) for f in hz])
        power: Floats = there**2 / np.sum(window**2)
        return power

    def _noise(self) -> float:
        """Return the density of what is left about the swing's frequency, as a variance per sample."""
        own = self.main[0] / (2.0 * pi)
        hz = np.arange(BAND[0] * own, BAND[1] * own, 1.0 / self.span)
        apart = np.abs(hz - own) > 1.5 / self.span
        for w, _ in self.others:
            apart &= np.abs(hz - w / (2.0 * pi)) > 1.5 / self.span
        power = self._spectrum(hz[apart]) if apart.any() else np.array([float(np.var(self.rest))])
        return float(power.mean()) * (1.0 + 1.0 / len(power))

    def told(self) -> Swing:
        """Return the swing; raises PendulumProblem for what is no pendulum."""
        w, k, j, i = self.main
        left = float(np.var(self.rest))
        trend = np.polyval(np.polyfit(self.t, self.y, 2), self.t)
        explained = 1.0 - left / float(np.var(self.y - trend))
        if explained < LEAST_EXPLAINED:
            raise PendulumProblem(f"{NO_PENDULUM}: a damped sine explains {100.0 * explained:.0f} % of what is seen.")
        if self.amplitude > WIDEST_RAD:
            raise PendulumProblem(f"It swings by {np.degrees(self.amplitude):.0f} degrees: at most 40 can be read.")
        if self.span * (-k + self.span * (j + i * self.span)) > log(GROWN):
            raise PendulumProblem("The swing grows: something drives it, so it tells no inertia.")
        true = sqrt(w**2 + k**2)  # without damping
        sigma = hypot(sqrt(self._noise() * self._normal_inverse()) / w, self._by_scale(), self._by_sway(), CLOCK)
        period = 2.0 * pi / true
        if sigma > WORST_SHARE:
            raise PendulumProblem(f"{NO_PENDULUM} clearly enough: its period is known to {100 * sigma:.1f} % only.")
        return Swing(
            self.axis, Measured(period, sigma * period), self.amplitude, float(k), self.begin_s, self.end_s,
            sqrt(left), explained, tuple(one / (2.0 * pi) for one, _ in self.others),
        )  # fmt: skip

    def _by_scale(self) -> float:
        """Return what a wrong scale of the gyro does to the period of a wide swing, as a share of it."""
        w, k, j, i = self.main
        amplitude = self.amplitude * np.exp(np.clip(self.t * (-k + self.t * (j + i * self.t)), -30.0, 3.0))
        return 2.0 * GYRO_SCALE * float(np.mean(1.0 - np.interp(amplitude, self._grid, self._speed)))

    def _by_sway(self) -> float:
        """Return what a sway of the whole body does that is too near to be told from the swing, as a share of the period."""
        apart = abs(self._hung.sway_hz - self.main[0] / (2.0 * pi)) * self.span
        return SWAY_SHARE * 2.0 / (self.main[0] * self.span) if apart < SWAY_NEAR else 0.0

    def _normal_inverse(self) -> float:
        """Return the variance of w per variance of a sample, with all other parameters free."""
        best = self._all
        basis = self._basis(best)
        moved = []
        for place, step in enumerate(1e-5 * self._scale):
            there = best.copy()
            there[place] += step
            moved.append((self._basis(there) @ self._linear - basis @ self._linear) / step)
        jacobian = np.column_stack([*moved, basis])
        scale = np.linalg.norm(jacobian, axis=0)
        inverse = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale))
        return float(inverse[0, 0] / scale[0] ** 2)
