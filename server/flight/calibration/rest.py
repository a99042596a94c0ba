"""In which stretches a vehicle lay still, by the scatter of its own inertial unit; and which way up.

In steps of `BLOCK_S`: a block is still when force and rates scatter little in it and its mean force is near that of the
block before. Blocks at the edge of a stretch are left out, since a hand may still touch. Thresholds are common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from protocol.arrays import Floats, Ints

BLOCK_S = 0.5
STILL_FORCE_M_S2, STILL_RATE_RAD_S = 0.5, 0.03
SAME_FORCE_M_S2 = 0.12
BY_CHANCE = 3.5
FEWEST_IN_BLOCK = 4
FACES = (("+x", 0, 1.0), ("-x", 0, -1.0), ("+y", 1, 1.0), ("-y", 1, -1.0), ("+z", 2, 1.0), ("-z", 2, -1.0))
ON_A_FACE = float(np.cos(np.radians(15.0)))


@dataclass(frozen=True)
class Still:
    """A stretch at rest: its time (s) and the places of its samples, first and one past the last."""

    start_s: float
    end_s: float
    first: int
    stop: int


def stretches_at_rest(t_s: Floats, force: Floats, rates: Floats | None, shortest_s: float) -> list[Still]:
    """Return the stretches of at least `shortest_s` in which a unit lay still, in order.

    Times (n,) ascending, force (n, 3) in m/s2, rates (n, 3) in rad/s or None where there is no gyro.
    """
    if len(t_s) < FEWEST_IN_BLOCK:
        return []
    number = np.floor((t_s - t_s[0]) / BLOCK_S).astype(np.int64)
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    stops = np.append(starts[1:], len(t_s))
    count = (stops - starts).astype(np.float64)
    still = count >= FEWEST_IN_BLOCK
    mean = np.add.reduceat(force, starts, axis=0) / count[:, None]
    spread = _spread(force, starts, count)
    still &= (spread < STILL_FORCE_M_S2).all(axis=1)
    if rates is not None:
        still &= (_spread(rates, starts, count) < STILL_RATE_RAD_S).all(axis=1)
    # two means of a noisy unit differ by chance
    noise = float(np.median(np.linalg.norm(spread[still], axis=1))) if still.any() else 0.0
    same = SAME_FORCE_M_S2 + BY_CHANCE * noise * np.sqrt(1.0 / count[1:] + 1.0 / count[:-1])
    joined = np.linalg.norm(np.diff(mean, axis=0), axis=1) < same
    follows = np.concatenate(([False], joined & (np.diff(number[starts]) == 1) & still[1:] & still[:-1]))
    found = []
    first = 0
    for at in range(1, len(starts) + 1):
        if at < len(starts) and follows[at]:
            continue
        # without the blocks at its edges; the last one heard may be unfinished
        if at - first >= 3 and still[first]:
            low, high = int(starts[first + 1]), int(stops[at - 2])
            if t_s[high - 1] - t_s[low] >= shortest_s - BLOCK_S:
                found.append(Still(float(t_s[low]), float(t_s[high - 1]), low, high))
        first = at
    return found


def _spread(values: Floats, starts: Ints, count: Floats) -> Floats:
    """Return the standard deviation of each block, (blocks, k)."""
    middle = np.repeat(np.add.reduceat(values, starts, axis=0) / count[:, None], count.astype(np.int64), axis=0)
    return np.asarray(np.sqrt(np.add.reduceat((values - middle) ** 2, starts, axis=0) / count[:, None]), dtype=np.float64)


def face_up(force: Floats) -> str:
    """Return which side is up ("+x" to "-z") by a mean force (3,) at rest, "" when no side is within 15 degrees of it."""
    direction = force / max(float(np.linalg.norm(force)), 1e-9)
    for name, axis, sign in FACES:
        if sign * direction[axis] > ON_A_FACE:
            return name
    return ""


def face_direction(name: str) -> Floats:
    """Return the unit vector of a side, (3,); zero for none."""
    return np.array([sign * (axis == place) for _, axis, sign in [f for f in FACES if f[0] == name] for place in range(3)])
