"""Where the nose points, how fast the vehicle says it is, and whether the nose draws a cone: one row per state vector."""

from __future__ import annotations

import numpy as np

from protocol.arrays import Floats
from protocol.raw_columns import Column
from server.analysis.roles import QUATERNION, VELOCITY
from server.analysis.trackers.output import TrackerOutput
from server.analysis.trackers.role_columns import Flying, RoleColumns
from server.flight.motion.attitude import azimuth_rad, nose_direction, roll_rad, tilt_rad
from server.flight.motion.cone import ConeWatch
from server.telemetry.batch import Batch, Rows

SPEED_HELD_S = 0.3  # of a packet of its own; common practice, no source


class MotionTracker:
    """Computes tilt, azimuth, roll and speed, and the cone while `flying` says for frame orders that it flies."""

    def __init__(self, roles: RoleColumns, flying: Flying) -> None:
        self._roles, self._flying = roles, flying
        self._cone = ConeWatch()
        self._last = (np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))  # order, t, speed told last in another packet

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Compute the rows of a batch."""
        found = self._roles.together(batch, QUATERNION)
        elsewhere = self._speed_elsewhere(batch, None if found is None else found[0])
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
        elif elsewhere is not None:
            speed = elsewhere
        columns: dict[str, Column] = {
            "tilt": tilt_rad(w, x, y, z),
            "azimuth": azimuth_rad(w, x, y, z),
            "roll": roll_rad(w, x, y, z),
            "speed": speed,
            **self._cones(rows, parts),
        }
        out.rows["ground_motion"] = Rows(rows.order, rows.t, rows.rx_s, rows.late, columns)

    def _speed_elsewhere(self, batch: Batch, rows: Rows | None) -> Floats | None:
        """Return at each row of the attitude the speed told last in a packet of its own; None where it comes in the same."""
        velocity = self._roles.roles.get(VELOCITY[0])
        attitude = self._roles.roles.get(QUATERNION[0])
        if velocity is None or attitude is None or velocity.packet == attitude.packet:
            return None
        order, t, speed = self._last
        found = self._roles.together(batch, VELOCITY)
        if found is not None:
            with np.errstate(over="ignore", invalid="ignore"):
                east, north, up = found[1].values()
                told = np.sqrt(east * east + north * north + up * up)
            order, t, speed = (np.concatenate(p) for p in ((order, found[0].order), (t, found[0].t), (speed, told)))
        self._last = (order[-1:], t[-1:], speed[-1:])
        if rows is None or not len(order):
            return None
        at = np.searchsorted(order, rows.order) - 1
        fresh = (at >= 0) & (np.abs(rows.t - t[at]) <= SPEED_HELD_S)
        return np.where(fresh, speed[at], np.nan)

    def _cones(self, rows: Rows, parts: dict[str, Floats]) -> dict[str, Floats]:
        """Return half-angle, turns per second and circularity of the nose's trace in flight; NaN elsewhere."""
        table = np.full((3, len(rows)), np.nan)
        flies = np.flatnonzero(self._flying(rows.order))
        if len(flies):
            east, north, _ = nose_direction(*(values[flies] for values in parts.values()))
            for row, cone in zip(flies.tolist(), self._cone.take(rows.t[flies], east, north), strict=True):
                if cone is not None:
                    table[:, row] = cone.half_angle_rad, cone.turns_per_s, cone.circularity
        return dict(zip(("cone", "cone_turns", "cone_round"), table, strict=True))
