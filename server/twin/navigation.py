"""The estimate the flight computer makes of its own motion, from what its sensors read.

Strapdown integration of unit A (attitude by the exact step of a constant rate: tests/SOURCES.md, attitude-convention),
blended with pressure height and, horizontally, with satellite fixes by a second-order observer (position gain 2 zeta w,
velocity gain w^2, zeta 0.7). On the pad it levels itself on gravity, averages the gyros' bias and the pad's pressure,
and holds position and velocity at zero while everything is quiet, so that nothing of the lift-off is lost before it
is recognized. Its errors are the sensors' errors: nothing here reads the truth.
"""

from __future__ import annotations

import math

from protocol.units import GRAVITY_M_S2
from server.twin import attitude
from server.twin.attitude import Quaternion, Vector
from server.twin.sandpiper import NavigationNumbers

_LAPSE = 0.0065
_EXPONENT_INVERSE = 0.190263
_QUIET_M_S2 = 1.5
_QUIET_RAD_S = 0.15
_LEVELING = 0.01


class Navigation:
    """Position, velocity and attitude as the vehicle believes them."""

    def __init__(self, numbers: NavigationNumbers, pad_temperature_k: float) -> None:
        self._numbers = numbers
        self._pad_temperature_k = pad_temperature_k
        self.position: list[float] = [0.0, 0.0, 0.0]
        self.velocity: list[float] = [0.0, 0.0, 0.0]
        self.quaternion: Quaternion = (1.0, 0.0, 0.0, 0.0)
        self.rates: Vector = (0.0, 0.0, 0.0)
        self.pad_pressure_pa: float | None = None
        self.altitude_baro_m = 0.0
        self._gyro_bias = [0.0, 0.0, 0.0]
        self._up_in_body: list[float] | None = None
        self._fix_origin: list[float] | None = None

    @property
    def speed_m_s(self) -> float:
        """Magnitude of the estimated velocity."""
        east, north, up = self.velocity
        return math.sqrt(east * east + north * north + up * up)

    def read_pressure(self, pressure_pa: float) -> None:
        """Take one pressure: height above the pad by the standard formula with the pad's own temperature."""
        if self.pad_pressure_pa is None:
            self.pad_pressure_pa = pressure_pa
        ratio = max(pressure_pa, 1000.0) / self.pad_pressure_pa
        self.altitude_baro_m = self._pad_temperature_k / _LAPSE * (1.0 - ratio**_EXPONENT_INVERSE)

    def settle(self, accel: Vector, gyro: Vector, pressure_pa: float, seconds: float) -> bool:
        """On the pad: learn biases, level, hold still. Returns False when something moves; then use `advance`."""
        force = math.sqrt(accel[0] ** 2 + accel[1] ** 2 + accel[2] ** 2)
        p, q, r = gyro
        quiet = abs(force - GRAVITY_M_S2) < _QUIET_M_S2 and max(abs(p), abs(q), abs(r)) < _QUIET_RAD_S
        if not quiet:
            return False
        if self._up_in_body is None:
            self._up_in_body, self._gyro_bias = list(accel), list(gyro)
        for i in range(3):
            self._up_in_body[i] += _LEVELING * (accel[i] - self._up_in_body[i])
            self._gyro_bias[i] += _LEVELING * (gyro[i] - self._gyro_bias[i])
        ux, uy, uz = self._up_in_body
        self.quaternion = attitude.from_up_in_body((ux, uy, uz))
        self.rates = self._unbiased(gyro)
        self.position[:] = self.velocity[:] = (0.0, 0.0, 0.0)
        if self.pad_pressure_pa is not None:
            # Weather drifts slowly; a lift-off must not be averaged into the pad.
            self.pad_pressure_pa += 0.2 * seconds * (pressure_pa - self.pad_pressure_pa)
        return True

    def advance(self, accel: Vector, gyro: Vector, seconds: float, under_canopy: bool, trust_pressure: bool) -> None:
        """In the air: integrate one step, then lean on pressure height."""
        p0, q0, r0 = self.rates
        self.rates = p1, q1, r1 = self._unbiased(gyro)
        # The mean of both ends of the step: a spinning body's pitch rate turns with it, and half a step of delay would
        # tilt the estimate.
        middle = 0.5 * (p0 + p1), 0.5 * (q0 + q1), 0.5 * (r0 + r1)
        self.quaternion = attitude.turned(self.quaternion, middle, seconds)
        if under_canopy:
            self._level_by_gravity(accel, seconds)
        ae, an, au = attitude.to_world(self.quaternion, accel)
        for i, a in enumerate((ae, an, au - GRAVITY_M_S2)):
            self.position[i] += seconds * (self.velocity[i] + 0.5 * seconds * a)
            self.velocity[i] += seconds * a
        if trust_pressure:
            numbers = self._numbers
            w = numbers.descent_bandwidth_rad_s if under_canopy else numbers.ascent_bandwidth_rad_s
            self._blend(2, self.altitude_baro_m, w, seconds)

    def read_fix(self, east: float, north: float, seconds: float, moving: bool, under_canopy: bool) -> None:
        """Take a satellite fix; on the pad it only sets the origin."""
        if self._fix_origin is None:
            self._fix_origin = [east, north]
        if not moving:
            self._fix_origin[0] += 0.1 * seconds * (east - self._fix_origin[0])
            self._fix_origin[1] += 0.1 * seconds * (north - self._fix_origin[1])
            return
        w = self._numbers.horizontal_bandwidth_rad_s * (2.0 if under_canopy else 1.0)
        self._blend(0, east - self._fix_origin[0], w, seconds)
        self._blend(1, north - self._fix_origin[1], w, seconds)

    def _unbiased(self, gyro: Vector) -> Vector:
        """Return body rates, less the bias learned on the pad."""
        p, q, r = gyro
        bias_p, bias_q, bias_r = self._gyro_bias
        return p - bias_p, q - bias_q, r - bias_r

    def _blend(self, axis: int, measured: float, bandwidth: float, seconds: float) -> None:
        error = measured - self.position[axis]
        self.position[axis] += 1.4 * bandwidth * seconds * error
        self.velocity[axis] += bandwidth * bandwidth * seconds * error

    def _level_by_gravity(self, accel: Vector, seconds: float) -> None:
        """Turn slowly toward the attitude in which the felt force points up; a swinging body averages out."""
        force = math.sqrt(accel[0] ** 2 + accel[1] ** 2 + accel[2] ** 2)
        if abs(force - GRAVITY_M_S2) > 4.0:
            return
        ux, uy, uz = attitude.to_body(self.quaternion, (0.0, 0.0, 1.0))
        ax, ay, az = accel[0] / force, accel[1] / force, accel[2] / force
        # Turning the body about a x u moves the estimated up toward the felt one.
        gain = 0.4
        correction = (gain * (ay * uz - az * uy), gain * (az * ux - ax * uz), gain * (ax * uy - ay * ux))
        self.quaternion = attitude.turned(self.quaternion, correction, seconds)
