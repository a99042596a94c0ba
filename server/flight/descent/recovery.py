"""Coming down: deployment delay, drift and the wind behind it, where it will land, and where it was last heard.

Under a canopy the vehicle goes with the wind. The wind is taken to grow with height as (z/10 m)^0.16 (common practice,
no source: the engineering form of the surface layer over open ground). So the way it drifted, divided by the time
integral of that factor, is the wind at 10 m; and the drift still to come from height h at descent rate w is
wind * h/w * (h/10 m)^0.16 / 1.16, the integral of the same law to the ground.

Errors, each one sigma per axis: navigation; the wind so far (scatter of blocks of `BLOCK_S`, so that slow turbulence is
not counted as many observations); turbulence still to come; the exponent, which is known to `POWER_SIGMA`; the descent
rate. A circle that holds the place with 95 % has the radius 2.4477 sigma (two axes, chi-square with two degrees).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import exp, hypot, isfinite, log, sqrt

import numpy as np

from protocol.arrays import Floats
from server.flight.descent.geodesy import Geodetic, bearing_deg, moved

POWER = 0.16
POWER_SIGMA = 0.06  # 0.10 over water to 0.22 over scrub; common practice, no source
BLOCK_S = 4.0  # common practice, no source
SETTLE_S = 2.0  # canopies open and the speed of the flight dies away; common practice, no source
RATE_S = 5.0  # time constant of the descent rate; common practice, no source
RATE_SHARE = 0.07  # one sigma, air that rises and sinks and density included; common practice, no source
# Neighboring blocks feel the same eddies: variances of means over blocks are larger by this. Eddies of some 40 m met at
# some 5 m/s live for 8 s, which would make it 6 for turbulence alone; half of the scatter is not turbulence.
BLOCK_MEMORY = 3.0  # common practice, no source
UNKNOWN_WIND_M_S, UNKNOWN_WIND_SHARE = 0.5, 0.25  # one sigma before there are three blocks; common practice, no source
NAVIGATION_SIGMA_M = 3.0  # satellite navigation, horizontal, per axis; common practice, no source
LOWEST_M = 3.0  # below this height the vehicle may already lie on the ground
CIRCLE_95 = 2.447747  # sqrt(-2 ln 0.05)
_LARGEST_M = 1e6


# ---------------------------------------------------------------- delays


@dataclass(frozen=True, slots=True)
class EventDelay:
    """Seconds from one moment to another, negative if it came before, and half the width of what is possible."""

    seconds: float
    within_s: float


def first_on(t_s: Floats, flag: Floats) -> tuple[float, float] | None:
    """Return when a flag was first on: the middle between the samples around it and half their distance (s).

    Arrays of shape (n,), any order; None if it was never on or already on in the first sample (then nobody knows when).
    """
    t, shown = np.asarray(t_s, dtype=np.float64), np.asarray(flag, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(shown)
    t, on = t[good], shown[good] > 0.5
    order = np.argsort(t, kind="stable")
    t, on = t[order], on[order]
    if not on.any() or on[0]:
        return None
    first = int(on.argmax())
    return 0.5 * float(t[first] + t[first - 1]), 0.5 * float(t[first] - t[first - 1])


def delay_after(moment_s: float | None, within_s: float, event: tuple[float, float] | None) -> EventDelay | None:
    """Return the delay of an event, as `first_on` gives it, after a moment (s) known within `within_s`; None if unknown."""
    if moment_s is None or event is None or not isfinite(moment_s):
        return None
    return EventDelay(event[0] - moment_s, event[1] + within_s)


# ---------------------------------------------------------------- drift


@dataclass(frozen=True, slots=True)
class CanopyDrift:
    """Mean drift under canopy so far (m/s east, north), the wind at 10 m it stands for, and one sigma per axis of that."""

    east_m_s: float
    north_m_s: float
    wind_east_m_s: float
    wind_north_m_s: float
    wind_sigma_m_s: float
    descent_m_s: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Spot:
    """Where it will land, meters from the pad, the radius that holds it with 95 %, and the seconds until then."""

    east_m: float
    north_m: float
    radius_95_m: float
    seconds: float


@dataclass(slots=True)
class _Sums:
    """Way east and north, time and integral of the height factor over a stretch of the descent."""

    east: float = 0.0
    north: float = 0.0
    seconds: float = 0.0
    factor_s: float = 0.0


class DriftEstimator:
    """Follows one descent from deployment on, fed with positions in pieces of any length, whatever the cuts.

    Feed it from deployment until landing; positions below `LOWEST_M`, not finite or not later than the last are left
    out. `navigation_sigma_m` is the horizontal error of a position, one sigma per axis.
    """

    def __init__(self, deployment_s: float, navigation_sigma_m: float = NAVIGATION_SIGMA_M) -> None:
        self._begin_s = deployment_s + SETTLE_S
        self._navigation_m = navigation_sigma_m
        self._last: tuple[float, float, float, float] | None = None
        self._rate: float | None = None
        self._all, self._block = _Sums(), _Sums()
        self._height_s = 0.0
        self._count = 0
        # Blocks: sums of weight, weight^2, and of weight^2 times value powers, for the scatter of the mean.
        self._w = self._w2 = 0.0
        self._e = self._n = self._ee = self._nn = 0.0
        self._plain_e = self._plain_n = self._plain_ee = self._plain_nn = 0.0

    def take(self, t_s: Floats, east_m: Floats, north_m: Floats, up_m: Floats) -> None:
        """Take positions in order of time, each shape (n,): seconds and meters east, north, up of the pad."""
        columns = (t_s.tolist(), east_m.tolist(), north_m.tolist(), up_m.tolist())
        for t, east, north, up in zip(*columns, strict=True):
            if not (t >= self._begin_s and LOWEST_M <= up <= _LARGEST_M and isfinite(t)):
                continue
            if not (abs(east) <= _LARGEST_M and abs(north) <= _LARGEST_M):
                continue
            last = self._last
            if last is not None:
                if t <= last[0]:
                    continue
                self._step(t - last[0], east - last[1], north - last[2], up, last[3])
            self._last = (t, east, north, up)

    def _step(self, seconds: float, east: float, north: float, up: float, before: float) -> None:
        factor_s = 0.5 * ((up / 10.0) ** POWER + (before / 10.0) ** POWER) * seconds
        self._height_s += 0.5 * (up + before) * seconds
        for sums in (self._all, self._block):
            sums.east += east
            sums.north += north
            sums.seconds += seconds
            sums.factor_s += factor_s
        rate = (before - up) / seconds
        if self._rate is None:
            self._rate = rate
        self._rate += (rate - self._rate) * (1.0 - exp(-seconds / RATE_S))
        if self._block.seconds >= BLOCK_S:
            self._end_block()

    def _end_block(self) -> None:
        block = self._block
        w = block.factor_s
        east, north = block.east / w, block.north / w
        self._count += 1
        self._w += w
        self._w2 += w * w
        self._e += w * w * east
        self._n += w * w * north
        self._ee += w * w * east * east
        self._nn += w * w * north * north
        self._plain_e += w * east
        self._plain_n += w * north
        self._plain_ee += w * east * east
        self._plain_nn += w * north * north
        self._block = _Sums()

    def _scatter(self) -> tuple[float, float]:
        """Return one sigma per axis of the mean wind at 10 m, and the standard deviation of one block (m/s)."""
        if self._count < 3:
            unknown = hypot(
                UNKNOWN_WIND_M_S, UNKNOWN_WIND_SHARE * hypot(self._all.east, self._all.north) / self._all.factor_s
            )
            return unknown, unknown
        east, north = self._plain_e / self._w, self._plain_n / self._w
        mean = self._ee - 2 * east * self._e + self._nn - 2 * north * self._n + (east**2 + north**2) * self._w2
        one = self._plain_ee / self._w - east**2 + self._plain_nn / self._w - north**2
        small = self._count / (self._count - 1)
        # Both axes feel the same turbulence: half of the sum for each.
        sigma = sqrt(max(0.0, 0.5 * small * mean * BLOCK_MEMORY)) / self._w
        return hypot(sigma, sqrt(2.0) * self._navigation_m / self._all.factor_s), sqrt(max(0.0, 0.5 * small * one))

    def drift(self) -> CanopyDrift | None:
        """Return the drift so far; None before one block is full."""
        sums = self._all
        if self._count < 1 or self._rate is None:
            return None
        return CanopyDrift(
            sums.east / sums.seconds,
            sums.north / sums.seconds,
            sums.east / sums.factor_s,
            sums.north / sums.factor_s,
            self._scatter()[0],
            self._rate,
            sums.seconds,
        )

    def spot(self) -> Spot | None:
        """Return where it will land from its last position; None before one block is full or while it does not sink."""
        drift = self.drift()
        if drift is None or self._last is None or drift.descent_m_s <= 0.2:
            return None
        _, east, north, up = self._last
        seconds = up / drift.descent_m_s
        reach_s = seconds * (up / 10.0) ** POWER / (1.0 + POWER)
        wind = hypot(drift.wind_east_m_s, drift.wind_north_m_s)
        block = self._scatter()[1]
        # What another exponent would change: the wind is known at the mean height of the way so far.
        mean_height = self._height_s / self._all.seconds
        exponent = wind * reach_s * POWER_SIGMA * abs(log(up / mean_height) - 1.0 / (1.0 + POWER))
        sigma = sqrt(
            self._navigation_m**2
            + (drift.wind_sigma_m_s * reach_s) ** 2
            + block**2 * BLOCK_S * BLOCK_MEMORY * reach_s
            + 0.5 * exponent**2
            + 0.5 * (wind * reach_s * RATE_SHARE) ** 2
        )
        return Spot(east + drift.wind_east_m_s * reach_s, north + drift.wind_north_m_s * reach_s, CIRCLE_95 * sigma, seconds)


# ---------------------------------------------------------------- the last place


@dataclass(frozen=True, slots=True)
class LastPlace:
    """Where to walk: distance (m) and bearing (degrees from true north clockwise, None at the pad itself) from the pad.

    `latitude_deg` and `longitude_deg` on WGS 84, None without the pad's own; `radius_95_m` how far off it may be.
    """

    distance_m: float
    bearing_deg: float | None
    latitude_deg: float | None
    longitude_deg: float | None
    radius_95_m: float


def last_place(
    pad: Geodetic | None,
    position_m: tuple[float, float, float],
    *,
    age_s: float,
    drift_m_s: float,
    navigation_sigma_m: float = NAVIGATION_SIGMA_M,
) -> LastPlace | None:
    """Return the place of a position east, north, up of the pad that is `age_s` old; None if it is no position.

    `drift_m_s` is how fast it may have moved since (0 once it lies on the ground). The radius adds the whole way to the
    navigation's 95 % circle.
    """
    east, north, up = position_m
    if not all(isfinite(value) and abs(value) < _LARGEST_M for value in position_m):
        return None
    distance = hypot(east, north)
    place = None if pad is None else moved(pad, east, north, up)
    return LastPlace(
        distance_m=distance,
        bearing_deg=bearing_deg(east, north) if distance > 0.0 else None,
        latitude_deg=None if place is None else place.latitude_deg,
        longitude_deg=None if place is None else place.longitude_deg,
        radius_95_m=CIRCLE_95 * navigation_sigma_m + max(0.0, age_s) * max(0.0, drift_m_s),
    )


# ---------------------------------------------------------------- the best estimate


class Basis(StrEnum):
    """What an estimate of where it lies rests on."""

    LANDED = "landed"
    FORECAST = "forecast"
    LAST = "last"


@dataclass(frozen=True, slots=True)
class Estimate:
    """Where it lies, as well as can be said: from the pad, as in `LastPlace`.

    `radius_95_m` is None where no circle can be given: it was in the air when last heard, and its drift is not known.
    """

    basis: Basis
    distance_m: float
    bearing_deg: float | None
    radius_95_m: float | None


def best_estimate(last: LastPlace | None, spot: Spot | None, *, has_landed: bool) -> Estimate | None:
    """Return where to walk: the point heard once it has landed, before that the forecast; None if neither is known."""
    if has_landed:
        return None if last is None else Estimate(Basis.LANDED, last.distance_m, last.bearing_deg, last.radius_95_m)
    if spot is not None:
        away_m = hypot(spot.east_m, spot.north_m)
        bearing = bearing_deg(spot.east_m, spot.north_m) if away_m > 0.0 else None
        return Estimate(Basis.FORECAST, away_m, bearing, spot.radius_95_m)
    return None if last is None else Estimate(Basis.LAST, last.distance_m, last.bearing_deg, None)


def estimate_text(estimate: Estimate, from_height_m: float | None) -> str:
    """Return an estimate in words; `from_height_m` is the height above the pad of the point it was made from."""
    circle = "" if estimate.radius_95_m is None else f", within {estimate.radius_95_m:.0f} m (95 %)"
    place = away_text(estimate.distance_m, estimate.bearing_deg) + circle
    height = "in the air" if from_height_m is None else f"{from_height_m:.0f} m up"
    if estimate.basis is Basis.LANDED:
        return f"{place}: heard there after it had landed"
    if estimate.basis is Basis.FORECAST:
        return f"{place}: predicted by its drift under canopy, from {height}"
    return f"{place}: only a point heard {height}; how far it drifted from there is not known"


def away_text(distance_m: float, bearing: float | None) -> str:
    """Return a place as distance (m) and bearing (degrees from north clockwise, None at the pad) from the pad."""
    toward = "" if bearing is None else f", bearing {round(bearing) % 360:03d} deg"
    return f"{distance_m:.0f} m from the pad{toward}"
