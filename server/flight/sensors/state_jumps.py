"""What motion allows between two frames of a state vector, over arrays of frames; the text is in `state_health`.

Frames have shape (n, 13) in the order of its `COMPONENTS`, steps are in seconds.
"""

from __future__ import annotations

import numpy as np

from protocol.arrays import Bools, Floats
from protocol.units import GRAVITY_M_S2
from server.flight.sensors.state_row import (
    BAY_LAG_S,
    BAY_M_S2,
    FORMULA_SHARE,
    PORT_SHARE_AT_MOST,
    POSITION_MARGIN_M,
    TURN_MARGIN_RAD,
    TURNING_CHANGE_RAD_S2,
    VELOCITY_MARGIN_M_S,
    Limits,
)

_P, _V, _Q, _W = slice(0, 3), slice(3, 6), slice(6, 10), slice(10, 13)
SETTLES_S = 1.0  # four times the lag of a badly vented bay; common practice, no source


def _length(vectors: Floats) -> Floats:
    return np.sqrt(vectors[:, 0] * vectors[:, 0] + vectors[:, 1] * vectors[:, 1] + vectors[:, 2] * vectors[:, 2])


def moved(before: Floats, here: Floats, dt: Floats, limits: Limits) -> Bools:
    """Tell where the position is further from where the velocity led than acceleration explains (no velocity: nowhere).

    Height may come by pressure and velocity by forces: what honest ones differ by is allowed besides (see `state_row`).
    """
    known = np.isfinite(before[:, _V]).all(axis=1)
    speed, most = _length(before[:, _V]), limits.acceleration_m_s2 * dt
    gained = np.fmin(_length(here[:, _V] - before[:, _V]), most)
    port = PORT_SHARE_AT_MOST * speed / GRAVITY_M_S2 * np.fmax(gained, BAY_M_S2 * dt)
    off = here[:, _P] - before[:, _P] - before[:, _V] * dt[:, None]
    off[:, 2] = np.maximum(np.abs(off[:, 2]) - (FORMULA_SHARE * speed * dt + port + BAY_LAG_S * gained), 0.0)
    return known & ~stopped(before, here) & (_length(off) > 0.5 * most * dt + POSITION_MARGIN_M)


def sped(before: Floats, here: Floats, dt: Floats, limits: Limits) -> Bools:
    """Tell where the velocity changed by more than acceleration explains, unless it came down and the ground stopped it."""
    changed = _length(here[:, _V] - before[:, _V]) > limits.acceleration_m_s2 * dt + VELOCITY_MARGIN_M_S
    return changed & ~stopped(before, here)


def stopped(before: Floats, here: Floats) -> Bools:
    return np.asarray((before[:, 5] < 0.0) & (_length(here[:, _V]) < VELOCITY_MARGIN_M_S))


def turned(before: Floats, here: Floats, dt: Floats, limits: Limits) -> Bools:
    """Tell where the attitude turned by more than the rates explain; q and -q are one attitude."""
    p, q = before[:, _Q], here[:, _Q]
    dot = np.abs(p[:, 0] * q[:, 0] + p[:, 1] * q[:, 1] + p[:, 2] * q[:, 2] + p[:, 3] * q[:, 3])
    norms = np.sqrt((p * p).sum(axis=1) * (q * q).sum(axis=1))
    angle = 2.0 * np.arccos(np.minimum(dot / norms, 1.0))
    known = np.fmax(_length(before[:, _W]), _length(here[:, _W])) + TURNING_CHANGE_RAD_S2 * dt
    too_far: Bools = angle > np.fmin(known, limits.rate_rad_s) * dt + TURN_MARGIN_RAD
    return too_far


def last_stop(t_s: Floats, before: Floats, here: Floats, last_s: float) -> Floats:
    """Return when it was last seen to hit the ground up to each frame, shape (n,), `last_s` before the first.

    What the flow had made of the pressure, and what the bay was behind, leave a height by pressure after that.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        hits = np.where(stopped(before, here), t_s, -np.inf)
    return np.asarray(np.maximum.accumulate(np.maximum(hits, last_s)))
