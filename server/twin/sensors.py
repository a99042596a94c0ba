"""What the sensors read of the truth: bias, noise, lag, range. The wire's integer fields do the quantizing."""

from __future__ import annotations

import math
import random

from server.twin.attitude import Vector
from server.twin.motion import Motion
from server.twin.sandpiper import BarometerNumbers, ImuNumbers


def _clipped(value: float, limit: float) -> float:
    return limit if value > limit else -limit if value < -limit else value


class Imu:
    """One inertial unit at its own place, with constant biases drawn at switch-on and white noise."""

    def __init__(self, numbers: ImuNumbers, rng: random.Random) -> None:
        self._numbers, self._rng = numbers, rng
        self._accel_bias = [numbers.accel_bias_m_s2 * rng.gauss(0.0, 1.0) for _ in range(3)]
        self._gyro_bias = [numbers.gyro_bias_rad_s * rng.gauss(0.0, 1.0) for _ in range(3)]
        self._started_s: float | None = None

    def sample(self, motion: Motion) -> tuple[Vector, Vector]:
        """Return specific force (m/s2) and rates (rad/s) in body axes, cut off at the unit's range."""
        numbers, gauss = self._numbers, self._rng.gauss
        if self._started_s is None:
            self._started_s = motion.time_s
        drift = numbers.gyro_drift_rad_s2 * (motion.time_s - self._started_s)
        force = motion.specific_force(numbers.place_m)
        noise, limit = numbers.accel_noise_m_s2, numbers.accel_range_m_s2
        fx, fy, fz = force
        bx, by, bz = self._accel_bias
        ax = _clipped(fx + bx + noise * gauss(0.0, 1.0), limit)
        ay = _clipped(fy + by + noise * gauss(0.0, 1.0), limit)
        az = _clipped(fz + bz + noise * gauss(0.0, 1.0), limit)
        noise, limit = numbers.gyro_noise_rad_s, numbers.gyro_range_rad_s
        p, q, r = motion.rates
        bp, bq, br = self._gyro_bias
        p = _clipped(p + bp + drift + noise * gauss(0.0, 1.0), limit)
        q = _clipped(q + bq + drift + noise * gauss(0.0, 1.0), limit)
        r = _clipped(r + br + drift + noise * gauss(0.0, 1.0), limit)
        return (ax, ay, az), (p, q, r)

    def temperature_k(self, since_switch_on_s: float) -> float:
        """Return die temperature: it warms up over minutes."""
        return self._numbers.temperature_k + 6.0 * (1.0 - math.exp(-since_switch_on_s / 180.0))


class Barometer:
    """Static pressure through a port: lag, noise, a share of dynamic pressure, and the puff of the ejection charge."""

    def __init__(self, numbers: BarometerNumbers, rng: random.Random) -> None:
        self._numbers, self._rng = numbers, rng
        self._bias = numbers.bias_pa * rng.gauss(0.0, 1.0)
        self._lagged: float | None = None

    def sample(self, motion: Motion, seconds: float) -> float:
        """Return pressure in Pa, `seconds` after the last sample."""
        numbers = self._numbers
        true = motion.air.pressure_pa(motion.position[2]) - numbers.dynamic_share * motion.dynamic_pressure_pa
        separated = motion.milestones.separation_s
        if separated is not None and motion.time_s - separated < 1.0:
            true += numbers.ejection_spike_pa * math.exp(-(motion.time_s - separated) / numbers.ejection_decay_s)
        if self._lagged is None:
            self._lagged = true
        self._lagged += (true - self._lagged) * (1.0 - math.exp(-seconds / numbers.lag_s))
        return self._lagged + self._bias + numbers.noise_pa * self._rng.gauss(0.0, 1.0)


class Satellite:
    """Horizontal position fixes with a slowly wandering error (first-order Gauss-Markov)."""

    def __init__(self, error_m: float, time_s: float, rng: random.Random) -> None:
        self._error_m, self._time_s, self._rng = error_m, time_s, rng
        self._east, self._north = error_m * rng.gauss(0.0, 1.0), error_m * rng.gauss(0.0, 1.0)

    def sample(self, motion: Motion, seconds: float) -> tuple[float, float]:
        """Return east and north in m, `seconds` after the last fix."""
        keep = math.exp(-seconds / self._time_s)
        kick = self._error_m * math.sqrt(1.0 - keep * keep)
        self._east = keep * self._east + kick * self._rng.gauss(0.0, 1.0)
        self._north = keep * self._north + kick * self._rng.gauss(0.0, 1.0)
        east, north, _ = motion.position
        return east + self._east, north + self._north
