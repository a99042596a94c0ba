"""From the rail on with six degrees of freedom, all flights in one step, down to the ground without a parachute.

State (13, n): east, north, up, their rates, attitude quaternion (body to world, scalar first), body rates. Along the rail
it is one degree of freedom. Beyond it: weight; thrust beside the axis by a small angle; axial drag by Mach number and angle
of attack; the normal force of each part by the cross wind at its own station, from which stiffness and damping follow
(J. S. Barrowman 1967, from memory); lift of the body; jet damping; fins set at an angle roll it and are damped. Classical
fourth-order Runge-Kutta, wind and density held over the step. What the fins are told to do is left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from protocol.arrays import Bools, Floats
from protocol.units import GRAVITY_M_S2
from server.flight.air.atmosphere import GAS_CONSTANT_J_KG_K, HEAT_RATIO, LAPSE_K_M
from server.flight.dispersion.lot import Burn, Lot, Motors
from server.flight.dispersion.winds import Eddies
from server.flight.motion.drag_rise import COLDEST_K

RAIL_STEP_S = 0.0025
LONGEST_STEP_S, SHORTEST_STEP_S = 0.02, 0.002
SWING_PER_STEP = 0.35  # rad of the nose's swing within a step at the greatest speed
KEEP_S = 0.06  # a moment of each flight is kept so often
LONGEST_S = 400.0
LEAN_S = 2.5  # of the flight after lift-off in which its lean counts, as `judge_lean` counts it

Heard = Callable[[float], None]


@dataclass(frozen=True)
class Ascents:
    """What came of n flights without a parachute; times in s from ignition, (n,); NaN for one that never left its rail.

    `t` (k, n) and `course` (k, 6, n) are moments kept on the way: place and velocity, the first at the rail's end.
    """

    left: Bools
    lift_off_s: Floats
    exit_s: Floats
    exit_speed_m_s: Floats
    exit_attack_rad: Floats
    lean_rad: Floats
    apogee_m: Floats
    apogee_s: Floats
    fastest_m_s: Floats
    ground_m: Floats  # (2, n) east, north
    ground_s: Floats
    t: Floats
    course: Floats


def step_for(lot: Lot) -> float:
    """Return the step in s that takes the nose's fastest swing in small parts."""
    motors = Motors(lot)
    burnt = motors.at(np.full(lot.count, motors.last_s + 1.0))
    fastest = lot.curve.impulse_n_s * lot.impulse_factor / burnt.mass_kg
    stiff = np.abs(burnt.center_m * lot.slope_m[0] - lot.slope_m[1])
    swing = np.sqrt(0.5 * lot.density_kg_m3 * lot.area_m2 * stiff / burnt.inertia_kg_m2) * fastest
    return float(np.clip(SWING_PER_STEP / max(float(np.quantile(swing, 0.99)), 1e-6), SHORTEST_STEP_S, LONGEST_STEP_S))


def along_rails(lot: Lot, motors: Motors) -> tuple[Floats, Floats, Floats]:
    """Return lift-off and exit in s and speed there, each (n,); NaN where thrust never lifts it off its rail's end."""
    n, h = lot.count, RAIL_STEP_S
    way, speed, lift, exit_s, exit_speed = (
        np.zeros(n),
        np.zeros(n),
        np.full(n, np.nan),
        np.full(n, np.nan),
        np.full(n, np.nan),
    )
    pull = GRAVITY_M_S2 * np.cos(lot.rail_tilt)
    drag = 0.5 * lot.density_kg_m3 * lot.area_m2 * lot.drag * lot.powered_drag
    for step in range(int((motors.last_s + 1.0) / h)):
        middle = motors.at(np.full(n, (step + 0.5) * h))
        along = (middle.thrust_n - drag * speed * speed) / middle.mass_kg - pull
        held = (speed <= 0.0) & (along < 0.0)  # the rail's stop carries it until thrust exceeds its weight
        faster = np.where(held, 0.0, np.maximum(speed + along * h, 0.0))
        further = way + 0.5 * (speed + faster) * h
        lift = np.where(np.isnan(lift) & (further > 0.0), (step + 1) * h, lift)
        out = np.isnan(exit_s) & (further >= lot.rail_m)
        if out.any():
            share = (lot.rail_m - way) / np.maximum(further - way, 1e-12)
            exit_s = np.where(out, (step + share) * h, exit_s)
            exit_speed = np.where(out, speed + share * (faster - speed), exit_speed)
            if not np.isnan(exit_s).any():
                break
        way, speed = further, faster
    return lift, exit_s, exit_speed


def nose_of(q: Floats) -> Floats:
    """Return the nose's direction (3, n) in world axes of attitudes (4, n)."""
    w, x, y, z = q
    return np.stack([2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y)])


def _leaned(tilt: Floats, azimuth: Floats) -> Floats:
    """Return attitudes (4, n) with the nose tilted from vertical toward an azimuth."""
    half = 0.5 * tilt
    zero = np.zeros_like(half)
    return np.stack([np.cos(half), -np.sin(half) * np.cos(azimuth), np.sin(half) * np.sin(azimuth), zero])


def climb(lot: Lot, random: np.random.Generator, heard: Heard = lambda share: None) -> Ascents:
    """Return all flights of a lot from ignition to the ground, no parachute opening.

    `random` draws the eddies; `heard` is told a growing share, 0 to 1, and may raise to end it.
    """
    motors = Motors(lot)
    lift, exit_s, exit_speed = along_rails(lot, motors)
    left = ~np.isnan(exit_s)
    q = _leaned(lot.rail_tilt, lot.rail_azimuth)
    nose = nose_of(q)
    run = _Run(lot, motors, Eddies(lot.winds, random), np.where(left, exit_s, 0.0))
    run.start(q, nose * lot.rail_m, nose * np.where(left, exit_speed, 0.0), left)
    attack = run.attack_rad()
    run.fly(lift, heard)
    blank = np.where(left, 1.0, np.nan)
    return Ascents(
        left=left,
        lift_off_s=lift,
        exit_s=exit_s,
        exit_speed_m_s=exit_speed,
        exit_attack_rad=attack * blank,
        lean_rad=run.lean * blank,
        apogee_m=run.apogee_m * blank,
        apogee_s=run.apogee_s * blank,
        fastest_m_s=run.fastest * blank,
        ground_m=run.ground_m * blank,
        ground_s=run.ground_s * blank,
        t=np.array(run.kept_t),
        course=np.array(run.kept),
    )


class _Run:
    """One integration of a lot, with what is noted on the way."""

    def __init__(self, lot: Lot, motors: Motors, eddies: Eddies, exit_s: Floats) -> None:
        self.lot, self._motors, self._eddies, self._exit_s = lot, motors, eddies, exit_s
        n = lot.count
        self.t = exit_s.copy()
        self.lean, self.fastest = lot.rail_tilt.copy(), np.zeros(n)
        self.apogee_m, self.apogee_s = np.full(n, np.nan), np.full(n, np.nan)
        self.ground_m, self.ground_s = np.full((2, n), np.nan), np.full(n, np.nan)
        self.kept_t: list[Floats] = []
        self.kept: list[Floats] = []
        around = lot.thrust_toward
        self._beside_x, self._beside_y = lot.thrust_angle * np.cos(around), lot.thrust_angle * np.sin(around)
        self._roll = lot.roll_slope * lot.fin_arm_m

    def start(self, q: Floats, place: Floats, velocity: Floats, left: Bools) -> None:
        """Begin at the rail's end; one that never left is taken as lying on the ground."""
        self.state = np.concatenate([place, velocity, q, np.zeros((3, self.lot.count))])
        self.down = ~left

    def attack_rad(self) -> Floats:
        """Return the angle between the nose and the way through the air now."""
        air = self.state[3:6] - self._wind()
        speed = np.maximum(np.sqrt((air * air).sum(axis=0)), 1e-9)
        along = (nose_of(self.state[6:10]) * air).sum(axis=0) / speed
        angle: Floats = np.arccos(np.clip(along, -1.0, 1.0))
        return angle

    def fly(self, lift: Floats, heard: Heard) -> None:
        """Step until every flight is down."""
        h = step_for(self.lot)
        every = max(1, round(KEEP_S / h))
        self._keep()
        steps, guess = 0, 4.0 * self.lot.curve.impulse_n_s / float(self.lot.dry_mass_kg.mean()) / GRAVITY_M_S2
        while not self.down.all() and steps * h < LONGEST_S:
            before = self.state
            self._step(h)
            steps += 1
            self._note(before, h, lift)
            if steps % every == 0:
                self._keep()
                heard(min(0.95, steps * h / guess))
        self._keep()
        heard(1.0)

    def _keep(self) -> None:
        self.kept_t.append(self.t.copy())
        self.kept.append(self.state[:6].copy())

    def _wind(self) -> Floats:
        winds = self.lot.winds
        east, north = winds.steady(self.state[2])
        now = self._eddies.now
        if winds.gust_m_s.any():
            gust = winds.gust(self.t - self._exit_s)
            east, north = east + gust * np.sin(winds.gust_toward), north + gust * np.cos(winds.gust_toward)
        return np.stack([east + now[0], north + now[1], now[2]])

    def _note(self, before: Floats, h: float, lift: Floats) -> None:
        self.t = self.t + h
        up, climbing = self.state[2], self.state[5]
        flying = np.isnan(self.apogee_s)
        if flying.any():
            speed = np.sqrt((self.state[3:6] ** 2).sum(axis=0))
            self.fastest = np.where(flying, np.maximum(self.fastest, speed), self.fastest)
            x, y = self.state[7], self.state[8]
            tilt = 2.0 * np.arcsin(np.minimum(1.0, np.sqrt(x * x + y * y)))
            counts = flying & (self.t <= lift + LEAN_S)
            self.lean = np.where(counts, np.maximum(self.lean, tilt), self.lean)
            top = flying & (climbing <= 0.0)
            if top.any():
                share = before[5] / np.where(top, before[5] - climbing, 1.0)
                middle = 0.5 * share * h * before[5]  # what is climbed while the rate falls to zero
                self.apogee_m = np.where(top, before[2] + middle, self.apogee_m)
                self.apogee_s = np.where(top, self.t - (1.0 - share) * h, self.apogee_s)
        lands = ~self.down & (up <= 0.0) & (climbing < 0.0)
        if lands.any():
            share = before[2] / np.where(lands, before[2] - up, 1.0)
            self.ground_s = np.where(lands, self.t - (1.0 - share) * h, self.ground_s)
            self.ground_m = np.where(lands, before[:2] + share * (self.state[:2] - before[:2]), self.ground_m)
            self.down = self.down | lands
        if self.down.any():
            self.state = np.where(self.down, self._at_rest(), self.state)

    def _at_rest(self) -> Floats:
        rest = self.state.copy()
        rest[2:6] = 0.0
        rest[5] = -1.0  # so that it is past its top
        rest[10:] = 0.0
        return rest

    def _step(self, h: float) -> None:
        wind = self._wind()
        air = self.state[3:6] - wind
        airspeed = np.sqrt((air * air).sum(axis=0))
        density = self.lot.density(self.state[2])
        kelvin = np.maximum(self.lot.temperature_k - LAPSE_K_M * self.state[2], COLDEST_K)
        mach = airspeed / np.sqrt(HEAT_RATIO * GAS_CONSTANT_J_KG_K * kelvin)
        drag = self.lot.drag * (1.0 + self.lot.mach_rise * (np.interp(mach, *self.lot.factor_mach) - 1.0))
        first, half, last = (self._motors.at(self.t + share * h) for share in (0.0, 0.5, 1.0))
        s, q = self.state, 0.5 * density * self.lot.area_m2
        k1 = self._rate(s, first, wind, q, drag)
        k2 = self._rate(s + 0.5 * h * k1, half, wind, q, drag)
        k3 = self._rate(s + 0.5 * h * k2, half, wind, q, drag)
        k4 = self._rate(s + h * k3, last, wind, q, drag)
        new = s + (h / 6.0) * (k1 + 2.0 * (k2 + k3) + k4)
        new[6:10] /= np.sqrt((new[6:10] ** 2).sum(axis=0))
        self.state = new
        self._eddies.step(h, airspeed)

    def _rate(self, state: Floats, burn: Burn, wind: Floats, half_density_area: Floats, drag: Floats) -> Floats:
        """Return d(state)/dt: Newton and Euler with quaternion kinematics q' = 1/2 q (0, omega)."""
        lot = self.lot
        _, _, _, ve, vn, vu, w, x, y, z, p, q, r = state
        # Rows of the rotation from body to world axes.
        xx, yy, zz, xy, xz, yz, wx, wy, wz = x * x, y * y, z * z, x * y, x * z, y * z, w * x, w * y, w * z
        r00, r01, r02 = 1.0 - 2.0 * (yy + zz), 2.0 * (xy - wz), 2.0 * (xz + wy)
        r10, r11, r12 = 2.0 * (xy + wz), 1.0 - 2.0 * (xx + zz), 2.0 * (yz - wx)
        r20, r21, r22 = 2.0 * (xz - wy), 2.0 * (yz + wx), 1.0 - 2.0 * (xx + yy)
        ae, an, au = ve - wind[0], vn - wind[1], vu - wind[2]
        u = r00 * ae + r10 * an + r20 * au
        v = r01 * ae + r11 * an + r21 * au
        s = r02 * ae + r12 * an + r22 * au
        cross2 = u * u + v * v
        speed = np.sqrt(cross2 + s * s)
        pressed = half_density_area * speed
        center = burn.center_m
        sum0, sum1, sum2 = lot.slope_m
        lever = center * sum0 - sum1  # slope x lever, summed; negative behind the center of gravity
        square = center * center * sum0 - 2.0 * center * sum1 + sum2
        lift = half_density_area * lot.body_lift * np.sqrt(cross2)
        middle = center - lot.body_middle_m
        thrust_x, thrust_y = burn.thrust_n * self._beside_x, burn.thrust_n * self._beside_y
        fx = -pressed * (sum0 * u + lever * q) - lift * u + thrust_x
        fy = -pressed * (sum0 * v - lever * p) - lift * v + thrust_y
        sine2 = cross2 / np.maximum(speed * speed, 1e-9)
        powered = np.where(burn.thrust_n > 0.0, lot.powered_drag, 1.0)
        fz = burn.thrust_n - pressed * s * drag * powered * (1.0 + lot.attack_drag * sine2)
        nozzle = center - lot.nozzle_m
        jet = burn.flow_kg_s * nozzle * nozzle
        mx = pressed * (lever * v - square * p) + middle * lift * v - nozzle * thrust_y - jet * p
        my = -pressed * (lever * u + square * q) - middle * lift * u + nozzle * thrust_x - jet * q
        mz = pressed * self._roll * (speed * lot.fin_cant - lot.fin_arm_m * r)
        light, across, axial = 1.0 / burn.mass_kg, 1.0 / burn.inertia_kg_m2, 1.0 / lot.roll_inertia_kg_m2
        gyroscopic = burn.inertia_kg_m2 - lot.roll_inertia_kg_m2
        return np.stack([
            ve, vn, vu,
            (r00 * fx + r01 * fy + r02 * fz) * light,
            (r10 * fx + r11 * fy + r12 * fz) * light,
            (r20 * fx + r21 * fy + r22 * fz) * light - GRAVITY_M_S2,
            -0.5 * (x * p + y * q + z * r),
            0.5 * (w * p + y * r - z * q),
            0.5 * (w * q + z * p - x * r),
            0.5 * (w * r + x * q - y * p),
            (mx + gyroscopic * q * r) * across,
            (my - gyroscopic * p * r) * across,
            mz * axial,
        ])  # fmt: skip
