"""How unit B lies against unit A, from turning both together by hand: a rotation, with its doubt.

    rates of B = M (rates of A a moment later) + constant        by least squares; the moment is one unknown more
    M = R S, R the nearest rotation, by singular values          (W. Kabsch, Acta Cryst. A32, 1976; from memory)

S takes up what scale and noise do, so that they do not pass for a rotation. The doubt is a jackknife over parts of the
record (B. Efron, 1979): noise that lasts, or an error of the sampling, widens it.
"""

from __future__ import annotations

import numpy as np

from protocol.arrays import Floats
from server.flight.calibration.estimate import Calibration, Estimated, UncalibratedFault, student_factor, turn_of

PARTS = 20
FEWEST_IN_PART = 10
LEAST_TURNING_RAD_S = 0.25
LONGEST_GAP_S = 0.15
ROUNDS = 4


def turned_enough(rates: Floats) -> tuple[float, Floats]:
    """Return the root mean square of the rates (n, 3) along the least turned direction (rad/s), and that direction (3,)."""
    if len(rates) < 3:
        return 0.0, np.array([1.0, 0.0, 0.0])
    size, directions = np.linalg.eigh(np.cov(rates.T))
    return float(np.sqrt(max(size[0], 0.0))), np.asarray(directions[:, 0], dtype=np.float64)


def alignment(t_a: Floats, rates_a: Floats, t_b: Floats, rates_b: Floats) -> Calibration:
    """Return the rotation vector (3,), rad, that turns what A reads into what B reads, and the matrix (3, 3) of it.

    Times (n,), (m,) ascending; rates (n, 3), (m, 3) in rad/s of the same turning. Raises UncalibratedFault.
    """
    place = np.searchsorted(t_a, t_b)
    near = (place > 1) & (place < len(t_a) - 1)
    near[near] &= t_a[place[near]] - t_a[place[near] - 1] < LONGEST_GAP_S
    t, b = t_b[near], rates_b[near]
    if len(t) < PARTS * FEWEST_IN_PART:
        raise UncalibratedFault(f"{len(t)} samples of both units are too few; {PARTS * FEWEST_IN_PART} are the least")
    slope = np.gradient(rates_a, t_a, axis=0)
    a, change = (np.column_stack([np.interp(t, t_a, v[:, k]) for k in range(3)]) for v in (rates_a, slope))
    least, direction = turned_enough(a)
    if least < LEAST_TURNING_RAD_S:
        axis = "xyz"[int(np.argmax(np.abs(direction)))]
        raise UncalibratedFault(
            f"it was hardly turned about {axis} ({np.degrees(least):.0f} degrees per second): turn it more"
        )
    parts = _Parts(a, change, b)
    whole = parts.rotation(None)
    without = np.array([turn_of(parts.rotation(left_out) @ whole.T) for left_out in range(PARTS)])
    spread = (PARTS - 1) / PARTS * ((without - without.mean(axis=0)) ** 2).sum(axis=0)
    sigma = student_factor(PARTS - 1) * np.sqrt(spread)
    vector = turn_of(whole)
    # what turns the whole rotation a little: first order for the small angles between two units
    matrix_sigma = np.sqrt(sum(sigma[k] ** 2 * np.cross(np.eye(3)[k], whole, axisb=0, axisc=0) ** 2 for k in range(3)))
    estimates = (Estimated("rotation", vector, sigma, "rad"), Estimated("matrix", whole, np.asarray(matrix_sigma)))
    return Calibration("alignment", estimates)


class _Parts:
    """Normal equations of each part of the record, so that leaving one out costs nothing."""

    def __init__(self, a: Floats, change: Floats, b: Floats) -> None:
        columns = np.column_stack((a, np.ones(len(a)), change, b))
        self._parts = np.array([part.T @ part for part in np.array_split(columns, PARTS)])
        self._all = self._parts.sum(axis=0)

    def rotation(self, left_out: int | None) -> Floats:
        """Return R without one of the parts."""
        sums = self._all if left_out is None else self._all - self._parts[left_out]
        delay = 0.0
        m = np.eye(3)
        for _ in range(ROUNDS):
            # columns 0 to 3: A's rates a moment later, and one; 7 to 9: B's rates
            shift = np.zeros((7, 4))
            shift[:4, :4] = np.eye(4)
            shift[4:7, :3] = delay * np.eye(3)
            normal = shift.T @ sums[:7, :7] @ shift
            m = np.linalg.solve(normal, shift.T @ sums[:7, 7:])[:3].T
            # the moment: <M change, B - M a - c> over <M change, M change>, around the delay so far
            left = sums[4:7, 7:] - sums[4:7, :7] @ shift @ np.linalg.solve(normal, shift.T @ sums[:7, 7:])
            delay += float(np.trace(m @ left) / max(float(np.trace(m @ sums[4:7, 4:7] @ m.T)), 1e-12))
        u, _, v = np.linalg.svd(m)
        return np.asarray(u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ v))]) @ v, dtype=np.float64)
