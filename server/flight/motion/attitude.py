"""Where the nose points: tilt, azimuth and roll from the attitude quaternion.

Frames: world axes x east, y north, z up; body +z out of the nose; the unit quaternion (w, x, y, z) turns body vectors
into world vectors (Hamilton product). Checked against scipy's Rotation: tests/SOURCES.md, attitude-rows.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Bools, Floats

TILT_WITHOUT_AZIMUTH_RAD = 1e-4


def nose_direction(w: ArrayLike, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return the nose's east, north and up components, each shaped like the inputs.

    Third column of the rotation matrix of a unit quaternion (any attitude textbook; tests/SOURCES.md, attitude-convention).
    """
    w, x, y, z = (np.asarray(part, dtype=np.float64) for part in (w, x, y, z))
    with np.errstate(invalid="ignore", over="ignore"):
        return 2 * (x * z + w * y), 2 * (y * z - w * x), 1 - 2 * (x * x + y * y)


def tilt_rad(w: ArrayLike, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Floats:
    """Return the angle between nose and vertical, 0..pi.

    2 atan2(|(x, y)|, |(w, z)|): exact near 0 and pi where the arc cosine loses half its digits, and indifferent to the
    quaternion's length. NaN where a component is not finite.
    """
    w, x, y, z = (np.asarray(part, dtype=np.float64) for part in (w, x, y, z))
    with np.errstate(invalid="ignore", over="ignore", under="ignore"):
        return np.where(_are_numbers(w, x, y, z), 2 * np.arctan2(np.hypot(x, y), np.hypot(w, z)), np.nan)


def azimuth_rad(w: ArrayLike, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Floats:
    """Return the direction the nose leans to in rad, clockwise from north, 0..2 pi; NaN where it leans nowhere.

    Shapes as given; quaternion body to world (east, north, up), scalar first.
    """
    east, north, _ = nose_direction(w, x, y, z)
    with np.errstate(invalid="ignore", over="ignore"):
        leans = np.hypot(east, north) > np.sin(TILT_WITHOUT_AZIMUTH_RAD)
        leans &= _are_numbers(w, x, y, z) & np.isfinite(east) & np.isfinite(north)
        return np.where(leans, np.mod(np.arctan2(east, north), 2 * np.pi), np.nan)


def roll_rad(w: ArrayLike, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Floats:
    """Return the twist about the nose in rad, -pi..pi; NaN at tilt 180 degrees, where it has no meaning.

    Source: swing-twist decomposition of a rotation, 2 atan2(z, w) (from memory). Shapes and frames as `azimuth_rad`.
    """
    w, z = np.asarray(w, dtype=np.float64), np.asarray(z, dtype=np.float64)
    with np.errstate(invalid="ignore", over="ignore"):
        meant = _are_numbers(w, x, y, z) & (np.hypot(w, z) > 1e-6)
        return np.where(meant, np.mod(2 * np.arctan2(z, w) + np.pi, 2 * np.pi) - np.pi, np.nan)


def _are_numbers(w: ArrayLike, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Bools:
    return np.isfinite(w) & np.isfinite(x) & np.isfinite(y) & np.isfinite(z)
