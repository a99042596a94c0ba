"""Attitude, velocity and height by integrating one inertial unit from the pad on, with a doubt that grows as it must.

Attitude: rotation vectors from sample to sample (`turning`), chained. Velocity: the felt force turned into world axes,
gravity taken off, integrated. The doubt is linear error propagation (Titterton and Weston, Strapdown Inertial Navigation
Technology, error equations, from memory): with a turn error e in world axes (estimate = turn by e of the truth) and felt
force f,

    de/dt = R dw        dv/dt = e x R f + R df

where dw and df are the unit's errors. Those that stay the same over a flight (bias, scale, one axis in another, a gyro that
feels force; `leveling`) are carried as sensitivities and so stay tied to each other; what is new in every sample (noise as
it scatters in flight, steps between two samples, lost packets) is added as it comes. The Earth's turn and curvature are left
out: over the minute of an ascent they are below every such gyro.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from protocol.arrays import Bools, Floats
from protocol.units import GRAVITY_M_S2
from server.flight.inertial.leveling import (
    FORCE_BIAS,
    FORCE_SCALE,
    GYRO_BIAS,
    GYRO_DRIFT,
    GYRO_FORCE,
    GYRO_SCALE,
    PARAMETERS,
    TILT,
    Start,
    cross_matrix,
)
from server.flight.inertial.rotations import chained, matrices
from server.flight.inertial.turning import integrals, kinks, lost_turn_rad, noise_of, turns_rad

UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Strapdown:
    """One unit integrated. Times (n,); attitude (n, 4); velocity and position in world axes (n, 3), m/s and m from the pad.

    `covariance` (n, 9, 9) is of the turn error (rad, world axes), velocity and position, in this order. `rates` (rad/s) and
    `force` (m/s2), (n, 3), are what was integrated: body axes, known errors taken off.
    """

    t: Floats
    quaternion: Floats
    velocity: Floats
    position: Floats
    covariance: Floats
    rates: Floats
    force: Floats

    def turn_covariance(self) -> Floats:
        """Return the covariance of the turn error in world axes, rad2, shape (n, 3, 3)."""
        return self.covariance[:, :3, :3]

    def nose(self) -> Floats:
        """Return where the nose points, world axes, shape (n, 3)."""
        return matrices(self.quaternion)[:, :, 2]

    def tilt_rad(self) -> Floats:
        """Return the nose's angle from the vertical, shape (n,)."""
        nose = self.nose()
        tilt: Floats = np.arctan2(np.hypot(nose[:, 0], nose[:, 1]), nose[:, 2])
        return tilt

    def tilt_sigma_rad(self) -> Floats:
        """Return one sigma of the tilt, shape (n,): of the turn about the horizontal axis across the nose's lean."""
        nose = self.nose()
        flat = np.hypot(nose[:, 0], nose[:, 1])
        # Upright there is no such axis; then the greater of both horizontal ones.
        across = np.stack([-nose[:, 1], nose[:, 0], np.zeros(len(flat))], axis=1) / np.maximum(flat, 1e-9)[:, None]
        turn = self.turn_covariance()
        along = np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", across, turn, across), 0.0))
        greatest = np.sqrt(np.maximum(np.linalg.eigvalsh(turn[:, :2, :2])[:, -1], 0.0))
        sigma: Floats = np.where(flat > 0.02, along, greatest)
        return sigma

    def speed_sigma_m_s(self) -> Floats:
        """Return one sigma of the velocity along each world axis, shape (n, 3)."""
        return np.sqrt(np.maximum(np.diagonal(self.covariance[:, 3:6, 3:6], axis1=1, axis2=2), 0.0))

    def height_sigma_m(self) -> Floats:
        """Return one sigma of the height, shape (n,)."""
        return np.sqrt(np.maximum(self.covariance[:, 8, 8], 0.0))


def integrate(t: Floats, force: Floats, rates: Floats, start: Start, from_s: float) -> Strapdown:
    """Integrate samples (n,), (n, 3) m/s2 and (n, 3) rad/s, finite and in order of time, from the pad on.

    Attitude runs through all samples from the rest's last one on; velocity and position begin at `from_s` (lift-off, or
    a moment before it).
    """
    after = t >= min(start.rest.end_s, from_s) - 1e-9
    t, force, rates = t[after], force[after], rates[after]
    known = start.known
    since = (t - start.rest.middle_s)[:, None]
    clean_rates = rates - known[GYRO_BIAS] - since * known[GYRO_DRIFT]
    clean_force = (force - known[FORCE_BIAS]) @ (np.eye(3) - known[FORCE_SCALE].reshape(3, 3)).T
    turns = turns_rad(t, clean_rates)
    quaternion = chained(start.quaternion, turns)
    world = matrices(quaternion)
    felt = np.einsum("nij,nj->ni", world, clean_force)
    moves = (t >= from_s)[:, None]
    pushed = np.where(moves, felt - GRAVITY_M_S2 * UP, 0.0)
    velocity = _summed(integrals(t, pushed))
    position = _summed(integrals(t, velocity))
    shared = _sensitivities(t, world, clean_rates, clean_force, felt, moves, since)
    covariance = np.einsum("nip,pq,njq->nij", shared, start.covariance, shared, optimize=True)
    covariance += _of_noise(t, clean_rates, clean_force, world, felt, moves)
    return Strapdown(t, quaternion, velocity, position, covariance, clean_rates, clean_force)


def _summed(parts: Floats) -> Floats:
    return np.concatenate([np.zeros((1, *parts.shape[1:])), np.cumsum(parts, axis=0)])


def _trapezoid(t: Floats, values: Floats) -> Floats:
    step = np.diff(t).reshape(-1, *([1] * (values.ndim - 1)))
    return _summed(0.5 * step * (values[:-1] + values[1:]))


def _sensitivities(
    t: Floats, world: Floats, rates: Floats, force: Floats, felt: Floats, moves: Bools, since: Floats
) -> Floats:
    """Return how turn error, velocity and position depend on each constant error, shape (n, 9, PARAMETERS)."""
    count = len(t)
    turning = np.zeros((count, 3, PARAMETERS))
    turning[:, :, GYRO_BIAS] = world
    turning[:, :, GYRO_DRIFT] = world * since[:, :, None]
    turning[:, :, GYRO_SCALE] = np.einsum("nij,nk->nijk", world, rates).reshape(count, 3, 9)
    turning[:, :, GYRO_FORCE] = world * force[:, None, :]
    turned = _trapezoid(t, turning)
    turned[:, :, TILT] += np.eye(3)
    pushing = -cross_matrix(felt) @ turned  # e x f = -(f x e)
    pushing[:, :, FORCE_BIAS] += world
    pushing[:, :, FORCE_SCALE] += np.einsum("nij,nk->nijk", world, force).reshape(count, 3, 9)
    fast = _trapezoid(t, np.where(moves[:, :, None], pushing, 0.0))
    return np.concatenate([turned, fast, _trapezoid(t, fast)], axis=1)


def _of_noise(t: Floats, rates: Floats, force: Floats, world: Floats, felt: Floats, moves: Bools) -> Floats:
    """Return what is new in every sample, added up, shape (n, 9, 9)."""
    step = np.diff(t)
    turn_sigma = np.sqrt(
        (step[:, None] ** 2) * (noise_of(rates)[1:] ** 2 + kinks(rates) ** 2 / 12.0) + lost_turn_rad(t, rates) ** 2
    )
    push_sigma = step[:, None] * np.sqrt(noise_of(force)[1:] ** 2 + kinks(force) ** 2 / 12.0)
    middle = world[:-1]
    new = np.zeros((len(step), 9, 9))
    new[:, :3, :3] = np.einsum("nij,nj,nkj->nik", middle, turn_sigma**2, middle)
    of_push = np.einsum("nij,nj,nkj->nik", middle, push_sigma**2, middle)
    flies = moves[1:, 0].astype(np.float64)
    new[:, 3:6, 3:6] = of_push * flies[:, None, None]
    new[:, 6:9, 6:9] = new[:, 3:6, 3:6] * (step**2 / 3.0)[:, None, None]
    carry = np.zeros((len(step), 9, 9))
    carry[:] = np.eye(9)
    carry[:, 3:6, :3] = -cross_matrix(0.5 * (felt[:-1] + felt[1:])) * (step * flies)[:, None, None]
    carry[:, 6:9, 3:6] = np.eye(3) * step[:, None, None]
    carry[:, 6:9, :3] = 0.5 * carry[:, 3:6, :3] * step[:, None, None]
    grown = np.zeros((len(t), 9, 9))
    for k in range(len(step)):
        grown[k + 1] = carry[k] @ grown[k] @ carry[k].T + new[k]
    return grown


def turn_sigma_rad(covariance: Floats) -> Floats:
    """Return the root of a third of the trace of turn covariances (n, 3, 3): one sigma about any axis, shape (n,)."""
    sigma: Floats = np.sqrt(np.maximum(np.trace(covariance, axis1=1, axis2=2), 0.0)) / sqrt(3.0)
    return sigma
