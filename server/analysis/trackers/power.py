"""Battery and rails: charge, sag, and how long the vehicle can still wait on the pad with its cameras on and off."""

from __future__ import annotations

from math import isfinite, nan

import numpy as np

from protocol.arrays import Floats
from protocol.events import VehicleRestarted
from protocol.raw_columns import Column
from server.analysis.figures.pad import BatteryFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.design.sheet_numbers import SheetNumbers
from server.flight.power.battery import OwnCount, RailCharge, SagMeter, check_count, pad_time
from server.flight.power.cell_charge import charge_share
from server.telemetry.batch import Batch, Rows

# Rows of the power packet after which the figure is told, then every `EVERY` rows; common practice, no source.
FIRST_ROWS = (10, 60)
EVERY = 300
# With less heard than this nothing is said of minutes.
SETTLED_ROWS = 10
ADVICE = "Keep the cameras off, or change the battery before the range opens."


class PowerTracker:
    """Goes through the power packets row by row: they come twice a second."""

    def __init__(self, roles: RoleColumns, facts: SheetNumbers) -> None:
        self._roles, self._facts = roles, facts
        self._rails = {role: RailCharge() for role in roles.roles if role.startswith("rail[")}
        self._total, self._own, self._sag = RailCharge(), OwnCount(), SagMeter()
        self._cameras = sum(role.startswith("camera[") and role.endswith(".powered") for role in roles.roles)
        self._camera_currents = [role for role in roles.roles if role.startswith("camera[") and role.endswith(".current")]
        self._camera_a: dict[str, float] = {}
        self._rest_share: float | None = None
        self._low_told = False
        self._landings: list[int] = []
        self._restarts: list[int] = []
        self._waiting: list[tuple[int, str, float]] = []  # camera currents heard since the last power packet
        self._rows = 0
        self._volts = nan
        self._start_off: float | None = None

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Add up a batch."""
        self._restarts += [order for order, _, _, event in batch.events if isinstance(event, VehicleRestarted)]
        seen = self._waiting + self._cameras_seen(batch)
        self._waiting = []
        self._landings += [order for order, entry in out.entries if entry.topic == "moment" and entry.key == "landing"]
        found = self._roles.table_of(batch, "battery.voltage")
        if found is None:
            self._waiting = seen
            return
        rows, channel = found
        packet = channel.packet
        roles = ("battery.voltage", "battery.current", "battery.charge_used", *self._rails)
        columns = self._roles.columns(rows, roles, packet)
        made: list[tuple[float, float]] = []
        for row in range(len(rows)):
            while self._restarts and self._restarts[0] < rows.order[row]:
                self._restarts.pop(0)
                self._restart(rows, row, out)
            while seen and seen[0][0] < rows.order[row]:
                _, role, current = seen.pop(0)
                self._camera_a[role] = max(self._camera_a.get(role, 0.0), current)
            self._take_row(rows, row, columns)
            off, on = self._minutes()
            made.append((off, on))
            # Told once more with the first row after landing, whichever batch that comes in.
            landed = bool(self._landings) and self._landings[0] <= rows.order[row]
            if landed:
                self._landings.clear()
            # Waiting time is judged at the beginning of a stay: later it has been used, as it should.
            if self._rows == FIRST_ROWS[0] and isfinite(off):
                self._start_off = off
            if self._rows in FIRST_ROWS or self._rows % EVERY == 0 or landed:
                self._note(rows, row, off, on, out)
            self._warn(rows, row, off, out)
        self._waiting = seen
        table = np.array(made, dtype=np.float64)
        minutes: dict[str, Column] = {"minutes_off": table[:, 0], "minutes_on": table[:, 1]}
        out.rows["ground_power"] = Rows(rows.order, rows.t, rows.rx_s, rows.late, minutes)

    def _restart(self, rows: Rows, row: int, out: TrackerOutput) -> None:
        """The vehicle was switched on anew, perhaps with another battery: judge that one from its beginning."""
        self._rows, self._rest_share, self._start_off = 0, None, None
        if self._low_told:
            text = "switched on anew: the battery is judged from its beginning"
            out.note(Instant.of(rows, row), "alarm", "flight reserve", "info", text, {"state": "cleared"})
        self._low_told = False

    def _cameras_seen(self, batch: Batch) -> list[tuple[int, str, float]]:
        """Return (order, role, current) of every camera current above the most seen so far, in order."""
        out: list[tuple[int, str, float]] = []
        for role in self._camera_currents:
            found = self._roles.table_of(batch, role)
            if found is not None:
                values = found[0].numbers(found[1].name)
                above = np.flatnonzero(values > self._camera_a.get(role, 0.0))
                out += [(int(found[0].order[row]), role, float(values[row])) for row in above if isfinite(values[row])]
        return sorted(out)

    def _take_row(self, rows: Rows, row: int, columns: dict[str, Floats]) -> None:
        self._rows += 1
        t = rows.t[row : row + 1]
        one = {role: values[row : row + 1] for role, values in columns.items()}
        for role, rail in self._rails.items():
            if role in one:
                rail.take(t, one[role])
        if "battery.charge_used" in one:
            self._own.take(one["battery.charge_used"])
        if "battery.current" in one:
            self._total.take(t, one["battery.current"])
            self._sag.take(t, one["battery.voltage"], one["battery.current"])
        volts = float(one["battery.voltage"][0])
        self._volts = volts if isfinite(volts) else self._volts
        if self._rows == SETTLED_ROWS and self._facts.battery_cells and isfinite(self._volts):
            # Under a small load on the pad: a little too low, which is the safe side.
            self._rest_share = charge_share(self._volts / self._facts.battery_cells)

    def _minutes(self) -> tuple[float, float]:
        """Return minutes with the cameras off and on; NaN while or where they cannot be said."""
        facts = self._facts
        capacity, reserve = facts.battery_capacity_c, facts.battery_reserve_c
        if self._rows < SETTLED_ROWS or capacity is None or reserve is None or self._total.mean_a is None:
            return nan, nan
        used = self._own.now_c if self._own.now_c is not None else self._total.used_c
        if self._rest_share is not None:
            # Not full at switch-on: what the voltage says was missing counts as used.
            used = max(used, (1.0 - self._rest_share) * capacity + self._own.since_first_c)
        cameras = sum(rail.last_a for role, rail in self._rails.items() if "camera" in role)
        other = self._total.last_a - cameras
        each = list(self._camera_a.values())
        # A camera that was never on is taken to draw what the thirstiest one seen does.
        on = (
            self._cameras * max(each)
            if each and max(each) > 0.0
            else facts.camera_current_a and (self._cameras * facts.camera_current_a)
        )
        times = pad_time(capacity, reserve, used, other, on)
        return (
            nan if times.cameras_off_min is None else times.cameras_off_min,
            nan if times.cameras_on_min is None else times.cameras_on_min,
        )

    def _note(self, rows: Rows, row: int, off: float, on: float, out: TrackerOutput) -> None:
        sag, facts = self._sag.result(), self._facts
        check = check_count(self._own.since_first_c, list(self._rails.values())) if self._rails else None
        figure = BatteryFigure(
            t=float(rows.t[row]),
            used_c=self._own.now_c if self._own.now_c is not None else self._total.used_c,
            rails_c={role[5:-9]: rail.used_c for role, rail in self._rails.items()},
            estimated_c=sum(rail.estimated_c for rail in self._rails.values()),
            counts_agree=None if check is None else check.agree,
            minutes_cameras_off=off if isfinite(off) else None,
            minutes_cameras_on=on if isfinite(on) else None,
            start_minutes_off=self._start_off,
            minutes_wanted=facts.pad_minutes,
            rest_share=self._rest_share,
            voltage_v=self._volts,
            cells=facts.battery_cells,
            resistance_ohm=sag.resistance_ohm,
            resistance_low_ohm=sag.low_ohm,
            resistance_high_ohm=sag.high_ohm,
        )
        out.note_figure(Instant.of(rows, row), figure)

    def _warn(self, rows: Rows, row: int, off: float, out: TrackerOutput) -> None:
        if self._low_told or not isfinite(off) or off > 0.0:
            return
        self._low_told = True
        body = {"state": "raised", "advice": ADVICE}
        text = "the battery is down to its flight reserve"
        out.note(Instant.of(rows, row), "alarm", "flight reserve", "warning", text, body)
