"""An accelerometer in six or more positions at rest: bias, scale and crossed axes, twelve numbers, against local
gravity.

    mean reading = A g d + b          d: direction of up in body axes, g: local gravity; calibrated = A^-1 (reading - b)

On a side (within 15 degrees) the position is meant to be exactly there and lies off by `placed_sigma_rad` in each of
two directions; in any other position the direction is free and only the length of gravity counts. Everything at once by
Gauss-Newton least squares with these doubts as priors: A (9), b (3), g (1) and two angles to a position. Lengths alone
tell scale and bias; the way the axes lie in the body is told by the sides and no better than those were laid.

The six-position test is that of IEEE Std 1293 (from memory); gravity is Somigliana's formula with the constants of WGS
84 and the free-air gradient 3.086e-6 per s2 (tests/SOURCES.md, calibration-gravity).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import radians, sin, sqrt

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.calibration.estimate import (
    Calibration,
    Estimated,
    UncalibratedFault,
    count_floor,
    cross_matrix,
    steady_mean,
    student_factor,
)
from server.flight.calibration.rest import FACES, face_direction, face_up

PLACED_SIGMA_RAD = radians(1.0)  # of a tube laid on a bench by eye; common practice, no source
UNTOLD_GRAVITY_SIGMA = 0.018  # m/s2: standard gravity taken for any place on land
TOLD_GRAVITY_SIGMA = 0.001  # what the formula leaves out, hills and ore
APART_RAD = radians(20.0)
FEWEST = 6
LEAST_SPREAD = 0.25  # six sides have 0.58
ROUNDS = 12
NEAR_GRAVITY = 0.15
SURPRISE = 0.99
BLOCKS = 3  # to a position, each as long as can be; their scatter is pooled over all positions


@dataclass(frozen=True)
class Position:
    """One position at rest: mean reading (3,), m/s2, and the variance of each of its axes' means."""

    mean: Floats
    variance: Floats


def gravity_m_s2(latitude_deg: float, elevation_m: float) -> float:
    """Return normal gravity at a latitude and a height above the ellipsoid."""
    s2 = sin(radians(latitude_deg)) ** 2
    return 9.7803253359 * (1.0 + 0.00193185265241 * s2) / sqrt(1.0 - 0.00669437999013 * s2) - 3.086e-6 * elevation_m


def positions_of(stretches: Sequence[Floats], step_m_s2: float = 0.0) -> list[Position]:
    """Return the positions of stretches at rest, each of samples (n, 3); `step_m_s2` is one count of the wire's number.

    The scatter of the means is pooled over the positions, and a mean is no surer than a third of a count where noise is
    less than half a count. Raises UncalibratedFault for a stretch too short.
    """
    told = [steady_mean(one, BLOCKS) for one in stretches]
    pooled = np.mean([variance for _, variance, _ in told], axis=0) if told else np.zeros(3)
    noise = np.sqrt(np.mean([one.var(axis=0) for one in stretches], axis=0)) if told else np.zeros(3)
    floor = count_floor(noise, step_m_s2)
    wider = student_factor(sum(freedom for _, _, freedom in told)) ** 2 if told else 1.0
    return [Position(mean, wider * pooled + floor) for mean, _, _ in told]


def accelerometer(
    positions: Sequence[Position],
    gravity: float = GRAVITY_M_S2,
    gravity_sigma: float = UNTOLD_GRAVITY_SIGMA,
    placed_sigma_rad: float = PLACED_SIGMA_RAD,
) -> Calibration:
    """Return bias (3,), m/s2, and matrix (3, 3) of calibrated = matrix (reading - bias). Raises UncalibratedFault.

    `gravity` and its sigma in m/s2; `placed_sigma_rad` how well a side was laid flat.
    """
    check_geometry([one.mean for one in positions], gravity)
    fit = _Fit(positions, gravity, gravity_sigma, placed_sigma_rad)
    a, b, doubt, surprise = fit.solved()
    matrix = np.asarray(np.linalg.inv(a), dtype=np.float64)
    # d(A^-1) = -A^-1 dA A^-1, row-major: -(A^-1 kron A^-T)
    spread = np.kron(matrix, matrix.T)
    matrix_sigma = np.sqrt(np.diag(spread @ doubt[:9, :9] @ spread.T)).reshape(3, 3)
    bias_sigma = np.sqrt(np.diag(doubt)[9:12])
    said = []
    if surprise > 1.0:
        said.append(
            f"The positions disagree {surprise:.1f} times as much as sides laid within {np.degrees(placed_sigma_rad):.1f} "
            f"degrees would; every sigma is that much wider. Lay the sides flatter and stiller."
        )
    return Calibration(
        "accelerometer",
        (Estimated("bias", b, bias_sigma, "m/s2"), Estimated("matrix", matrix, matrix_sigma)),
        tuple(said),
    )


def check_geometry(means: Sequence[Floats], gravity: float = GRAVITY_M_S2) -> None:
    """Raise UncalibratedFault, with what is missing, when these mean readings (3,) are too few or too much alike."""
    for mean in means:
        size = float(np.linalg.norm(mean))
        if abs(size / gravity - 1.0) > NEAR_GRAVITY:
            raise UncalibratedFault(
                f"at rest the unit reads {size:.2f} m/s2, which is no gravity: its scale or unit is wrong"
            )
    apart = distinct(means)
    if len(apart) < FEWEST:
        raise UncalibratedFault(f"{len(apart)} of {FEWEST} different positions: {missing_words(means)}")
    directions = np.array([means[i] / np.linalg.norm(means[i]) for i in apart])
    design = np.column_stack((directions, np.ones(len(apart)))) / sqrt(len(apart))
    _, spread, rows = np.linalg.svd(design)
    if spread[-1] < LEAST_SPREAD:
        axis = "xyz"[int(np.argmax(np.abs(rows[-1][:3])))]
        raise UncalibratedFault(
            f"the positions say too little along {axis}: turn it so that {axis} points up, and then down"
        )
    if len({face[1] for face in map(face_up, means) if face}) < 2:
        raise UncalibratedFault("no two sides were laid flat, so nothing tells how the axes lie in the body")


def distinct(means: Sequence[Floats]) -> list[int]:
    """Return the places of the readings that are at least 20 degrees from every earlier one kept."""
    kept: list[int] = []
    for place, mean in enumerate(means):
        near = (float(mean @ means[i] / (np.linalg.norm(mean) * np.linalg.norm(means[i]))) for i in kept)
        if all(cosine < np.cos(APART_RAD) for cosine in near):
            kept.append(place)
    return kept


def missing_sides(means: Sequence[Floats]) -> list[str]:
    """Return the sides that were not up yet, in the order of `rest.FACES`."""
    seen = {face_up(mean) for mean in means}
    return [name for name, _, _ in FACES if name not in seen]


def missing_words(means: Sequence[Floats]) -> str:
    """Say which sides are missing."""
    missing = missing_sides(means)
    return f"still to come are {', '.join(missing)} up" if missing else "lay it in positions that differ more"


class _Fit:
    """Unknowns: A row by row (9), b (3), g (1), two angles to a position, in this order."""

    def __init__(self, positions: Sequence[Position], gravity: float, gravity_sigma: float, placed: float) -> None:
        self._means = np.array([one.mean for one in positions])
        self._weight = 1.0 / np.sqrt(np.maximum(np.array([one.variance for one in positions]), 1e-16))
        faces = [face_up(mean) for mean in self._means]
        self._on_face = np.array([bool(face) for face in faces])
        directions = self._means / np.linalg.norm(self._means, axis=1, keepdims=True)
        self._d = np.array([face_direction(f) if f else d for f, d in zip(faces, directions, strict=True)])
        self._gravity, self._gravity_sigma, self._placed = gravity, gravity_sigma, placed

    def solved(self) -> tuple[Floats, Floats, Floats, float]:
        """Return A, b, the covariance of (A, b), (12, 12), widened where the positions disagree, and by how much."""
        count = len(self._means)
        a, b, g, d = np.eye(3), np.zeros(3), self._gravity, self._d.copy()
        tilt = np.zeros((count, 3))  # how far each direction was turned so far, as a rotation vector
        for _ in range(ROUNDS):
            rows, wanted, bases = self._equations(a, b, g, d, tilt)
            step, *_ = np.linalg.lstsq(rows, wanted, rcond=None)
            a, b, g = a + step[:9].reshape(3, 3), b + step[9:12], g + step[12]
            for k in range(count):
                turn = bases[k] @ step[13 + 2 * k : 15 + 2 * k]
                tilt[k] += turn
                d[k] = d[k] + np.cross(turn, d[k])
                d[k] /= np.linalg.norm(d[k])
            if float(np.abs(step).max()) < 1e-10:
                break
        rows, wanted, _ = self._equations(a, b, g, d, tilt)
        covariance = np.asarray(np.linalg.inv(rows.T @ rows)[:12, :12], dtype=np.float64)
        return a, b, *self._widened(covariance, float(wanted @ wanted), len(wanted) - rows.shape[1])

    def _widened(self, covariance: Floats, cost: float, freedom: int) -> tuple[Floats, float]:
        from scipy import stats

        if freedom < 1 or cost <= float(stats.chi2.ppf(SURPRISE, freedom)):
            return covariance, 1.0
        return covariance * (cost / freedom), sqrt(cost / freedom)

    def _equations(self, a: Floats, b: Floats, g: float, d: Floats, tilt: Floats) -> tuple[Floats, Floats, list[Floats]]:
        count = len(self._means)
        rows, wanted, bases = [], [], []
        for k in range(count):
            # two directions across d, about which it may be turned
            _, _, across = np.linalg.svd(d[k][None, :])
            basis = across[1:].T
            bases.append(basis)
            row = np.zeros((3, 13 + 2 * count))
            row[:, :9] = np.kron(np.eye(3), g * d[k])
            row[:, 9:12] = np.eye(3)
            row[:, 12] = a @ d[k]
            row[:, 13 + 2 * k : 15 + 2 * k] = -g * a @ cross_matrix(d[k]) @ basis
            rows.append(row * self._weight[k][:, None])
            wanted.append((self._means[k] - (g * a @ d[k] + b)) * self._weight[k])
            if self._on_face[k]:
                prior = np.zeros((2, 13 + 2 * count))
                prior[:, 13 + 2 * k : 15 + 2 * k] = np.eye(2) / self._placed
                rows.append(prior)
                wanted.append(-(basis.T @ tilt[k]) / self._placed)
        prior = np.zeros((1, 13 + 2 * count))
        prior[0, 12] = 1.0 / self._gravity_sigma
        rows.append(prior)
        wanted.append(np.array([(self._gravity - g) / self._gravity_sigma]))
        return np.concatenate(rows), np.concatenate(wanted), bases
