"""The control gate and the roll controller behind it."""

from __future__ import annotations

from server.twin import attitude
from server.twin.attitude import Quaternion
from server.twin.sandpiper import ControlNumbers


class RollControl:
    """Holds the roll angle it found when the gate opened, by turning all fins the same way.

    Gains come from the fin authority b (rad/s2 per Pa and rad) the firmware believes in: with q the dynamic pressure,
    roll'' = b q delta, so delta = -(w^2 angle + 2 zeta w rate)/(b q) gives a second-order response of frequency w.
    The gate: altitude and speed both at or above their limits. Control stays on until the gate's speed is lost or
    the vehicle deploys.
    """

    def __init__(self, numbers: ControlNumbers, authority_per_pa_rad: float) -> None:
        self._numbers = numbers
        self._authority = abs(authority_per_pa_rad)
        self.altitude_met = False
        self.speed_met = False
        self.enabled = False
        self.command_rad = 0.0
        self._reference_rad = 0.0

    def read_gate(self, altitude_m: float, speed_m_s: float, in_flight: bool) -> None:
        """Look at both conditions; on the ground neither is ever met."""
        self.altitude_met = in_flight and altitude_m >= self._numbers.gate_altitude_m
        self.speed_met = in_flight and speed_m_s >= self._numbers.gate_speed_m_s

    def step(self, may_control: bool, q: Quaternion, roll_rate: float, dynamic_pressure_pa: float) -> float:
        """Return the fin turn asked of all fins, rad; zero while control is off."""
        was = self.enabled
        self.enabled = may_control and self.speed_met and (was or self.altitude_met)
        if not self.enabled:
            self.command_rad = 0.0
            return 0.0
        angle = attitude.roll_rad(q)
        if not was:
            self._reference_rad = angle
        w, zeta = self._numbers.roll_bandwidth_rad_s, self._numbers.roll_damping
        wanted = w * w * attitude.wrapped(angle - self._reference_rad) + 2.0 * zeta * w * roll_rate
        limit = self._numbers.roll_limit_rad
        # Below 100 Pa the fins have nothing to push against; do not divide by it.
        turn = -wanted / (self._authority * max(dynamic_pressure_pa, 100.0))
        self.command_rad = max(-limit, min(limit, turn))
        return self.command_rad
