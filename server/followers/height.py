"""Height, climb rate and phase by the station's own filter, over forces, attitudes and pressures in order of arrival."""

from __future__ import annotations

import numpy as np

from server.batch import Batch, Rows
from server.flight.altitude import PadReference
from server.flight.phase import G0, Phase, PhaseChange, PhaseDetector
from server.flight.vertical import VerticalFilter
from server.followers.found import Found, RoleColumns
from server.followers.motion import QUATERNION
from server.journal import Entry

MOMENT_TEXT = {
    "lift_off": "lift-off",
    "burnout": "burnout at {:.0f} m",
    "apogee": "apogee {:.1f} m",
    "landing": "landed",
}


class HeightFollower:
    """Runs the vertical filter and the phase detector."""

    def __init__(self, roles: RoleColumns, pad_temperature_k: float | None) -> None:
        self._roles = roles
        self._pad = PadReference(pad_temperature_k)
        self._vertical = VerticalFilter()
        self.phases = PhaseDetector()
        self._attitude: tuple[float, float, float, float] | None = None
        self._phase_told = False

    def take(self, batch: Batch, out: Found) -> None:
        """Run the vertical filter and the phase detector over forces, attitudes and pressures in order of arrival."""
        steps = [*self._attitude_steps(batch), *self._force_steps(batch), *self._pressure_steps(batch)]
        if not steps:
            return
        steps.sort(key=lambda step: step[0])
        if not self._phase_told:
            self._phase_told = True
            order, rx_s, t = steps[0][:3]
            self._note_phase(PhaseChange(self.phases.phase, t, ()), order, rx_s, out)
        made: list[tuple[int, float, float, float, float, float]] = []
        for order, rx_s, t, take, values in steps:
            change = take(t, values, made, order, rx_s)
            if change is not None:
                self._note_phase(change, order, rx_s, out)
        if made:
            table = np.array(made)
            columns = {"height": table[:, 3], "climb_rate": table[:, 4], "height_raw": table[:, 5]}
            late = np.zeros(len(made), dtype=bool)
            out.rows["ground_vertical"] = Rows(table[:, 0].astype(np.int64), table[:, 2], table[:, 1], late, columns)

    def _attitude_steps(self, batch: Batch) -> list[tuple]:
        return self._roles.steps(batch, QUATERNION, self._take_attitude)

    def _force_steps(self, batch: Batch) -> list[tuple]:
        return self._roles.steps(batch, ("accel.a.x", "accel.a.y", "accel.a.z"), self._take_force)

    def _pressure_steps(self, batch: Batch) -> list[tuple]:
        roles = ("pressure", "baro_temperature")
        same = (
            all(r in self._roles.roles for r in roles)
            and self._roles.roles[roles[0]].packet == self._roles.roles[roles[1]].packet
        )
        return self._roles.steps(batch, roles if same else roles[:1], self._take_pressure)

    def _take_attitude(self, t: float, q: tuple, made: list, order: int, rx_s: float) -> None:
        if 0.5 < sum(part * part for part in q) < 2.0:  # false for NaN
            self._attitude = q

    def _take_force(self, t: float, force: tuple, made: list, order: int, rx_s: float) -> PhaseChange | None:
        fx, fy, fz = force
        if self._attitude is None:
            up = fz
        else:
            w, x, y, z = self._attitude
            up = 2 * (x * z - w * y) * fx + 2 * (y * z + w * x) * fy + (1 - 2 * (x * x + y * y)) * fz
        self._vertical.acceleration(t, up - G0)
        return self.phases.force(t, fz)

    def _take_pressure(self, t: float, values: tuple, made: list, order: int, rx_s: float) -> PhaseChange | None:
        pressure_pa, temperature_k = values[0], values[1] if len(values) > 1 else None
        if self.phases.phase is Phase.PAD:
            self._pad.learn(pressure_pa, temperature_k)
        raw_m = self._pad.height_m(pressure_pa)
        self._vertical.height(t, raw_m)
        made.append((order, rx_s, t, self._vertical.height_m, self._vertical.climb_m_s, raw_m))
        return self.phases.motion(t, self._vertical.height_m, self._vertical.climb_m_s, raw_m)

    def _note_phase(self, change: PhaseChange, order: int, rx_s: float, out: Found) -> None:
        for moment in change.moments:
            text = MOMENT_TEXT[moment.key].format(moment.height_m)
            body = {"t": moment.t_s, "height_m": moment.height_m}
            out.note(order, Entry(rx_s, change.t_s, "moment", moment.key, "info", text, body))
        body = {"phase": change.phase.value}
        out.note(order, Entry(rx_s, change.t_s, "phase", "ground", "info", "", body))
