"""The health of the state vector: which frames are not numbers, and which component."""

from __future__ import annotations

from server.batch import Batch
from server.flight.health import nonfinite_names, nonfinite_rows
from server.followers.found import Found, RoleColumns
from server.followers.motion import QUATERNION, VELOCITY
from server.journal import Entry

POSITION = tuple(f"position.{axis}" for axis in ("east", "north", "up"))
BODY_RATE = tuple(f"body_rate.{axis}" for axis in "xyz")
STATE_VECTOR = (*POSITION, *VELOCITY, *QUATERNION, *BODY_RATE)
NONFINITE_ALARM = {
    "state": "raised",
    "acknowledged": False,
    "advice": "The state vector held something that is not a number. On the pad: do not fly until it is explained.",
}


class StateVectorFollower:
    """Looks at every frame of the state vector."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles

    def take(self, batch: Batch, out: Found) -> None:
        packets = dict.fromkeys(self._roles.roles[role].packet for role in STATE_VECTOR if role in self._roles.roles)
        for packet in packets:
            rows = batch.rows.get(packet)
            if rows is None:
                continue
            columns = self._roles.columns(rows, STATE_VECTOR, packet)
            for row in nonfinite_rows(columns).tolist():
                names = [self._roles.roles[role].name for role in nonfinite_names(columns, row)]
                text = f"state vector not finite: {', '.join(names)}"
                body = {"packet": packet, "components": names}
                rx_s, t, order = float(rows.rx_s[row]), float(rows.t[row]), int(rows.order[row])
                out.entries.append((order, Entry(rx_s, t, "health", "nonfinite", "warning", text, body)))
                out.entries.append((order, Entry(rx_s, t, "alarm", "nonfinite", "warning", text, NONFINITE_ALARM)))
