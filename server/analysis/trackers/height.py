"""Height, climb rate, phase and predicted apogee by the station's own filter, over forces, attitudes and pressures in order.

The filter never sees the vehicle's own height or climb rate; of the vehicle's estimate it takes the attitude, to turn
forces upright, and for the prediction the horizontal speed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import partial
from itertools import chain
from math import nan, sqrt

import numpy as np

from protocol.arrays import Bools, Floats, Ints
from protocol.raw_columns import Column
from protocol.units import GRAVITY_M_S2
from server.analysis.judgements.air import SEA_LEVEL_DENSITY_KG_M3
from server.analysis.roles import QUATERNION, VELOCITY
from server.analysis.trackers.forces import OTHER_S, Unit, units_of
from server.analysis.trackers.output import Instant, TrackerOutput
from server.analysis.trackers.role_columns import RoleColumns
from server.design.sheet_numbers import SheetNumbers
from server.flight.air.altitude import GroundLevel, PadLevel, PadReference
from server.flight.motion.apogee_predictor import ANOTHER_BURNS, ApogeePredictor
from server.flight.motion.coast import prior_kappa
from server.flight.motion.drag_curve import DragCurve, Shape
from server.flight.motion.phase import BOOST, COAST, LANDED, PAD, PhaseChange, PhaseDetector
from server.flight.motion.vertical import VerticalFilter
from server.flight.sensors.state_health import GroundEstimate
from server.telemetry.batch import Batch, Rows

MOMENT_TEXT = {
    "lift_off": "lift-off",
    "burnout": "burnout at {:.0f} m",
    "ignition": "ignition at {:.0f} m",
    "apogee": "apogee {:.1f} m",
    "landing": "landed",
}
ORDINALS = {"2": "second", "3": "third"}
LATER_MOTOR = re.compile(r"motor\[(?!1\]).+\]\.ignited")

# Where the nose leads and turns slowly an attitude holds until the next one; without any the force along the nose is up.
NOSE_FIRST = frozenset({PAD, BOOST, COAST})
STOOD_S = 0.5  # a prediction at its bound does not flicker in the journal; common practice, no source
ATTITUDE_HELD_S = 0.3  # elsewhere; common practice, no source
# There the barometer knows better: an attitude with which the forces lead away from it is lost, and stays so. No source.
LOST_AT = 2.5
# A sensor at its end says "at least so much": that much more, give or take, is as good a guess as any. No source.
CLIPPED_MORE, CLIPPED_DOUBT = 1.2, 0.4
UPRIGHT = (0.0, 0.0, 1.0)
MADE, ESTIMATE = 6, 5  # numbers a row; one after the other in one list, where an hour's tuples keep the collector busy

Values = tuple[float, ...]
Made = list[float]
"""Computed rows one after the other, `MADE` numbers each: order, arrival, t, height, climb rate, the barometer's height."""
Takes = Callable[[float, Values, Made, int, float], PhaseChange | None]
Way = tuple[tuple[str, ...], Takes]
Step = tuple[int, float, float, Takes, Values]
"""Order, arrival, t, what takes it, its values."""


class SteadyReason:
    """Why there is no predicted apogee, "" while there is one: the first, and a change once it has stood for `STOOD_S`."""

    def __init__(self) -> None:
        self._told: str | None = None
        self._new, self._since_s = "", 0.0
        self._changes: list[tuple[Instant, str]] = []

    def take(self, at: Instant, reason: str) -> None:
        """Take what stands against a prediction at one instant."""
        if reason != self._new:
            self._new, self._since_s = reason, at.t
        if self._told is None or (reason != self._told and at.t - self._since_s >= STOOD_S):
            self._told = reason
            self._changes.append((at, reason))

    def changes(self) -> list[tuple[Instant, str]]:
        """Return the changes since the last call."""
        out, self._changes = self._changes, []
        return out


class HeightTracker:
    """Runs the vertical filter and the phase detector."""

    def __init__(self, roles: RoleColumns, facts: SheetNumbers) -> None:
        self._roles = roles
        self._pad = PadReference(facts.pad_temperature_k)
        self._ground = GroundLevel()
        self._vertical = VerticalFilter()
        self.phases = PhaseDetector()
        self._predictor = _predictor(facts, "pressure" in roles.roles)
        self._up: tuple[float, float, float] | None = None  # the vertical in body axes, by the last attitude
        self._attitude_s = -1e9
        self._attitude_lost = False
        self._units = units_of(roles)
        self._across_m_s: tuple[float, float] | None = None  # time, horizontal speed by the vehicle
        self._lit = {role: False for role in roles.roles if LATER_MOTOR.fullmatch(role)}
        self._phase_told = False
        self._flights: list[tuple[int, bool]] = [(-1, False)]  # from which frame on it flies or not
        self._estimates: list[float] = []  # `ESTIMATE` numbers a row
        self._predicted: list[tuple[float, ...]] = []
        self._is_foretold = False
        self._why_none = SteadyReason()
        self._speeds = (np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))

    def take(self, batch: Batch, out: TrackerOutput) -> None:
        """Run the vertical filter and the phase detector over forces, attitudes and pressures in order of arrival."""
        self._estimates, self._predicted = [], []
        self._speeds = self._horizontal(batch)
        self._flights = [(-1, self._flights[-1][1])]
        steps: Iterator[Step] = self._roles.steps(batch, self._ways())
        first = next(steps, None)
        if first is None:
            self._keep_speed()
            return
        if not self._phase_told:
            self._phase_told = True
            order, rx_s, t = first[:3]
            self._note_phase(PhaseChange(self.phases.phase, t, ()), order, rx_s, out)
        made: Made = []
        for order, rx_s, t, take, values in chain((first,), steps):
            change = take(t, values, made, order, rx_s)
            if change is not None:
                self._note_phase(change, order, rx_s, out)
        self._keep_speed()
        for at, reason in self._why_none.changes():
            out.note(at, "prediction", "apogee", "info", "", {"reason": reason})
        if made:
            table = np.array(made).reshape(-1, MADE)
            columns: dict[str, Column] = {"height": table[:, 3], "climb_rate": table[:, 4], "height_raw": table[:, 5]}
            late = np.zeros(len(table), dtype=bool)
            out.rows["ground_vertical"] = Rows(table[:, 0].astype(np.int64), table[:, 2], table[:, 1], late, columns)
        if self._predicted:
            table = np.array(self._predicted)
            columns = {name: table[:, 3 + i] for i, name in enumerate(("predicted", "low", "high", "seconds_left"))}
            late = np.zeros(len(table), dtype=bool)
            out.rows["ground_apogee"] = Rows(table[:, 0].astype(np.int64), table[:, 2], table[:, 1], late, columns)

    def flying(self, orders: Ints) -> Bools:
        """Return whether the vehicle flew at frames (by order) of the last batch, shape (n,)."""
        starts = np.array([order for order, _ in self._flights])
        flew = np.array([flies for _, flies in self._flights])
        return flew[np.searchsorted(starts, orders, side="right") - 1]

    def estimates(self, packet: str) -> tuple[Bools, GroundEstimate] | None:
        """Return (in flight, own estimate) at each row of the last batch's packet, when it is the one with the attitude."""
        channel = self._roles.roles.get(QUATERNION[0])
        if channel is None or channel.packet != packet or not self._estimates:
            return None
        table = np.array(self._estimates).reshape(-1, ESTIMATE)
        height, height_sigma, climb, climb_sigma = (table[:, column].copy() for column in range(1, 5))
        share = self._pad.other_formula_share
        return table[:, 0] > 0.0, GroundEstimate(height, height_sigma, climb, climb_sigma, share)

    def _horizontal(self, batch: Batch) -> tuple[Ints, Floats, Floats]:
        """Return orders, times and horizontal speeds of the batch's rows in which the vehicle told a finite one."""
        found = self._roles.together(batch, VELOCITY[:2])
        if found is None:
            return np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0)
        rows, columns = found
        with np.errstate(over="ignore", invalid="ignore"):
            east, north = columns.values()
            across = np.sqrt(east * east + north * north)
        told = np.isfinite(across)
        return rows.order[told], rows.t[told], across[told]

    def _keep_speed(self) -> None:
        if len(self._speeds[0]):
            self._across_m_s = (float(self._speeds[1][-1]), float(self._speeds[2][-1]))

    def _ways(self) -> Iterator[Way]:
        """Say which roles are taken together and by what; the last is the vehicle's word that a later motor lit."""
        yield QUATERNION, self._take_attitude
        for unit, one in self._units.items():
            others = tuple(other for name, other in self._units.items() if name != unit)
            yield one.roles, partial(self._take_force, one, unit == "b", others)
        height = "pressure" if "pressure" in self._roles.roles else "altitude_baro"
        yield (height,), self._take_pressure if height == "pressure" else self._take_altitude
        for role in self._lit:
            yield (role,), partial(self._take_ignited, role)

    def _take_ignited(self, role: str, t: float, values: Values, made: Made, order: int, rx_s: float) -> PhaseChange | None:
        if not values[0] > 0.0:  # false for NaN
            self._lit[role] = False
            return None
        if self._lit[role]:
            return None
        self._lit[role] = True
        return self.phases.ignited(t)

    def _take_attitude(self, t: float, q: Values, made: Made, order: int, rx_s: float) -> None:
        w, x, y, z = q
        if 0.5 < w * w + x * x + y * y + z * z < 2.0:  # false for NaN
            self._up = 2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)
            self._attitude_s = t
        self._estimates += self._estimate_at(t)

    def _estimate_at(self, t: float) -> tuple[float, float, float, float, float]:
        """Return (in flight, height, its sigma, climb, its sigma) at a time; NaN before the first pressure.

        NaN also while the filter leaves out what the barometer says: an impact stops the vehicle, not yet the estimate.
        """
        vertical, phase = self._vertical, self.phases.phase
        moves = 0.0 if phase is PAD or phase is LANDED else 1.0
        if vertical.time_s is None or vertical.is_rejecting or not 0.0 <= t - vertical.time_s <= 1.0:
            return moves, nan, nan, nan, nan
        dt, climb, p_climb = t - vertical.time_s, vertical.climb_m_s, vertical.p_climb
        variance = vertical.p_height + dt * (2.0 * vertical.p_cross + dt * p_climb)
        height_sigma = 0.0 if variance < 0.0 else sqrt(variance)
        return moves, vertical.height_m + climb * dt, height_sigma, climb, 0.0 if p_climb < 0.0 else sqrt(p_climb)

    def _take_force(
        self,
        reading: Unit,
        is_second: bool,
        others: tuple[Unit, ...],
        t: float,
        force: Values,
        made: Made,
        order: int,
        rx_s: float,
    ) -> PhaseChange | None:
        phases, known = self.phases, self._up
        phase = phases.phase
        if not reading.take(t, force, phase is PAD and not phases.pad.climbs, None if known is None else known[2]):
            return None
        is_clipped = reading.is_clipped
        # The first unit's word counts, the second's where the first has none.
        if is_second or is_clipped:
            for other in others:
                if t - other.good_s <= OTHER_S:
                    return None
        fx, fy, fz = reading.force
        leads = phase is PAD or phase in NOSE_FIRST
        # Under a parachute a vehicle hangs anyhow and lies anyhow: there an old attitude is as good as none.
        if leads or (not self._attitude_lost and t - self._attitude_s < ATTITUDE_HELD_S):
            x, y, z = known or UPRIGHT
            up = x * fx + y * fy + z * fz
            if is_clipped:
                self._vertical.acceleration(t, CLIPPED_MORE * up - GRAVITY_M_S2, CLIPPED_DOUBT * abs(up))
            else:
                self._vertical.acceleration(t, up - GRAVITY_M_S2)
            if leads:
                self._predictor.take_force(t, fz, up, known is not None, is_clipped)
        return phases.force(t, fz)

    def _take_pressure(self, t: float, values: Values, made: Made, order: int, rx_s: float) -> PhaseChange | None:
        if self._learns(t, self._pad.level):
            self._pad.learn(t, values[0])
        return self._take_height(t, self._pad.height_m(values[0]), made, order, rx_s)

    def _take_altitude(self, t: float, values: Values, made: Made, order: int, rx_s: float) -> PhaseChange | None:
        """Take an altitude (m) by the vehicle's own formula, over whatever it counts from, where no pressure is sent."""
        if self._learns(t, self._ground.level):
            self._ground.learn(t, values[0])
        return self._take_height(t, self._ground.height_m(values[0]), made, order, rx_s)

    def _learns(self, t: float, level: PadLevel) -> bool:
        """Return whether a sample shows the pad; at the first suspicion of a flight what was learned last is forgotten."""
        if self.phases.phase is not PAD:
            return False
        watch = self.phases.pad
        if watch.gave_up:
            watch.gave_up = False
            level.restart()
        elif watch.suspects:
            level.hold(t)
            return False
        return True

    def _take_height(self, t: float, raw_m: float, made: Made, order: int, rx_s: float) -> PhaseChange | None:
        vertical, phase = self._vertical, self.phases.phase
        vertical.height(t, raw_m)
        if phase is PAD:
            self._predictor.take_height(t, raw_m)
        elif phase in NOSE_FIRST:
            self._predictor.take_height(t, raw_m)
            self._predict(t, order, rx_s)
        elif self._up is not None and not self._attitude_lost and vertical.surprise > LOST_AT:
            self._attitude_lost = True
            vertical.forget_acceleration()
        height_m, climb_m_s = vertical.height_m, vertical.climb_m_s
        made += (order, rx_s, t, height_m, climb_m_s, raw_m)
        return self.phases.motion(t, height_m, climb_m_s, raw_m)

    def _predict(self, t: float, order: int, rx_s: float) -> None:
        orders, times, speeds = self._speeds
        row = int(np.searchsorted(orders, order)) - 1
        last = (float(times[row]), float(speeds[row])) if row >= 0 else self._across_m_s
        watch = self.phases.air_start
        told = None
        if watch is None or not watch.pushes:
            told = self._predictor.predict(t, last[1] if last is not None and t - last[0] < 1.0 else None)
            self._why_none.take(Instant(order, rx_s, t), self._predictor.why_none)
        else:
            self._why_none.take(Instant(order, rx_s, t), ANOTHER_BURNS)
        if told is not None:
            values = (told.apogee_m, told.low_m, told.high_m, told.seconds_to_apogee)
            self._predicted.append((order, rx_s, t, *values))
        elif self._is_foretold and (self.phases.thrust > 1 or watch is not None and watch.pushes):
            self._predicted.append((order, rx_s, t, nan, nan, nan, nan))  # withdrawn
        self._is_foretold = told is not None

    def _note_phase(self, change: PhaseChange, order: int, rx_s: float, out: TrackerOutput) -> None:
        at = Instant(order, rx_s, change.t_s)
        thrust = self.phases.thrust
        wrong = change.taken_back
        if wrong is not None:
            self._attitude_lost = False
            text = f"taken back: {MOMENT_TEXT[wrong.key].format(wrong.height_m)}; the barometer climbs on"
            body = {"t": wrong.t_s, "height_m": wrong.height_m, "withdrawn": True}
            out.note(at, "moment", wrong.key, "caution", text, body)
        flying = change.phase not in (PAD, LANDED)
        self._flights.append((order, flying))
        for moment in change.moments:
            if moment.key == "lift_off":
                self._predictor.lift_off(moment.t_s)
            elif moment.key.startswith("burnout"):
                self._predictor.begin(moment.t_s)
            elif moment.key.startswith("ignition"):
                self._predictor.lit(moment.t_s)
            kind, _, number = moment.key.partition("_")
            text = MOMENT_TEXT.get(moment.key) or f"{ORDINALS.get(number, number)} {MOMENT_TEXT[kind]}"
            text = text.format(moment.height_m)
            body = {"t": moment.t_s, "height_m": moment.height_m}
            out.note(at, "moment", moment.key, "info", text, body)
        again = {"thrust": thrust} if change.phase is BOOST and thrust > 1 else {}
        out.note(at, "phase", "ground", "info", "", {"phase": change.phase.value, "flying": flying, **again})


def _predictor(facts: SheetNumbers, has_pressure: bool) -> ApogeePredictor:
    """Return a predictor whose prior is the vehicle's own drag, where the sheet tells its size and mass."""
    kappa, curve = None, None if facts.drag_by_mach is None else DragCurve(facts.drag_by_mach)
    if facts.diameter_m is not None and facts.burnout_mass_kg is not None:
        # The prior is three times wider than the difference between sea level and any pad.
        drag, sigma = prior_kappa(facts.diameter_m, facts.burnout_mass_kg, SEA_LEVEL_DENSITY_KG_M3, curve)
        kappa = (drag, sigma / drag)
    # A height made by the vehicle is in its own air, whatever the sheet says.
    air_told = facts.pad_temperature_k is not None and has_pressure
    return ApogeePredictor(kappa, facts.pad_temperature_k, air_told, Shape.of(curve))
