"""The servo cable: is its connector closed, and if not, did it open when it should?

The connector is pulled apart when the bodies part, so an opening at deployment is normal. Whether one came too early is
settled by what is heard, not by a clock of ours: an opening in flight is too early once the vehicle says, `AT_S` or more
after it, that it has neither deployed nor parted. While such a row has not come through, nothing is said. `STATES` says
what each state of the cable is; `CableState` holds the present one.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from functools import partial
from math import isfinite, nan

import numpy as np

from protocol.arrays import Floats
from protocol.events import VehicleRestarted
from server.analysis.figures.control import ServoCableFigure
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.flight.control.servo_bus import BusWatch, age_levels, voltage_levels
from server.flight.motion.phase_agreement import VEHICLE_PHASES
from server.telemetry.batch import Batch, Rows
from server.telemetry.journal import JournalEntry

VOLTAGE, AGE = "servo_bus.voltage", "servo_bus.frame_age"
FLAGS = ("deployment", "separation", "control.enabled")
RELEASES = {"deployment": "the deployment command", "separation": "the separation switch"}
# An opening this long before the first word of a deployment belongs to it: flags come ten times a second, and a charge may
# part the bodies before the next of them. Common practice, no source.
AT_S = 0.3
# On the ground a cable is plugged in by hands: what lasts longer than this is told.
ON_GROUND_S = 1.0
# For a vehicle that tells neither flag: apogee within so long of the opening makes it one at deployment.
APOGEE_WITHIN_S = 3.0
# A contact that comes and goes is one trouble, not many: an alarm is cleared when the bus has been alive for so long.
HELD_S = 2.0
HEIGHT_AGE_S = 1.0
GROUND = frozenset({"", "pad"})
KEY = "servo cable"
PAD_ADVICE = "Do not fly: seat the servo connector, tug at it, and see voltage and frame age come back."
FLIGHT_ADVICE = "The fins no longer obey, whatever control says: keep everybody watching the vehicle itself."


class CableState(Enum):
    """What is known of the connector."""

    CLOSED = "closed, or not yet heard of"
    OPEN = "open; whether too early is not settled"
    ON_GROUND = "open before lift-off: a caution"
    EARLY = "open in flight before deployment: a warning"
    SETTLED = "open as it should be, or too late to matter"


ALARMS = {CableState.ON_GROUND: "caution", CableState.EARLY: "warning"}
IDLE = (CableState.CLOSED, CableState.SETTLED)
WINDOW = 512  # frames looked at row by row at a time

Step = tuple[int, int, Callable[[TrackerOutput], None]]
"""Frame order, rank among the steps of that frame, what to do."""


class ServoCableTracker:
    """Watches voltage and frame age; must come after the trackers that tell phases and moments."""

    def __init__(self, roles: RoleColumns) -> None:
        self._roles = roles
        self._watches = {role: BusWatch() for role in (VOLTAGE, AGE) if role in roles.roles}
        self._has_flags = any(role in roles.roles for role in RELEASES)
        self._silent: dict[str, float] = {}  # which of the two is dead, since when
        self.state = CableState.CLOSED
        self._since_t = nan
        self._phase, self._ground_told = "", False
        self._released: dict[str, float] = {}  # flag -> when it was first heard to be on
        self._apogee_t: float | None = None
        self._control_on = False
        self._climb = (nan, nan, nan)  # t, height, climb rate last computed
        self._told_open: bool | None = None
        self._alive_t: float | None = None  # since when the bus is alive while its alarm is still held
        self._control_then = False
        self._height_then: float | None = None
        self._early_told = False

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Follow a batch: in strides while nothing can change, row by row while an opening waits to be settled."""
        if not self._watches:
            return
        changes = self._bus_changes(batch)
        at, end = batch.first_order, batch.first_order + len(batch.frame_t)
        while at < end:
            next_change = min((change[0] for change in changes if change[0] >= at), default=end)
            if self.state in IDLE and next_change > at:
                self._pass_by(batch, out, at, next_change)
                at = next_change
            else:
                stop = min(at + WINDOW, end)
                steps = [change for change in changes if at <= change[0] < stop] + self._steps(batch, out, at, stop)
                for _, _, take in sorted(steps, key=lambda step: step[:2]):
                    take(out)
                at = stop
        climb = out.rows.get("ground_vertical")
        if climb is not None and len(climb):
            self._climb = _climb_of(climb, -1)

    # ------------------------------------------------------------ what a batch holds, in order

    def _bus_changes(self, batch: Batch) -> list[Step]:
        steps: list[Step] = []
        for role, watch in self._watches.items():
            found = self._roles.table_of(batch, role)
            if found is None:
                continue
            rows, channel = found
            values = rows.numbers(channel.name)
            levels = age_levels(values) if role == AGE else voltage_levels(values)
            levels[rows.late] = 0
            age_s = values if role == AGE else self._roles.columns(rows, (AGE,), channel.packet).get(AGE, np.zeros(1))
            dated_t = np.where(np.isfinite(age_s), rows.t - age_s, rows.t)
            for change in watch.take(rows.t, levels, dated_t):
                at = Instant.of(rows, change.row)
                steps.append((at.order, 3, partial(self._take_bus, at, role, change.dead, change.since_t)))
        return steps

    def _steps(self, batch: Batch, out: TrackerOutput, at: int, stop: int) -> list[Step]:
        """Return everything that matters to an open connector."""
        steps: list[Step] = [(order, 0, self._take_restart) for order in _restarts(batch, at, stop)]
        steps += [(order, 1, partial(self._take_entry, entry)) for order, entry in _told(out, at, stop)]
        for rows, part, columns in self._flag_rows(batch, at, stop):
            for row in range(part.start, part.stop):
                if not rows.late[row]:
                    at_row = Instant.of(rows, row)
                    flags = {role: float(column[row]) for role, column in columns.items()}
                    steps.append((at_row.order, 2, partial(self._take_flags, at_row, flags)))
        if not self._has_flags:
            steps += self._bus_rows(batch, at, stop)
        return steps

    def _bus_rows(self, batch: Batch, at: int, stop: int) -> list[Step]:
        """Return the rows of the bus as steps: the clock of a vehicle that tells no flags."""
        found = self._roles.table_of(batch, next(iter(self._watches)))
        if found is None:
            return []
        rows, part = found[0], _part(found[0], at, stop)
        places = [Instant.of(rows, row) for row in range(part.start, part.stop)]
        return [(place.order, 4, partial(self._take_flags, place, {})) for place in places]

    def _flag_rows(self, batch: Batch, at: int, stop: int) -> list[tuple[Rows, slice, dict[str, Floats]]]:
        """Return the rows that hold flags, the part of them in a stretch of frames, and the flags, packet by packet."""
        found = []
        for packet in dict.fromkeys(self._roles.roles[role].packet for role in FLAGS if role in self._roles.roles):
            rows = batch.rows.get(packet)
            if rows is not None:
                found.append((rows, _part(rows, at, stop), self._roles.columns(rows, FLAGS, packet)))
        return found

    def _pass_by(self, batch: Batch, out: TrackerOutput, at: int, stop: int) -> None:
        """While nothing waits to be settled only the first release and the last word of the rest count."""
        for _, entry in _told(out, at, stop):
            self._take_entry(entry, out)
        restarts = _restarts(batch, at, stop)
        if restarts:
            self._released.clear()
        for rows, part, columns in self._flag_rows(batch, at, stop):
            for role, column in columns.items():
                values = column[part]
                heard = np.isfinite(values) & ~rows.late[part]
                if role not in RELEASES:
                    self._control_on = bool(values[heard][-1] > 0.0) if heard.any() else self._control_on
                    continue
                on = heard & (values > 0.0) & (rows.order[part] >= (restarts[-1] if restarts else at))
                if on.any():
                    self._released.setdefault(role, float(rows.t[part][np.argmax(on)]))

    # ------------------------------------------------------------ one step each

    def _take_restart(self, out: TrackerOutput) -> None:
        """The vehicle was switched on anew, perhaps packed again: what it said of its deployment is over."""
        self._released.clear()

    def _take_entry(self, entry: JournalEntry, out: TrackerOutput) -> None:
        if entry.topic == "moment":
            self._apogee_t = None if entry.body.get("withdrawn") else entry.number("t")
        elif entry.key == "ground":
            self._ground_told = True
            self._phase = str(entry.body["phase"])
        elif not self._ground_told:
            phase = VEHICLE_PHASES.get(str(entry.body["phase"]))
            self._phase = "" if phase is None else phase.value

    def _take_flags(self, at: Instant, flags: dict[str, float], out: TrackerOutput) -> None:
        if isfinite(flags.get("control.enabled", nan)):
            self._control_on = flags["control.enabled"] > 0.0
        for role in RELEASES:
            if flags.get(role, 0.0) > 0.0:
                self._released.setdefault(role, at.t)
        told_off = any(flags.get(role) == 0.0 for role in RELEASES) or not self._has_flags
        self._settle(at, told_off, out)

    def _take_bus(self, at: Instant, role: str, dead: bool, since_t: float, out: TrackerOutput) -> None:
        was = bool(self._silent)
        if dead:
            self._silent[role] = since_t
            self._since_t = min(self._since_t, since_t) if was else since_t
        else:
            self._silent.pop(role, None)
        is_open = bool(self._silent)
        if is_open and not was:
            self._opened(at.order, since_t, out)
        if was and not is_open:
            self._alive_t = since_t
            if self.state not in ALARMS:
                self.state = CableState.CLOSED
        if is_open is not self._told_open:
            self._told_open = is_open
            out.note(at, "cable", "servo", "info", "", {"open": is_open, "since_t": since_t})

    # ------------------------------------------------------------ the states of the cable

    def _opened(self, order: int, since_t: float, out: TrackerOutput) -> None:
        self._alive_t = None
        if self.state in ALARMS:
            return
        self.state = CableState.OPEN
        self._control_then = self._control_on
        climb = out.rows.get("ground_vertical")
        row = -1 if climb is None else int(np.searchsorted(climb.order, order, side="right")) - 1
        t, height_m, climb_m_s = self._climb if climb is None or row < 0 else _climb_of(climb, row)
        known = abs(since_t - t) <= HEIGHT_AGE_S and isfinite(height_m + climb_m_s)
        self._height_then = height_m + climb_m_s * (since_t - t) if known else None

    def _settle(self, at: Instant, told_off: bool, out: TrackerOutput) -> None:
        """Go on from an open connector by what has just been heard."""
        if self.state in IDLE:
            return
        if self._alive_t is not None:
            if at.t >= self._alive_t + HELD_S:
                self._clear(at, out, "the servo bus is alive again")
                self.state = CableState.CLOSED
            return
        released = self._released_at()
        if released is not None or self._phase == "landed":
            self._let_be(at, released, out)
        elif self._phase in GROUND:
            if self.state is CableState.OPEN and at.t >= self._since_t + ON_GROUND_S:
                self._raise(at, CableState.ON_GROUND, out)
        elif self.state is CableState.ON_GROUND:
            self._raise(at, CableState.EARLY, out, "before lift-off")
        elif self.state is CableState.OPEN and told_off and at.t >= self._since_t + self._patience_s():
            self._raise(at, CableState.EARLY, out, "before deployment")

    def _patience_s(self) -> float:
        return AT_S if self._has_flags else APOGEE_WITHIN_S

    def _released_at(self) -> tuple[str, float] | None:
        """Return what parted the bodies as far as is heard, and when: the first flag, or apogee where there are no flags."""
        if self._released:
            role = min(self._released, key=self._released.__getitem__)
            return RELEASES[role], self._released[role]
        if not self._has_flags and self._apogee_t is not None and self._apogee_t <= self._since_t + APOGEE_WITHIN_S:
            return "apogee", self._apogee_t
        return None

    def _raise(self, at: Instant, state: CableState, out: TrackerOutput, kind: str = "") -> None:
        self.state = state
        on_ground = state is CableState.ON_GROUND
        where = "on the ground" if on_ground else "before deployment"
        what = "no voltage at the fins" if VOLTAGE in self._silent else "the bus has voltage, but no servo frame comes"
        advice = PAD_ADVICE if on_ground else FLIGHT_ADVICE
        body = {"state": "raised", "since_t": self._since_t, "advice": advice, "roles": list(self._watches)}
        text = f"servo connector open {where}: {what}"
        out.note(at, "alarm", KEY, ALARMS[state], text, body)
        if not on_ground and not self._early_told:
            self._early_told = True
            figure = ServoCableFigure(
                t=self._since_t, kind=kind, height_m=self._height_then, control_on=self._control_then, cause=what
            )
            out.note_figure(at, figure)

    def _clear(self, at: Instant, out: TrackerOutput, text: str) -> None:
        out.note(at, "alarm", KEY, "info", text, {"state": "cleared"})

    def _let_be(self, at: Instant, released: tuple[str, float] | None, out: TrackerOutput) -> None:
        """The bodies have parted, or all is over: an open connector is no trouble any more."""
        if self.state in ALARMS:
            why = "it has landed" if released is None else "the bodies part: an open servo connector is normal from here"
            self._clear(at, out, why)
        self.state = CableState.SETTLED
        if released is None or self._early_told:
            return
        what, when = released
        delay_s = self._since_t - when
        sentence = f"servo connector opened {abs(delay_s):.2f} s {'after' if delay_s >= 0 else 'before'} {what}"
        known = delay_s >= -AT_S
        text = f"{sentence}, as it should" if known else f"{sentence} was first heard; nothing was heard between"
        kind = "at deployment" if known else "unheard"
        figure = ServoCableFigure(
            t=self._since_t, kind=kind, against=what, delay_s=delay_s, height_m=self._height_then, sentence=text
        )
        out.note_figure(at, figure)


def _part(rows: Rows, at: int, stop: int) -> slice:
    """Return where the rows of a stretch of frames are."""
    start, end = np.searchsorted(rows.order, (at, stop)).tolist()
    return slice(start, end)


def _restarts(batch: Batch, at: int, stop: int) -> list[int]:
    """Return the frames of a stretch with which the vehicle restarted."""
    return [order for order, _, _, event in batch.events if isinstance(event, VehicleRestarted) and at <= order < stop]


def _told(out: TrackerOutput, at: int, stop: int) -> list[tuple[int, JournalEntry]]:
    """Return what trackers before this one have told of phases and of apogee in a stretch of frames, in order."""
    told = [
        item
        for item in out.entries
        if at <= item[0] < stop and (item[1].topic == "phase" or (item[1].topic, item[1].key) == ("moment", "apogee"))
    ]
    return sorted(told, key=lambda item: item[0])


def _climb_of(climb: Rows, row: int) -> tuple[float, float, float]:
    """Return time, height and climb rate of one computed row."""
    return float(climb.t[row]), float(climb.numbers("height")[row]), float(climb.numbers("climb_rate")[row])
