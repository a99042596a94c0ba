"""Fins as ways to turn: all alike for roll, and the pairs that turn the nose about either axis.

Fin i stands at an angle around the body, from +x toward +y, and a positive turn of any fin pushes it around +z (a positive
roll). Its push is along the tangent (-sin, cos) at the tail, so that about x it turns by cos, about y by sin of its place
(statics, any textbook; checked against the simulated vehicle's own equations). With n fins the modes of their turns d are

    roll = mean(d)      pitch = 2/n sum(cos d)      yaw = 2/n sum(sin d)

so that one radian of a mode is one radian of fins that all help.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import pi

import numpy as np

from protocol.arrays import Floats

AXES = ("roll", "pitch", "yaw")  # about body z, x and y
COLUMN_OF = {"roll": 2, "pitch": 0, "yaw": 1}  # of a body rate


def even_places(count: int) -> Floats:
    """Return the places (rad) of fins evenly around the body, the first at +x, shape (count,)."""
    return 2.0 * pi * np.arange(count) / count


def mixing(places_rad: Sequence[float] | Floats) -> Floats:
    """Return what turns n fins into the three modes: shape (n, 3), so that angles (m, n) @ it is (m, 3)."""
    places = np.asarray(places_rad, dtype=np.float64)
    n = places.size
    return np.stack([np.full(n, 1.0 / n), 2.0 / n * np.cos(places), 2.0 / n * np.sin(places)], axis=1)
