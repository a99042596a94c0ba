"""A magnetometer turned through all directions: center and shape of the ellipsoid on which its readings lie.

    |matrix (reading - bias)| = 1        matrix symmetric: hard iron (bias) and soft iron with scale (matrix), nine
    numbers

Begun by the algebraic least squares of a general quadric, finished by Gauss-Newton on the distances, whose scatter
gives the sigma. How the sensor lies in the body is not told by this. What covers too little of the sphere is refused:
an ellipsoid fitted to half of one is anything.
"""

from __future__ import annotations

from math import radians

import numpy as np

from protocol.arrays import Floats
from server.flight.calibration.estimate import Calibration, Estimated, UncalibratedFault, student_factor

FEWEST = 150
ROUNDS = 25
CAP = float(np.cos(radians(50.0)))  # every direction must have a reading within so much
LARGEST_BIAS_SIGMA = 0.05  # of the field
FLATTEST = 0.6  # soft iron makes no flatter sphere; common practice, no source
PAIRS = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))


def directions(count: int = 64) -> Floats:
    """Return directions spread evenly over the sphere, (count, 3): Fibonacci's spiral."""
    k = np.arange(count) + 0.5
    z = 1.0 - 2.0 * k / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    flat = np.sqrt(1.0 - z * z)
    return np.column_stack((flat * np.cos(turn), flat * np.sin(turn), z))


def uncovered(unit: Floats) -> tuple[float, Floats]:
    """Return which share of all directions has none of these unit vectors (n, 3) near, and the middle of them (3,)."""
    spread = directions()
    bare = spread[(spread @ unit.T).max(axis=1) < CAP] if len(unit) else spread
    middle = bare.mean(axis=0) if len(bare) else np.zeros(3)
    return len(bare) / len(spread), middle


def rough_cover(readings: Floats) -> float:
    """Return which share of the directions is roughly covered by readings (n, 3), for whoever is still turning it."""
    if len(readings) < 10:
        return 0.0
    low, high = readings.min(axis=0), readings.max(axis=0)
    unit = readings - 0.5 * (low + high)
    cover = 1.0 - uncovered(unit / np.maximum(np.linalg.norm(unit, axis=1, keepdims=True), 1e-9))[0]
    # a cap of a sphere looks like a flat one
    flat = float((high - low).min() / max(float((high - low).max()), 1e-12))
    return cover * min(1.0, flat / FLATTEST)


def magnetometer(readings: Floats) -> Calibration:
    """Return bias (3,) in the readings' unit and matrix (3, 3) of field = matrix (reading - bias), of length 1.

    Readings (n, 3) in any unit, of a place where the field is the same everywhere. Raises UncalibratedFault.
    """
    if len(readings) < FEWEST:
        raise UncalibratedFault(f"{len(readings)} readings are too few; {FEWEST} are the least")
    middle = readings.mean(axis=0)
    size = float(np.sqrt(((readings - middle) ** 2).sum(axis=1).mean()))
    if not size > 0.0:
        raise UncalibratedFault("the magnetometer's readings never changed")
    scaled = (readings - middle) / size
    center, shape = _quadric(scaled)
    try:
        center, shape, covariance = _finished(scaled, center, shape)
    except np.linalg.LinAlgError as error:
        raise UncalibratedFault(
            "the readings lie on no ellipsoid: turn it through every attitude, away from iron"
        ) from error
    field = (scaled - center) @ shape
    bare, side = uncovered(field / np.linalg.norm(field, axis=1, keepdims=True))
    sigma = student_factor(len(scaled) - 9) * np.sqrt(np.diag(covariance))
    if bare > 0.0 or sigma[:3].max() * float(np.abs(shape).max()) > LARGEST_BIAS_SIGMA:
        axis = int(np.argmax(np.abs(side)))
        where = f" on the side of {'-' if side[axis] < 0 else '+'}{'xyz'[axis]}" if bare > 0.0 else ""
        raise UncalibratedFault(
            f"{100 * bare:.0f} % of all directions were not turned to{where}: turn it through every attitude"
        )
    matrix_sigma = np.zeros((3, 3))
    for place, (row, column) in enumerate(PAIRS):
        matrix_sigma[row, column] = matrix_sigma[column, row] = sigma[3 + place] / size
    return Calibration(
        "magnetometer",
        (
            Estimated("bias", middle + size * center, size * sigma[:3], "reading"),
            Estimated("matrix", shape / size, matrix_sigma, "1/reading"),
        ),
    )


def _quadric(points: Floats) -> tuple[Floats, Floats]:
    """Return center (3,) and symmetric shape (3, 3) of x' Q x + 2 q' x = 1 by linear least squares."""
    x, y, z = points.T
    design = np.column_stack((x * x, y * y, z * z, 2 * x * y, 2 * x * z, 2 * y * z, 2 * x, 2 * y, 2 * z))
    told, *_ = np.linalg.lstsq(design, np.ones(len(points)), rcond=None)
    q = np.array([[told[0], told[3], told[4]], [told[3], told[1], told[5]], [told[4], told[5], told[2]]])
    size, axes = np.linalg.eigh(q)
    if size.min() <= 1e-3 * size.max():
        raise UncalibratedFault("the readings lie on no ellipsoid: turn it through every attitude, away from iron")
    center = -np.linalg.solve(q, told[6:])
    scale = 1.0 / (1.0 + center @ q @ center)
    return center, np.asarray(axes @ np.diag(np.sqrt(size * scale)) @ axes.T, dtype=np.float64)


def _finished(points: Floats, center: Floats, shape: Floats) -> tuple[Floats, Floats, Floats]:
    """Return center, shape and the covariance (9, 9) of center and the six numbers of the shape, by Gauss-Newton."""
    for _ in range(ROUNDS):
        rows, left = _distances(points, center, shape)
        step, *_ = np.linalg.lstsq(rows, -left, rcond=None)
        center = center + step[:3]
        for place, (row, column) in enumerate(PAIRS):
            shape[row, column] += step[3 + place]
            shape[column, row] = shape[row, column]
        if float(np.abs(step).max()) < 1e-9:
            break
    rows, left = _distances(points, center, shape)
    spread = float(left @ left) / (len(points) - 9)
    return center, shape, np.asarray(np.linalg.inv(rows.T @ rows) * spread, dtype=np.float64)


def _distances(points: Floats, center: Floats, shape: Floats) -> tuple[Floats, Floats]:
    away = points - center
    field = away @ shape
    length = np.linalg.norm(field, axis=1)
    unit = field / np.maximum(length, 1e-12)[:, None]
    columns = [-(unit @ shape)]
    for row, column in PAIRS:
        told = unit[:, row] * away[:, column] + (unit[:, column] * away[:, row] if row != column else 0.0)
        columns.append(told[:, None])
    return np.concatenate(columns, axis=1), length - 1.0
