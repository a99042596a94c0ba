"""How fast it left the rail, and what a cross wind makes of that.

On the rail only motion along it is free: acceleration = specific force along the nose - g cos(tilt), and
v^2 / 2 = integral of acceleration over the way. Taken over the way, the speed at the end hardly depends on the instant of
ignition, which a lost packet hides; the time of the exit does. For constant acceleration this is v = sqrt(2 a L), the
rows of tests/SOURCES.md, rail-exit. Between samples the acceleration is a straight line; across the gap in which it starts
it is taken as a quick ramp (`RAMP_S`) in the middle. Thresholds: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, hypot, isfinite, sqrt

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.unmeasured import Unmeasured

MOVING_M_S2 = 4.0
LOOK_BACK_S, LOOK_AHEAD_S = 1.5, 3.0
EARLY_S = 0.05
RAMP_S = 0.03  # a motor of this class is at thrust within some hundredths of a second
LONGEST_GAP_S = 0.25
FEWEST = 3
BIAS_M_S2 = 0.1
# Within a gap thrust may leave the straight line by this share of itself.
CURVE_SHARE = 0.1
STAMP_S = 0.004  # time stamps, the sensor's own averaging, and the launch lugs' play at the rail's end
Z95 = 1.959964


@dataclass(frozen=True, slots=True)
class RailExit:
    """Time (s) and speed (m/s) at the rail's end with one sigma each, the 95 % interval of speed, and what it rests on."""

    t_s: float
    sigma_t_s: float
    speed_m_s: float
    sigma_m_s: float
    low_m_s: float
    high_m_s: float
    samples: int
    longest_gap_s: float


def rail_exit(
    t_s: ArrayLike, along_nose_m_s2: ArrayLike, lift_off_s: float, rail_length_m: float, tilt_rad: float
) -> RailExit | Unmeasured:
    """WINDOW: return the exit from the rail out of specific forces along the nose (m/s2), of all IMUs in one array.

    Arrays of shape (n,) in any order; `lift_off_s` only says where to look; `tilt_rad` is the rail from the vertical.
    """
    if not (isfinite(lift_off_s) and isfinite(tilt_rad) and isfinite(rail_length_m) and rail_length_m > 0.0):
        return Unmeasured("lift-off, rail length or tilt unknown")
    t, a = _net(t_s, along_nose_m_s2, lift_off_s, tilt_rad)
    first = _first_moving(t, a, lift_off_s)
    if first is None:
        return Unmeasured("no acceleration near lift-off")
    if first == 0 or t[first] - t[first - 1] > LONGEST_GAP_S:
        return Unmeasured("nothing heard as it started to move")
    start = float(t[first - 1])
    spare = max(0.0, float(t[first]) - start - RAMP_S)
    nominal = _ride(t[first:], a[first:], start + 0.5 * spare, rail_length_m)
    if nominal is None:
        return Unmeasured("too little heard on the rail")
    sigma_on = hypot(spare / sqrt(12.0), STAMP_S)
    shifted = _ride(t[first:], a[first:], start + 0.5 * spare + sigma_on, rail_length_m) or nominal
    exit_s, speed, used, gap, way = nominal
    energy = hypot(BIAS_M_S2 * rail_length_m, CURVE_SHARE * way)
    sigma = hypot(energy / speed, shifted[1] - speed, STAMP_S * abs(a[first + used - 1]))
    sigma_t = hypot(shifted[0] - exit_s, STAMP_S, sigma / max(abs(float(a[first + used - 1])), MOVING_M_S2))
    return RailExit(exit_s, sigma_t, speed, sigma, max(0.0, speed - Z95 * sigma), speed + Z95 * sigma, used, gap)


def _net(t_s: ArrayLike, force: ArrayLike, lift_off_s: float, tilt_rad: float) -> tuple[Floats, Floats]:
    """Return times and accelerations along the rail near lift-off, without what the units read while at rest."""
    t, a = np.asarray(t_s, dtype=np.float64), np.asarray(force, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(a)
    good[good] = (t[good] > lift_off_s - LOOK_BACK_S) & (t[good] < lift_off_s + LOOK_AHEAD_S)
    t, where = np.unique(t[good], return_inverse=True)
    # Two units at one instant: their mean.
    a = np.bincount(where, a[good]) / np.bincount(where) if len(t) else np.zeros(0)
    a = a - GRAVITY_M_S2 * cos(tilt_rad)
    rest = a[(t < lift_off_s - 0.3) & (np.abs(a) < 1.0)]
    return t, a - (float(rest.mean()) if len(rest) >= 10 else 0.0)


def _first_moving(t: Floats, a: Floats, lift_off_s: float) -> int | None:
    """Return the index of the first sample of the run of strong acceleration that holds at lift-off or begins there."""
    moving = a > MOVING_M_S2
    near = np.flatnonzero(moving & (t >= lift_off_s - EARLY_S))
    if len(near) == 0 or t[near[0]] > lift_off_s + LONGEST_GAP_S:
        return None
    first = int(near[0])
    while first > 0 and moving[first - 1]:
        first -= 1
    return first


def _ride(t: Floats, a: Floats, start_s: float, length_m: float) -> tuple[float, float, int, float, float] | None:
    """Integrate from rest; return (exit time, speed, samples on the rail, longest gap, way-weighted doubt in m2/s2)."""
    knots = [(start_s, 0.0), (min(start_s + RAMP_S, float(t[0])), float(a[0])), *zip(t.tolist(), a.tolist(), strict=True)]
    speed = way = doubt = 0.0
    longest, used = float(t[0]) - start_s, 0
    for (t0, a0), (t1, a1) in zip(knots, knots[1:], strict=False):
        step = t1 - t0
        if step <= 0.0:
            used += t1 >= t[0]
            continue
        if step > LONGEST_GAP_S:
            return None
        longest, used = max(longest, step), used + (t1 >= t[0])
        jerk = (a1 - a0) / step
        gained = speed * step + a0 * step**2 / 2 + jerk * step**3 / 6
        if way + gained >= length_m:
            inside = _crossing(speed, a0, jerk, length_m - way, step)
            doubt = hypot(doubt, _doubt(a0, a1, step, length_m - way))
            end = speed + a0 * inside + jerk * inside**2 / 2
            return (t0 + inside, end, used, longest, doubt) if used >= FEWEST and end > 0.0 else None
        doubt = hypot(doubt, _doubt(a0, a1, step, gained))
        way += gained
        speed = max(0.0, speed + a0 * step + jerk * step**2 / 2)
    return None


def _doubt(a0: float, a1: float, step_s: float, way_m: float) -> float:
    """How much of the energy gained between two samples is a guess: more the longer they are apart."""
    return 0.5 * (abs(a0) + abs(a1)) * abs(way_m) * min(1.0, step_s / 0.1)


def _crossing(speed: float, a0: float, jerk: float, way_m: float, step_s: float) -> float:
    """Return when a cubic way passes `way_m`, by bisection."""
    low, high = 0.0, step_s
    for _ in range(50):
        middle = 0.5 * (low + high)
        if speed * middle + a0 * middle**2 / 2 + jerk * middle**3 / 6 < way_m:
            low = middle
        else:
            high = middle
    return high


def angle_of_attack_rad(cross_wind_m_s: float, speed_m_s: float) -> float:
    """Return the angle of attack (rad, 0..pi/2) a wind across the path makes at a speed: atan(wind / v)."""
    return atan2(abs(cross_wind_m_s), abs(speed_m_s))
