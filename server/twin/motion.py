"""What really happens to the vehicle: rail, flight, canopies, ground; and the record of it.

`Motion` is the truth that sensors look at. It knows nothing of the flight computer: it is told to ignite, which fin
angles stand, and which charges fire. Each kind of motion is one entry of `_STEPS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from protocol.units import GRAVITY_M_S2
from server.twin import attitude, canopy, rigid_body
from server.twin.air import Air, Wind
from server.twin.attitude import Quaternion, Vector
from server.twin.propulsion import MassPoint, burn_table
from server.twin.sandpiper import Vehicle

STEP_S = 0.005
PAD, RAIL, FREE, CANOPY, TOPPLE, GROUND = "pad", "rail", "free", "canopy", "topple", "ground"
_TOPPLE_RATE_RAD_S = 4.0
# A charge and the ground change the velocity at once in the equations; what an accelerometer feels lasts this long.
_SHOCK_S = 0.02
_STILL: Vector = (0.0, 0.0, 0.0)


@dataclass
class Milestones:
    """When and how the flight's turning points came; seconds of the twin's time, None until they happen."""

    ignition_s: float | None = None
    liftoff_s: float | None = None
    rail_exit_s: float | None = None
    rail_exit_speed_m_s: float | None = None
    burnout_s: float | None = None
    apogee_s: float | None = None
    apogee_m: float = 0.0
    max_speed_m_s: float = 0.0
    max_tilt_before_apogee_rad: float = 0.0
    separation_s: float | None = None
    landing_s: float | None = None
    landing_speed_m_s: float | None = None


class Motion:
    """Position, attitude and what the sensors' places feel, advanced in steps of `STEP_S`."""

    def __init__(self, vehicle: Vehicle, air: Air, wind: Wind) -> None:
        self.vehicle, self.air, self.wind = vehicle, air, wind
        self.aero = rigid_body.aerodynamics(vehicle.body, vehicle.fins, vehicle.motor)
        # Two points per step: the middle of each Runge-Kutta step needs its own.
        self._burn = burn_table(vehicle.motor, vehicle.body, STEP_S / 2.0)
        self._burn_index = 0
        self.point: MassPoint = self._burn[0]
        rail = vehicle.rail
        tilted = attitude.from_tilt(math.radians(rail.tilt_deg), math.radians(rail.azimuth_deg))
        self._state: rigid_body.State = (*_STILL, *_STILL, *tilted, *_STILL)
        self.kind = PAD
        self.time_s = 0.0
        self._steps = 0
        self.milestones = Milestones()
        self.airspeed_m_s = 0.0
        self.acceleration: Vector = _STILL
        self.rate_change: Vector = _STILL
        self._shock: Vector = _STILL
        self._shock_until_s = 0.0
        self._fins_rad = (0.0, 0.0, 0.0, 0.0)
        self._fins_push = self._push = rigid_body.fin_push(self._fins_rad, self.aero)
        self._burning: list[tuple[float, float, int]] = []  # from and until when, and which lateral motor
        self.lit_s: dict[int, float] = {}  # when each lateral motor that pushed began to
        self._opened = (False, False)
        self._pair: canopy.Pair | None = None  # as it was in the last step
        self._topple_axis: Vector = (1.0, 0.0, 0.0)
        self.record: list[tuple[float, ...]] = []

    @property
    def position(self) -> Vector:
        """East, north, up from the pad, m."""
        east, north, up = self._state[0:3]
        return east, north, up

    @property
    def velocity(self) -> Vector:
        """East, north, up, m/s."""
        east, north, up = self._state[3:6]
        return east, north, up

    @property
    def quaternion(self) -> Quaternion:
        """Attitude of the part that carries the flight computer."""
        w, x, y, z = self._state[6:10]
        return w, x, y, z

    @property
    def rates(self) -> Vector:
        """Body rates, rad/s."""
        p, q, r = self._state[10:13]
        return p, q, r

    @property
    def dynamic_pressure_pa(self) -> float:
        """Dynamic pressure of the air met."""
        return 0.5 * self.air.density_kg_m3(self._state[2]) * self.airspeed_m_s**2

    def specific_force(self, place_m: float) -> Vector:
        """Return what a perfect accelerometer feels at a distance from the nose tip (body axes, m/s2)."""
        ae, an, au = self.acceleration
        fx, fy, fz = attitude.to_body(self.quaternion, (ae, an, au + GRAVITY_M_S2))
        lever = self.point.center_m - place_m
        p, q, r = self._state[10:13]
        dp, dq, _ = self.rate_change
        return fx + lever * (dq + p * r), fy + lever * (q * r - dp), fz - lever * (p * p + q * q)

    def mass_point(self, since_ignition_s: float) -> MassPoint:
        """Return the vehicle's mass properties at a time after ignition."""
        index = min(max(0, round(since_ignition_s / (STEP_S / 2.0))), len(self._burn) - 1)
        return self._burn[index]

    def ignite(self) -> None:
        """Light the motor; a lit motor cannot be lit again."""
        if self.kind == PAD:
            self.kind = RAIL
            self.milestones.ignition_s = self.time_s

    def set_fins(self, angles_rad: tuple[float, float, float, float]) -> None:
        """Put the four fins where they physically are, rad."""
        if angles_rad != self._fins_rad:
            self._fins_rad = angles_rad
            self._fins_push = rigid_body.fin_push(angles_rad, self.aero)
            self._push = self._pushed()

    def fire_lateral(self, number: int) -> None:
        """Light lateral motor 1 to 4: it pushes for its burning time. On the rail and on the ground nothing moves."""
        if self.kind == FREE:
            lateral = self.vehicle.lateral
            from_s = self.time_s + lateral.late_s[number - 1]
            self._burning.append((from_s, from_s + lateral.burn_s, number))

    def _pushed(self) -> rigid_body.FinPush:
        """Return what the fins do and what the lateral motors that burn add to it."""
        if not self._burning:
            return self._fins_push
        lateral = self.vehicle.lateral
        burning = [number for from_s, _, number in self._burning if self.time_s >= from_s - 1e-9]
        forces = [rigid_body.side_force(lateral, number) for number in burning]
        x, y = (sum(force[axis] for force in forces) for axis in (0, 1))
        return replace(self._fins_push, force_x=x, force_y=y, force_m=lateral.place_m)

    def fire_recovery(self, nose: bool, tail: bool) -> None:
        """Fire the charges that have continuity; in the air the bodies part. On the ground nothing moves."""
        if self.kind == FREE and (nose or tail):
            direction = attitude.to_world(self.quaternion, (0.0, 0.0, 1.0))
            tail_kg = self.point.mass_kg - self.vehicle.recovery.nose_mass_kg
            before = self.velocity
            self._state = canopy.separated(self._state, direction, self.vehicle.recovery, tail_kg)
            self._feel_jump(attitude.difference(self.velocity, before))
            self.milestones.separation_s = self.time_s
            nose_opens, tail_opens = self.vehicle.recovery.canopy_opens
            self._opened = (nose and nose_opens, tail and tail_opens)
            self.kind = CANOPY

    def step(self) -> None:
        """Advance by one step; on the pad and on the ground only the clock moves."""
        move = _STEPS.get(self.kind)
        if move is None:
            self._steps += 1
            self.time_s = self._steps * STEP_S
            self.acceleration = self.rate_change = _STILL
            return
        velocity, rates = self.velocity, self.rates
        move(self)
        self._steps += 1
        self.time_s = self._steps * STEP_S
        if self.kind == TOPPLE:
            self.acceleration = self.rate_change = _STILL
        else:
            self.acceleration = _per_second(attitude.difference(self.velocity, velocity), STEP_S)
            self.rate_change = _per_second(attitude.difference(self.rates, rates), STEP_S)
        if self.time_s < self._shock_until_s:
            (ae, an, au), (se, sn, su) = self.acceleration, self._shock
            self.acceleration = ae + se, an + sn, au + su
        self._note()

    def _feel_jump(self, change_m_s: Vector) -> None:
        self._shock = _per_second(change_m_s, _SHOCK_S)
        self._shock_until_s = self.time_s + _SHOCK_S + 0.5 * STEP_S

    # ------------------------------------------------------------ the kinds of motion

    def _surroundings(self) -> tuple[float, Vector]:
        exit_s = self.milestones.rail_exit_s
        height = self._state[2]
        self.wind.step(STEP_S, self.airspeed_m_s)
        wind = self.wind.at(height, None if exit_s is None else self.time_s - exit_s)
        ve, vn, vu = self._state[3:6]
        self.airspeed_m_s = math.sqrt((ve - wind[0]) ** 2 + (vn - wind[1]) ** 2 + (vu - wind[2]) ** 2)
        return self.air.density_kg_m3(height), wind

    def _step_whole(self, on_rail: bool) -> None:
        density, wind = self._surroundings()
        last = len(self._burn) - 1
        first, half, end = (self._burn[min(self._burn_index + k, last)] for k in (0, 1, 2))
        self._burn_index += 2
        self._state = rigid_body.step(self._state, (first, half, end), self.aero, density, wind, self._push, STEP_S, on_rail)
        self.point = end
        if self.milestones.burnout_s is None and self._burn_index >= last:
            self.milestones.burnout_s = self.time_s + STEP_S

    def _step_rail(self) -> None:
        self._step_whole(on_rail=True)
        e, n, u = self._state[0:3]
        now = self.time_s + STEP_S
        if self.milestones.liftoff_s is None and u > 0.0:
            self.milestones.liftoff_s = now
        if math.sqrt(e * e + n * n + u * u) >= self.vehicle.rail.length_m:
            ve, vn, vu = self._state[3:6]
            self.milestones.rail_exit_s = now
            self.milestones.rail_exit_speed_m_s = math.sqrt(ve * ve + vn * vn + vu * vu)
            self.kind = FREE

    def _step_free(self) -> None:
        if self._burning:
            self._burning = [burns for burns in self._burning if self.time_s < burns[1] - 1e-9]
            for from_s, _, number in self._burning:
                if self.time_s >= from_s - 1e-9 and not self.vehicle.lateral.dud[number - 1]:
                    self.lit_s.setdefault(number, self.time_s)
            self._push = self._pushed()
        self._step_whole(on_rail=False)
        if self._state[2] <= 0.0 and self._state[5] < 0.0:
            self._touch_down()

    def _step_canopy(self) -> None:
        density, wind = self._surroundings()
        numbers = self.vehicle.recovery
        since = self.time_s - (self.milestones.separation_s or 0.0)
        nose_opened, tail_opened = self._opened
        tail_area_m2 = canopy.drag_area_m2(numbers, numbers.tail_drag_area_m2, tail_opened, since)
        nose_area_m2 = canopy.drag_area_m2(numbers, numbers.nose_drag_area_m2, nose_opened, since)
        pair = self._pair
        if pair is None or pair.tail_area_m2 != tail_area_m2 or pair.nose_area_m2 != nose_area_m2:
            pair = self._pair = canopy.Pair(
                tail_kg=self.point.mass_kg - numbers.nose_mass_kg,
                nose_kg=numbers.nose_mass_kg,
                tail_area_m2=tail_area_m2,
                nose_area_m2=nose_area_m2,
                roll_inertia_kg_m2=self.vehicle.body.roll_inertia_kg_m2,
                numbers=numbers,
            )
        self._state = canopy.step(self._state, pair, density, wind, STEP_S)
        if self._state[2] <= 0.0 and self._state[5] < 0.0:
            self._touch_down()

    def _touch_down(self) -> None:
        e, n, _ = self._state[0:3]
        self.milestones.landing_s = self.time_s + STEP_S
        ve, vn, vu = self.velocity
        self._feel_jump((-ve, -vn, -vu))
        self.milestones.landing_speed_m_s = math.sqrt(ve * ve + vn * vn + vu * vu)
        nose = attitude.to_world(self.quaternion, (0.0, 0.0, 1.0))
        level = math.hypot(nose[0], nose[1])
        # It falls over the way it already leans: about the horizontal axis up x nose.
        self._topple_axis = (-nose[1] / level, nose[0] / level, 0.0) if level > 1e-6 else (1.0, 0.0, 0.0)
        self._state = (e, n, 0.0, *_STILL, *self.quaternion, *_STILL)
        self.airspeed_m_s = 0.0
        self.kind = TOPPLE

    def _step_topple(self) -> None:
        q = self.quaternion
        remaining = 0.5 * math.pi - attitude.tilt_rad(q)
        amount = max(-_TOPPLE_RATE_RAD_S * STEP_S, min(_TOPPLE_RATE_RAD_S * STEP_S, remaining))
        turn_rad_s = amount / STEP_S
        east, north, up = self._topple_axis
        rate = attitude.to_body(q, (turn_rad_s * east, turn_rad_s * north, turn_rad_s * up))
        done = abs(remaining) <= _TOPPLE_RATE_RAD_S * STEP_S
        self._state = (*self._state[0:6], *attitude.turned(q, rate, STEP_S), *(_STILL if done else rate))
        if done:
            self.kind = GROUND

    # ------------------------------------------------------------ the record

    def _note(self) -> None:
        e, n, u, ve, vn, vu, w, x, y, z, p, q, r = self._state[0:13]
        marks = self.milestones
        tilt = 2.0 * math.asin(min(1.0, math.sqrt(x * x + y * y)))
        if u > marks.apogee_m:
            marks.apogee_m = u
        if marks.apogee_s is None and self.kind in (FREE, CANOPY):
            marks.max_tilt_before_apogee_rad = max(marks.max_tilt_before_apogee_rad, tilt)
            marks.max_speed_m_s = max(marks.max_speed_m_s, math.sqrt(ve * ve + vn * vn + vu * vu))
            if vu <= 0.0:
                marks.apogee_s = self.time_s
        self.record.append((self.time_s, e, n, u, ve, vn, vu, w, x, y, z, p, q, r, tilt, self.dynamic_pressure_pa))


def _per_second(change: Vector, seconds: float) -> Vector:
    x, y, z = change
    return x / seconds, y / seconds, z / seconds


_STEPS: dict[str, Callable[[Motion], None]] = {
    RAIL: Motion._step_rail,
    FREE: Motion._step_free,
    CANOPY: Motion._step_canopy,
    TOPPLE: Motion._step_topple,
}
