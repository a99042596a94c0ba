"""Rotations as arrays: quaternions (w, x, y, z), Hamilton product, body to world (tests/SOURCES.md, attitude-convention).

Every function takes and gives arrays whose last axis holds the components; the axes before it are the caller's.
"""

from __future__ import annotations

import numpy as np

from protocol.arrays import Floats

SMALL_RAD = 1e-6


def product(p: Floats, q: Floats) -> Floats:
    """Return the Hamilton product p q, shape (..., 4): the turn q in body axes after p."""
    pw, px, py, pz = np.moveaxis(np.asarray(p, dtype=np.float64), -1, 0)
    qw, qx, qy, qz = np.moveaxis(np.asarray(q, dtype=np.float64), -1, 0)
    return np.stack(
        [
            pw * qw - px * qx - py * qy - pz * qz,
            pw * qx + px * qw + py * qz - pz * qy,
            pw * qy - px * qz + py * qw + pz * qx,
            pw * qz + px * qy - py * qx + pz * qw,
        ],
        axis=-1,
    )


def inverse(q: Floats) -> Floats:
    """Return the turn back of unit quaternions, shape (..., 4)."""
    return np.asarray(q, dtype=np.float64) * (1.0, -1.0, -1.0, -1.0)


def of_vector(vector_rad: Floats) -> Floats:
    """Return unit quaternions (..., 4) of rotation vectors (..., 3), axis times angle in rad."""
    vector = np.asarray(vector_rad, dtype=np.float64)
    half = 0.5 * np.linalg.norm(vector, axis=-1)
    # sin(x) / x by its series where x is small: the quotient would be 0 / 0.
    share = np.where(half > SMALL_RAD, np.sin(half) / np.maximum(half, SMALL_RAD), 1.0 - half * half / 6.0)
    return np.concatenate([np.cos(half)[..., None], 0.5 * share[..., None] * vector], axis=-1)


def vector_of(q: Floats) -> Floats:
    """Return rotation vectors (..., 3) in rad, the shorter way round, of unit quaternions (..., 4)."""
    q = np.asarray(q, dtype=np.float64)
    q = np.where(q[..., :1] < 0.0, -q, q)
    size = np.linalg.norm(q[..., 1:], axis=-1)
    angle = 2.0 * np.arctan2(size, q[..., 0])
    share = np.where(size > SMALL_RAD, angle / np.maximum(size, SMALL_RAD), 2.0)
    return share[..., None] * q[..., 1:]


def matrices(q: Floats) -> Floats:
    """Return rotation matrices body to world (..., 3, 3) of unit quaternions (..., 4)."""
    w, x, y, z = np.moveaxis(np.asarray(q, dtype=np.float64), -1, 0)
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)


def upright(up_in_body: Floats) -> Floats:
    """Return the quaternion (4,) that turns a direction in body axes (3,) straight up, by the shortest way: no heading."""
    up = np.asarray(up_in_body, dtype=np.float64) / np.linalg.norm(up_in_body)
    axis = np.array([up[1], -up[0], 0.0])  # up x (0, 0, 1)
    size = float(np.hypot(axis[0], axis[1]))
    angle = float(np.arctan2(size, up[2]))
    if size < 1e-12:
        return np.array([1.0, 0.0, 0.0, 0.0]) if up[2] > 0.0 else np.array([0.0, 1.0, 0.0, 0.0])
    return of_vector(axis / size * angle)


def chained(first: Floats, turns_rad: Floats) -> Floats:
    """Return attitudes (n + 1, 4): `first` (4,), then turned by each rotation vector (n, 3) in body axes, one after another.

    Products are made pairwise, so that ten thousands of turns take a few dozen steps of whole arrays.
    """
    steps = np.concatenate([np.asarray(first, dtype=np.float64)[None, :], of_vector(turns_rad)])
    reach = 1
    while reach < len(steps):
        steps[reach:] = product(steps[:-reach], steps[reach:])
        reach *= 2
    unit: Floats = steps / np.linalg.norm(steps, axis=1)[:, None]
    return unit
