"""Where the nose points and how fast the vehicle says it is: one row per state vector."""

from __future__ import annotations

import numpy as np

from server.batch import Batch, Rows
from server.flight.attitude import azimuth_rad, roll_rad, tilt_rad
from server.followers.found import Found, RoleColumns

QUATERNION = tuple(f"attitude_quaternion.{part}" for part in "wxyz")
VELOCITY = tuple(f"velocity.{axis}" for axis in ("east", "north", "up"))


class MotionFollower:
    """Computes tilt, azimuth, roll and speed."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles

    def take(self, batch: Batch, out: Found) -> None:
        """Compute the rows of a batch."""
        found = self._roles.together(batch, QUATERNION)
        if found is None:
            return
        rows, parts = found
        w, x, y, z = parts.values()
        speed = np.full(len(rows), np.nan)
        velocity = self._roles.columns(rows, VELOCITY, self._roles.roles[QUATERNION[0]].packet)
        if len(velocity) == 3:
            east, north, up = velocity.values()
            with np.errstate(over="ignore", invalid="ignore"):
                speed = np.sqrt(east * east + north * north + up * up)
        columns = {
            "tilt": tilt_rad(w, x, y, z),
            "azimuth": azimuth_rad(w, x, y, z),
            "roll": roll_rad(w, x, y, z),
            "speed": speed,
        }
        out.rows["ground_motion"] = Rows(rows.order, rows.t, rows.rx_s, rows.late, columns)
