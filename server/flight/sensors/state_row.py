"""One row of the state vector, shown with plain numbers to be in order, or left to the arrays of `state_health`.

Live, rows come one by one, nearly all of them in order, and arrays of one element cost ten times the arithmetic. The
formulas are those of `state_health` and its sources; what comes within a hundredth of what is allowed is not decided here,
so that the last bits of two ways to compute can never make a difference. A row is 13 floats in the order of `COMPONENTS`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import acos, isfinite, sqrt

from protocol.units import GRAVITY_M_S2

LENGTH_OFF = 0.01
JUMP_GAP_S = 0.5  # beyond it the navigation's own corrections add up, and no change is judged
POSITION_MARGIN_M = 2.0
# A height by pressure beside a velocity by forces: standard air where it is 30 K colder, twice the usual share of the
# dynamic pressure that a port reads wrong (as `way_up` has it), and a badly vented bay, which tells of `BAY_M_S2` of a
# boost when that is over.
FORMULA_SHARE, PORT_SHARE_AT_MOST, BAY_LAG_S, BAY_M_S2 = 0.1, 0.07, 0.25, 100.0
VELOCITY_MARGIN_M_S = 2.0
TURN_MARGIN_RAD = 0.05
TURNING_CHANGE_RAD_S2 = 100.0
SURELY = 0.99
Row = Sequence[float]


@dataclass(frozen=True)
class Limits:
    """What the vehicle can do: acceleration (m/s2) and rate (rad/s). Defaults: about 25 g, and 2000 degrees per second."""

    acceleration_m_s2: float = 250.0
    rate_rad_s: float = 35.0


def is_within(row: Row, low: Row, high: Row) -> bool:
    """Tell whether every component is surely finite and in its range, ends included, and the quaternion of length one."""
    if not isfinite(sum(row)):
        return False
    for value, least, most in zip(row, low, high, strict=True):
        if value < least or value > most:
            return False
    w, x, y, z = row[6:10]
    return abs(sqrt(w * w + x * x + y * y + z * z) - 1.0) < SURELY * LENGTH_OFF


def follows(before: Row, here: Row, dt_s: float, limits: Limits) -> bool:
    """Tell whether motion surely explains the change from one finite row to another, `dt_s` > 0 later."""
    if dt_s > JUMP_GAP_S:
        return True
    east, north, up, v_east, v_north, v_up, p0, p1, p2, p3, r_x, r_y, r_z = before
    sped = _length(here[3] - v_east, here[4] - v_north, here[5] - v_up)
    speed, gained = _length(v_east, v_north, v_up), min(sped, limits.acceleration_m_s2 * dt_s)
    port = PORT_SHARE_AT_MOST * speed / GRAVITY_M_S2 * max(gained, BAY_M_S2 * dt_s)
    apart = FORMULA_SHARE * speed * dt_s + port + BAY_LAG_S * gained
    above = max(abs(here[2] - up - v_up * dt_s) - apart, 0.0)
    beside = _length(here[0] - east - v_east * dt_s, here[1] - north - v_north * dt_s, above)
    if not beside < SURELY * (0.5 * limits.acceleration_m_s2 * dt_s * dt_s + POSITION_MARGIN_M):
        return False
    if not sped < SURELY * (limits.acceleration_m_s2 * dt_s + VELOCITY_MARGIN_M_S):
        return False
    q0, q1, q2, q3 = here[6:10]
    norms = sqrt((p0 * p0 + p1 * p1 + p2 * p2 + p3 * p3) * (q0 * q0 + q1 * q1 + q2 * q2 + q3 * q3))
    if not 0.5 < norms < 2.0:
        return False
    angle = 2.0 * acos(min(abs(p0 * q0 + p1 * q1 + p2 * q2 + p3 * q3) / norms, 1.0))
    rate = max(_length(r_x, r_y, r_z), _length(*here[10:13])) + TURNING_CHANGE_RAD_S2 * dt_s
    return angle < SURELY * (min(rate, limits.rate_rad_s) * dt_s + TURN_MARGIN_RAD)


def rests(row: Row) -> bool:
    """Tell whether it is nearly at rest."""
    return _length(row[3], row[4], row[5]) < VELOCITY_MARGIN_M_S


def is_near(value: float, other: float, sigma: float, sigmas: float, share: float = 0.0) -> bool:
    """Tell whether two estimates are surely within `sigmas` combined standard deviations; so is what is not known.

    `share` of the other is allowed besides.
    """
    return not abs(value - other) - share * abs(other) >= SURELY * sigmas * sigma


def _length(x: float, y: float, z: float) -> float:
    return sqrt(x * x + y * y + z * z)
