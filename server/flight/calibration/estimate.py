"""What a calibration gives back, and the mean of a steady reading with its doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats

BLOCKS = 12  # parts of a stretch whose means say how sure the whole mean is: noise longer than a part is not believed white


class UncalibratedFault(ValueError):
    """The data do not carry a calibration; the text is one plain sentence."""


@dataclass(frozen=True)
class Estimated:
    """A number, vector or matrix of a calibration with its sigma of the same shape; `unit` in SI words, "" for a ratio."""

    name: str
    values: Floats
    sigma: Floats
    unit: str = ""


@dataclass(frozen=True)
class Calibration:
    """A finished calibration: what was calibrated, its numbers, and what a person should know, each one sentence."""

    what: str
    estimates: tuple[Estimated, ...]
    said: tuple[str, ...] = ()

    def of(self, name: str) -> Estimated:
        """Return one of the estimates by its name; raises KeyError."""
        for one in self.estimates:
            if one.name == name:
                return one
        raise KeyError(name)


def student_factor(freedom: int) -> float:
    """Return by how much a scatter known from `freedom` numbers is widened, so that two sigmas hold 95 of 100.

    Half the two-sided 95 % point of Student's t: 0.98 for many, 1.10 for 11, 1.39 for 4.
    """
    from scipy import stats

    return 0.5 * float(stats.t.ppf(0.975, freedom))


def steady_mean(values: Floats, blocks: int = BLOCKS) -> tuple[Floats, Floats, int]:
    """Return mean (k,), variance of the mean (k,) and its degrees of freedom, of samples (n, k) that belong together.

    By batch means (any textbook of simulation): the scatter of the means of equal parts, so that noise that lasts
    longer than a sample widens the doubt. Raises UncalibratedFault for fewer than two samples to a part.
    """
    size = len(values) // blocks
    if size < 2:
        raise UncalibratedFault(f"{len(values)} samples are too few; {2 * blocks} are needed")
    parts = values[: size * blocks].reshape(blocks, size, -1).mean(axis=1)
    return parts.mean(axis=0), parts.var(axis=0, ddof=1) / blocks, blocks - 1


def count_floor(noise: Floats, count: float) -> Floats:
    """Return the variance that a mean keeps, however long: a third of a count where the noise is below half of one."""
    return np.where(noise < 0.5 * count, count**2 / 12.0, 0.0)


def rotation_of(turn: Floats) -> Floats:
    """Return the rotation matrix (3, 3) of a rotation vector (3,), rad: Rodrigues' formula."""
    angle = float(np.linalg.norm(turn))
    cross = cross_matrix(turn)
    if angle < 1e-12:
        return np.eye(3) + cross
    return np.asarray(
        np.eye(3) + np.sin(angle) / angle * cross + (1.0 - np.cos(angle)) / angle**2 * cross @ cross, dtype=np.float64
    )


def turn_of(rotation: Floats) -> Floats:
    """Return the rotation vector (3,), rad, of a rotation matrix; of less than half a turn."""
    skew = 0.5 * np.array(
        [rotation[2, 1] - rotation[1, 2], rotation[0, 2] - rotation[2, 0], rotation[1, 0] - rotation[0, 1]]
    )
    sine, cosine = float(np.linalg.norm(skew)), 0.5 * (float(np.trace(rotation)) - 1.0)
    return skew if sine < 1e-12 else skew * (np.arctan2(sine, cosine) / sine)


def cross_matrix(v: Floats) -> Floats:
    """Return the matrix (3, 3) that gives the cross product with v from the left."""
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])
