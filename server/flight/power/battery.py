"""Where the charge goes: coulombs by rail, minutes left on the pad, and how far the voltage sags under load.

Charge is the time integral of current; the trapezoid rule between samples. Run time: tests/SOURCES.md, run-time.
A silence longer than `LONGEST_GAP_S` is bridged with the running mean current of the time before it and
counted as estimated.

Sag: the internal resistance from the steps between neighboring samples, R = -sum(dV dI)/sum(dI^2), so that the slow fall
of the open-circuit voltage drops out. Neighboring steps share a sample and are therefore correlated; the standard error
is the greater of the one for white voltage noise and the one of Newey and West (Econometrica 55, 1987) with one lag.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite, sqrt

from protocol.arrays import Floats

LONGEST_GAP_S = 5.0
MEAN_S = 10.0  # time constant of the running mean; common practice, no source
HIGHEST_A = 1000.0  # more is no current of such a vehicle; common practice, no source
COUNT_SHARE = 0.005  # of two good current sensors; common practice, no source
SAG_GAP_S = 2.0  # between samples further apart the load may have come and gone; common practice, no source
SAG_STEPS_A = 0.15  # root of the sum of squared current steps that says anything; common practice, no source
SAG_FEWEST = 8  # common practice, no source
VOLTAGE_NOISE_V = 0.0005  # never believed better: half a step of 1 mV; common practice, no source


# ---------------------------------------------------------------- charge by rail


class RailCharge:
    """Adds up the charge of one rail from samples in any pieces; the result does not depend on how they are cut.

    `used_c` is the charge since the first sample (C), `estimated_c` the part of it over silences, `mean_a` the running
    mean current over about `MEAN_S` (None before the first sample), `heard_s` the time the charge is about. A sample
    that is not finite, beyond `HIGHEST_A`, or not later than the last one is left out. `sigma_c` is the standard error
    of the charge because the load switches at unknown moments between samples: a step of dI somewhere in an interval dt
    errs by |dI| dt / sqrt(12) (uniform distribution); half the charge of a silence is added
    to it. A load that goes on and off again between two samples is seen by nobody.
    """

    def __init__(self) -> None:
        self.used_c = 0.0
        self.estimated_c = 0.0
        self.heard_s = 0.0
        self._variance = 0.0
        self.mean_a: float | None = None
        self.last_a = 0.0
        self._last_s: float | None = None

    @property
    def sigma_c(self) -> float:
        """Standard error of the charge, C."""
        return sqrt(self._variance)

    def take(self, t_s: Floats, current_a: Floats) -> None:
        """Take samples in order: times (s) and currents (A), each shape (n,)."""
        for t, current in zip(t_s.tolist(), current_a.tolist(), strict=True):
            if not (abs(current) <= HIGHEST_A and isfinite(t)):
                continue
            if self._last_s is None:
                self._last_s, self.last_a, self.mean_a = t, current, current
                continue
            step = t - self._last_s
            if step <= 0.0:
                continue
            if step > LONGEST_GAP_S:
                charge = self.mean_a * step
                self.estimated_c += charge
                self._variance += 0.25 * charge * charge
            else:
                charge = 0.5 * (current + self.last_a) * step
                change = (current - self.last_a) * step
                self._variance += change * change / 12.0
            self.used_c += charge
            self.heard_s += step
            self.mean_a += (current - self.mean_a) * (1.0 - exp(-step / MEAN_S))
            self._last_s, self.last_a = t, current


@dataclass(frozen=True, slots=True)
class CountCheck:
    """The vehicle's own count against the sum of the rails over the same time (C), and their difference as a share.

    `agree` says whether the difference is within 3 standard errors of the rails and half a percent of the count.
    """

    vehicle_c: float
    rails_c: float
    estimated_c: float
    sigma_c: float
    share: float | None
    agree: bool


class OwnCount:
    """Follows the vehicle's own charge counter; `since_first_c` is what it has counted since it was first heard.

    A counter that falls back has started anew (the vehicle restarted): what it had counted is kept. Samples must be in
    order of time.
    """

    def __init__(self) -> None:
        self.since_first_c = 0.0
        self.now_c: float | None = None

    def take(self, used_c: Floats) -> None:
        """Take the counter's values (C), shape (n,); those that are not finite are left out."""
        for used in used_c.tolist():
            if not (isfinite(used) and used >= 0.0):
                continue
            if self.now_c is not None:
                self.since_first_c += used - self.now_c if used >= self.now_c else used
            self.now_c = used


def check_count(vehicle_c: float, rails: Sequence[RailCharge]) -> CountCheck:
    """Compare what the vehicle counted (C) since it was first heard with the rails (all heard since the same time).

    The limit of 3 sigma and `COUNT_SHARE` is common practice, no source.
    """
    total = sum(rail.used_c for rail in rails)
    share = (total - vehicle_c) / vehicle_c if vehicle_c > 0.0 else None
    # Rails may switch together, so their errors add up instead of averaging out.
    sigma = sum(rail.sigma_c for rail in rails)
    agree = abs(total - vehicle_c) <= 3.0 * sigma + COUNT_SHARE * vehicle_c
    return CountCheck(vehicle_c, total, sum(rail.estimated_c for rail in rails), sigma, share, agree)


# ---------------------------------------------------------------- time and energy left


def minutes_left(capacity_c: float, reserve_c: float, used_c: float, current_a: float) -> float | None:
    """Return the minutes until only the reserve is left at a steady current; 0 when it is reached, None without current.

    Charge in C, current in A. Source: charge = current x time; tests/SOURCES.md, run-time.
    """
    left = capacity_c - reserve_c - used_c
    if not (isfinite(left) and isfinite(current_a)) or current_a <= 0.0:
        return None
    return max(0.0, left) / current_a / 60.0


@dataclass(frozen=True, slots=True)
class PadTime:
    """Minutes on the pad until the flight reserve is reached, with the cameras on and off; None when not known."""

    cameras_on_min: float | None
    cameras_off_min: float | None


def pad_time(
    capacity_c: float, reserve_c: float, used_c: float, other_a: float | None, cameras_on_a: float | None
) -> PadTime:
    """Return the minutes left: `other_a` is drawn by everything but the cameras, `cameras_on_a` by all of them running.

    Charges in C, currents in A, None where not known. Source: as `minutes_left`.
    """
    if other_a is None:
        return PadTime(None, None)
    off = minutes_left(capacity_c, reserve_c, used_c, other_a)
    on = None if cameras_on_a is None else minutes_left(capacity_c, reserve_c, used_c, other_a + cameras_on_a)
    return PadTime(on, off)


# ---------------------------------------------------------------- sag


@dataclass(frozen=True, slots=True)
class Sag:
    """Internal resistance (ohm, volts of sag per ampere) with its standard error and 95 % interval, or why there is none."""

    reason: str
    steps: int
    resistance_ohm: float | None = None
    sigma_ohm: float | None = None
    low_ohm: float | None = None
    high_ohm: float | None = None


class SagMeter:
    """Collects steps of voltage and current from samples in any pieces; `result` gives the resistance of all of them."""

    def __init__(self) -> None:
        self._last: tuple[float, float, float] | None = None
        self._step: tuple[float, float] | None = None  # the step that ended at the last sample
        self._count = 0
        self._xx = self._xy = self._yy = 0.0
        self._x4 = self._x3y = self._xxyy = 0.0
        self._next_xx = self._next_0 = self._next_1 = self._next_2 = 0.0  # products of neighboring steps

    def take(self, t_s: Floats, voltage_v: Floats, current_a: Floats) -> None:
        """Take samples in order, each shape (n,); those that are not finite or not later than the last are left out."""
        for t, v, i in zip(t_s.tolist(), voltage_v.tolist(), current_a.tolist(), strict=True):
            if not (isfinite(t) and abs(i) <= HIGHEST_A and abs(v) <= HIGHEST_A):
                continue
            last = self._last
            if last is not None:
                if t <= last[0]:
                    continue
                if t - last[0] <= SAG_GAP_S:
                    self._add(i - last[2], v - last[1])
                else:
                    self._step = None
            self._last = (t, v, i)

    def _add(self, x: float, y: float) -> None:
        self._count += 1
        xx, xy = x * x, x * y
        self._xx += xx
        self._xy += xy
        self._yy += y * y
        self._x4 += xx * xx
        self._x3y += xx * xy
        self._xxyy += xy * xy
        if self._step is not None:
            px, py = self._step
            self._next_xx += px * x
            self._next_0 += px * x * py * y
            self._next_1 += px * x * (py * x + px * y)
            self._next_2 += px * x * px * x
        self._step = (x, y)

    def result(self) -> Sag:
        """Return the resistance (ohm) of everything taken so far, or why there is none; error after Newey and West."""
        if self._count < SAG_FEWEST:
            return Sag(f"{self._count} steps between power packets, {SAG_FEWEST} needed", self._count)
        if self._xx < SAG_STEPS_A**2:
            return Sag("the current did not change enough", self._count)
        r = -self._xy / self._xx
        white = max((self._yy + r * self._xy) / (2 * (self._count - 1)), VOLTAGE_NOISE_V**2)
        # sum of (x - next x)^2, the ends included
        plain = white * max(2.0 * (self._xx - self._next_xx), 0.0)
        own = self._xxyy + 2.0 * r * self._x3y + r * r * self._x4
        beside = self._next_0 + r * self._next_1 + r * r * self._next_2
        sigma = sqrt(max(plain, own + 2.0 * beside)) / self._xx
        # Student's t at 97.5 %, first term of the Cornish-Fisher expansion (Abramowitz and Stegun 26.7.5).
        half = (1.95996 + 2.3722 / (self._count - 1)) * sigma
        return Sag("", self._count, r, sigma, r - half, r + half)
