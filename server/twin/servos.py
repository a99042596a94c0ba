"""The four fin servos: lag, rate limit, linkage error, backlash, and what the position sensors read.

They hang on one cable whose connector is pulled apart when the bodies part. Without it nothing turns and nothing answers:
gears hold the fins where they stood, and the last good frame is all that is known of them.
"""

from __future__ import annotations

import math
import random

from server.twin.sandpiper import FinNumbers

FRAME_EVERY_S = 0.02
BUS_EMPTIES_S = 0.03
CABLE_OHM = 0.12


class FinServos:
    """Commands in, physical fin angles out."""

    def __init__(self, numbers: FinNumbers, rng: random.Random) -> None:
        self._numbers, self._rng = numbers, rng
        self.commanded = [0.0, 0.0, 0.0, 0.0]
        self._horn = [0.0, 0.0, 0.0, 0.0]
        self._angle = list(numbers.linkage_offset_rad)
        self.moving = 0
        self._sweep: list[list[float]] = [[], [], [], []]  # targets still to be visited
        self._at_rest = False  # no horn moved in the last step, so that the fins stand where its slack lets them
        self.connected = True
        self.unplugged_s = 0.0  # how long the connector has been open
        self._last_frame: list[float] | None = None

    @property
    def angles_rad(self) -> tuple[float, float, float, float]:
        """Where the fins physically stand."""
        first, second, third, fourth = self._angle
        return first, second, third, fourth

    def command(self, fin: int, angle_rad: float) -> None:
        """Ask fin 1 to 4 for an angle; the travel limits it."""
        travel = self._numbers.travel_rad
        self._sweep[fin - 1] = []
        self.commanded[fin - 1] = max(-travel, min(travel, angle_rad))

    def command_all(self, angle_rad: float) -> None:
        """Ask all four fins for the same angle."""
        travel = self._numbers.travel_rad
        self._sweep = [[], [], [], []]
        self.commanded[:] = (max(-travel, min(travel, angle_rad)),) * 4

    def sweep(self, fin: int) -> None:
        """Send fin 1 to 4 through its travel, one way, the other way, and back to center."""
        travel = self._numbers.travel_rad
        self._sweep[fin - 1] = [travel, -travel, 0.0]

    def sweeping(self, fin: int) -> bool:
        """Tell whether a sweep of fin 1 to 4 is not yet over."""
        return bool(self._sweep[fin - 1])

    def _follow_sweep(self, i: int) -> None:
        """Ask for the next target; drop it when the horn is there."""
        self.commanded[i] = self._sweep[i][0]
        if abs(self.commanded[i] - self._horn[i]) < 0.002:
            self._sweep[i].pop(0)

    def unplug(self) -> None:
        """Pull the connector apart: nobody puts it back in the air."""
        if self.connected:
            self._last_frame = self.measured_rad()
            self.connected = False

    def step(self, seconds: float) -> None:
        """Move for some seconds: toward the command with a lag, never faster than the servo turns."""
        if not self.connected:
            self.unplugged_s += seconds
            self.moving = 0
            return
        if self._at_rest and self.commanded == self._horn and not any(self._sweep):
            self.moving = 0
            return
        numbers = self._numbers
        share, most = 1.0 - math.exp(-seconds / numbers.servo_lag_s), numbers.servo_rate_rad_s * seconds
        self.moving = 0
        self._at_rest = True
        for i in range(4):
            if self._sweep[i]:
                self._follow_sweep(i)
            move = self.commanded[i] - self._horn[i]
            if move != 0.0:
                self._at_rest = False
                self._horn[i] += max(-most, min(most, move * share))
                self.moving += abs(move) > 0.002
            # Play: the fin stays where it is until the horn has taken up the slack.
            driven = self._horn[i] * numbers.linkage_ratio[i] + numbers.linkage_offset_rad[i]
            slack = numbers.backlash_rad / 2.0
            self._angle[i] = max(driven - slack, min(driven + slack, self._angle[i]))

    def measured_rad(self) -> list[float]:
        """Return what the position sensors read now, or told in the last good frame."""
        if self._last_frame is not None:
            return list(self._last_frame)
        return [angle + 0.0006 * self._rng.gauss(0.0, 1.0) for angle in self._angle]

    def frame_age_s(self) -> float:
        """Return the age of the last good servo frame: the servo bus answers every 20 ms while it is fed."""
        if not self.connected:
            return FRAME_EVERY_S + self.unplugged_s
        return self._rng.uniform(0.001, 0.021)

    def bus_voltage_v(self, supply_v: float, current_a: float) -> float:
        """Return the voltage at the fin end of the cable; what the bus keeps without it is gone in a tenth of a second."""
        if not self.connected:
            return supply_v * math.exp(-self.unplugged_s / BUS_EMPTIES_S)
        # The cable to the tail has a little resistance of its own.
        return max(0.0, supply_v - CABLE_OHM * current_a)
