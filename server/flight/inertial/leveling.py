"""Where the vehicle stood on the pad, and what its units read when nothing moved: gravity gives tilt, stillness bias.

At rest an accelerometer feels gravity's reaction, 9.80665 m/s2 straight up, and a gyro nothing (the Earth's turn of 15 deg
an hour is within what its bias wanders). How well that levels depends on the accelerometer's own bias, which at rest cannot
be told from a tilt. Its length can be: what is felt too much or too little is bias or scale along the nose. Both are weighed
by one step of least squares with the errors that such units have (`UnitErrors`), so that bias and tilt stay tied in the
doubt that follows. Method: any textbook of estimation; tests/SOURCES.md, unit-errors for the sizes.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.inertial.rotations import matrices, of_vector, product, upright

FEWEST = 10
SHORTEST_S, LONGEST_S = 0.3, 20.0
STILL_RATE_RAD_S, STILL_FORCE_M_S2 = 0.1, 1.5  # scatter of a sample about the mean: beyond it, something moves
LENGTH_WITHIN = 0.3  # share of gravity: further off, it is no vehicle at rest that is felt
WANDERS_SIGMAS = 6.0
# Parameters in their order: heading and tilt at the pad, then what stays the same over the flight.
TILT, GYRO_BIAS, GYRO_DRIFT, GYRO_SCALE, GYRO_FORCE, FORCE_BIAS, FORCE_SCALE = (
    slice(0, 3), slice(3, 6), slice(6, 9), slice(9, 18), slice(18, 21), slice(21, 24), slice(24, 33),
)  # fmt: skip
PARAMETERS = 33


@dataclass(frozen=True)
class UnitErrors:
    """One sigma of what stays the same over a flight in an inertial unit of a model rocket (tests/SOURCES.md, unit-errors).

    `floor` is what a gyro's bias wanders in minutes; `per_force` turns rad/s per m/s2; `cross` is one axis felt by another.
    """

    gyro_floor_rad_s: float = radians(0.02)
    gyro_scale: float = 0.01
    gyro_cross: float = 0.01
    gyro_per_force: float = radians(0.05) / GRAVITY_M_S2
    force_bias_m_s2: float = 0.15
    force_scale: float = 0.015
    force_cross: float = 0.015


@dataclass(frozen=True)
class Rest:
    """A unit at rest: mean force (m/s2) and rates (rad/s), drift of the rates (rad/s2) and the sigmas of all, each (3,).

    `middle_s` is when the means hold. `wanders` tells which rates surely drift, `is_shaken` that it never stood still: then
    the means are those of the shaking, and the sigmas what tenths of the time scatter.
    """

    middle_s: float
    end_s: float
    count: int
    force: Floats
    force_sigma: Floats
    rates: Floats
    rates_sigma: Floats
    drift: Floats
    drift_sigma: Floats
    wanders: tuple[bool, ...]
    is_shaken: bool

    @property
    def length_off_m_s2(self) -> float:
        """By how much the force felt is longer than gravity's."""
        return float(np.linalg.norm(self.force)) - GRAVITY_M_S2


@dataclass(frozen=True)
class Start:
    """Attitude on the pad (4,), the unit's errors as far as known (`PARAMETERS`,), and their covariance."""

    rest: Rest
    quaternion: Floats
    known: Floats
    covariance: Floats


def at_rest(t: Floats, force: Floats, rates: Floats, until_s: float) -> Rest | str:
    """Return the unit's rest before a time, of samples (n,), (n, 3), (n, 3), or in half a sentence why there is none."""
    good = (t <= until_s) & np.isfinite(force).all(axis=1) & np.isfinite(rates).all(axis=1)
    t, force, rates = t[good], force[good], rates[good]
    chosen = t >= until_s - LONGEST_S
    t, force, rates = t[chosen], force[chosen], rates[chosen]
    if len(t) < FEWEST or t[-1] - t[0] < SHORTEST_S:
        return "the unit was hardly heard on the pad"
    moved = (np.abs(rates - np.median(rates, axis=0)) > STILL_RATE_RAD_S).any(axis=1)
    moved |= (np.abs(force - np.median(force, axis=0)) > STILL_FORCE_M_S2).any(axis=1)
    still = np.arange(len(t)) > (np.flatnonzero(moved)[-1] if moved.any() else -1)
    is_shaken = bool(still.sum() < FEWEST or t[-1] - t[still][0] < SHORTEST_S)
    if not is_shaken:  # somebody touched it, or it was set up: only what came after
        t, force, rates = t[still], force[still], rates[still]
    felt = force.mean(axis=0)
    if abs(float(np.linalg.norm(felt)) / GRAVITY_M_S2 - 1.0) > LENGTH_WITHIN:
        return f"on the pad the unit felt {float(np.linalg.norm(felt)):.1f} m/s2, which is not gravity"
    middle = 0.5 * (t[0] + t[-1])
    slope, slope_sigma, spread = _line(t - middle, rates)
    wanders = np.abs(slope) > WANDERS_SIGMAS * slope_sigma
    wanders &= np.abs(slope) * (t[-1] - t[0]) > radians(0.05)
    _, _, force_spread = _line(t - middle, force)
    return Rest(
        float(middle), float(t[-1]), len(t), felt, force_spread / sqrt(len(t)),
        rates.mean(axis=0), spread / sqrt(len(t)), np.where(wanders, slope, 0.0), slope_sigma,
        tuple(wanders.tolist()), is_shaken,
    )  # fmt: skip


def _line(t: Floats, values: Floats) -> tuple[Floats, Floats, Floats]:
    """Return slope, its standard error and the scatter about the line, each (3,); `t` has its mean near 0."""
    t = t - t.mean()
    squares = float(t @ t)
    slope = t @ (values - values.mean(axis=0)) / squares
    left = values - values.mean(axis=0) - t[:, None] * slope
    # Neighbors that err alike count as fewer: the scatter of tenths of the stay, where that says more than the samples do.
    parts = np.array([part.mean(axis=0) for part in np.array_split(left, min(10, len(left) // 5))])
    slow = parts.std(axis=0, ddof=1) * sqrt(len(left) / len(parts)) if len(parts) > 2 else np.zeros(values.shape[1])
    spread = np.maximum(left.std(axis=0), slow)
    return slope, spread / sqrt(squares), spread


def start_of(rest: Rest, errors: UnitErrors, heading_rad: float = 0.0, heading_sigma_rad: float = 0.0) -> Start:
    """Return attitude and errors on the pad. `heading_rad` turns about the vertical after the shortest way up.

    The errors in world axes: true attitude = turn by -(errors[0:3]) of the one given. Units: rad, rad/s, rad/s2, shares.
    """
    turn = of_vector(np.array([0.0, 0.0, heading_rad]))
    quaternion = product(turn, upright(rest.force))
    to_world = matrices(quaternion)
    variance = np.zeros(PARAMETERS)
    variance[TILT] = (0.5, 0.5, 0.0)  # as good as free: gravity levels
    variance[GYRO_BIAS] = np.hypot(rest.rates_sigma, errors.gyro_floor_rad_s)
    variance[GYRO_DRIFT] = np.where(rest.wanders, np.maximum(rest.drift_sigma, 0.1 * np.abs(rest.drift)), 0.0)
    variance[GYRO_SCALE] = np.where(np.eye(3, dtype=bool), errors.gyro_scale, errors.gyro_cross).ravel()
    variance[GYRO_FORCE] = errors.gyro_per_force
    variance[FORCE_BIAS] = errors.force_bias_m_s2
    variance[FORCE_SCALE] = np.where(np.eye(3, dtype=bool), errors.force_scale, errors.force_cross).ravel()
    prior = np.diag(variance**2)
    up = np.array([0.0, 0.0, GRAVITY_M_S2])
    model = np.zeros((3, PARAMETERS))
    model[:, TILT] = -to_world.T @ cross_matrix(up)  # turn x up = -(up x turn)
    model[:, FORCE_BIAS] = np.eye(3)
    model[:, FORCE_SCALE] = np.kron(np.eye(3), (to_world.T @ up)[None, :])
    gain = np.linalg.solve(model @ prior @ model.T + np.diag(rest.force_sigma**2 + 1e-6), model @ prior).T
    known = gain @ (rest.force - to_world.T @ up)
    covariance = prior - gain @ model @ prior
    covariance[2, 2] = heading_sigma_rad**2
    quaternion = product(of_vector(-known[TILT]), quaternion)
    known[TILT] = 0.0
    known[GYRO_BIAS], known[GYRO_DRIFT] = rest.rates, rest.drift
    return Start(rest, quaternion, known, 0.5 * (covariance + covariance.T))


def cross_matrix(vectors: Floats) -> Floats:
    """Return the matrices (..., 3, 3) that take the cross product of vectors (..., 3) with what follows."""
    x, y, z = np.moveaxis(np.asarray(vectors, dtype=np.float64), -1, 0)
    zero = np.zeros_like(x)
    rows = [[zero, -z, y], [z, zero, -x], [-y, x, zero]]
    return np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)
