"""Attitude by unit quaternions in plain floats, fast enough for the integrator's inner loop.

Convention (dictionary header and tests/SOURCES.md, attitude-convention): world axes east, north, up; body +z out of the
nose; q = (w, x, y, z) turns body vectors into world vectors; Hamilton product.
"""

from __future__ import annotations

import math

Quaternion = tuple[float, float, float, float]
Vector = tuple[float, float, float]


def multiply(a: Quaternion, b: Quaternion) -> Quaternion:
    """Return the Hamilton product a b: the attitude reached by b seen in the frame that a leaves."""
    aw, ax, ay, az = a
    bw, bx, by, bz = b
    return (
        aw * bw - ax * bx - ay * by - az * bz,
        aw * bx + ax * bw + ay * bz - az * by,
        aw * by - ax * bz + ay * bw + az * bx,
        aw * bz + ax * by - ay * bx + az * bw,
    )


def normalize(q: Quaternion) -> Quaternion:
    """Return q scaled to unit length."""
    w, x, y, z = q
    scale = 1.0 / math.sqrt(w * w + x * x + y * y + z * z)
    return w * scale, x * scale, y * scale, z * scale


def to_world(q: Quaternion, v: Vector) -> Vector:
    """Return the body vector v in world axes."""
    w, x, y, z = q
    vx, vy, vz = v
    tx, ty, tz = 2.0 * (y * vz - z * vy), 2.0 * (z * vx - x * vz), 2.0 * (x * vy - y * vx)
    return (
        vx + w * tx + y * tz - z * ty,
        vy + w * ty + z * tx - x * tz,
        vz + w * tz + x * ty - y * tx,
    )


def to_body(q: Quaternion, v: Vector) -> Vector:
    """Return the world vector v in body axes."""
    w, x, y, z = q
    return to_world((w, -x, -y, -z), v)


def difference(after: Vector, before: Vector) -> Vector:
    """Return after - before."""
    return after[0] - before[0], after[1] - before[1], after[2] - before[2]


def turned(q: Quaternion, rate: Vector, seconds: float) -> Quaternion:
    """Return q after turning at a constant body rate (rad/s) for some seconds: the exact solution, normalized."""
    wx, wy, wz = rate
    speed = math.sqrt(wx * wx + wy * wy + wz * wz)
    half = 0.5 * speed * seconds
    # sin(x)/x at zero is one: a vehicle at rest must not divide by its zero rate.
    scale = math.sin(half) / speed if speed > 1e-12 else 0.5 * seconds
    return normalize(multiply(q, (math.cos(half), wx * scale, wy * scale, wz * scale)))


def from_tilt(tilt_rad: float, azimuth_rad: float, roll_rad: float = 0.0) -> Quaternion:
    """Return the attitude with the nose tilted from vertical toward an azimuth (clockwise from north), after a roll."""
    half = 0.5 * tilt_rad
    # Tilting toward azimuth A turns about the horizontal axis 90 degrees to its left: (-cos A, sin A, 0).
    swing = (math.cos(half), -math.sin(half) * math.cos(azimuth_rad), math.sin(half) * math.sin(azimuth_rad), 0.0)
    return multiply(swing, (math.cos(0.5 * roll_rad), 0.0, 0.0, math.sin(0.5 * roll_rad)))


def from_up_in_body(up: Vector) -> Quaternion:
    """Return the attitude without roll in which the body sees "up" along the given vector (any length but zero)."""
    length = math.sqrt(up[0] ** 2 + up[1] ** 2 + up[2] ** 2)
    ux, uy, uz = up[0] / length, up[1] / length, up[2] / length
    if uz < -0.999999:
        return 0.0, 1.0, 0.0, 0.0
    # The shortest turn that takes `up` to +z.
    return normalize((1.0 + uz, uy, -ux, 0.0))


def tilt_rad(q: Quaternion) -> float:
    """Return the angle of the nose from vertical, 0 to pi (tests/SOURCES.md, attitude-convention)."""
    _, x, y, _ = q
    return 2.0 * math.asin(min(1.0, math.sqrt(x * x + y * y)))


def roll_rad(q: Quaternion) -> float:
    """Return the twist about the nose, wrapped to +-pi (swing-twist split; undefined only at tilt pi)."""
    return wrapped(2.0 * math.atan2(q[3], q[0]))


def wrapped(angle_rad: float) -> float:
    """Return an angle wrapped to +-pi."""
    return math.remainder(angle_rad, 2.0 * math.pi)
