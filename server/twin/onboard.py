"""The log the simulated flight computer writes on its own card: quicker than the radio, whole, and on its own clock.

Rows come at every step of the motion (200 a second) from the same kinds of sensors, with the same biases, and from the
computer's own state; the last ten minutes are kept. The log's clock starts anywhere and runs a little fast or slow:
log time = (vehicle time - offset_s) / (1 + drift).
"""

from __future__ import annotations

import random
from collections import deque

from protocol.units import GRAVITY_M_S2
from server.twin.flight_computer import FlightComputer
from server.twin.motion import STEP_S, Motion
from server.twin.sandpiper import Vehicle
from server.twin.sensors import Barometer, Imu

KEEP_S = 600.0
COLUMNS = (
    "time [ms]",
    "accel_x [g]", "accel_y [g]", "accel_z [g]", "gyro_x [deg/s]", "gyro_y [deg/s]", "gyro_z [deg/s]",
    "pressure [hPa]", "altitude [m]",
    "east [m]", "north [m]", "up [m]", "vel_east [m/s]", "vel_north [m/s]", "vel_up [m/s]",
    "q_w", "q_x", "q_y", "q_z",
    "roll_command [deg]", "fin_1 [deg]", "fin_2 [deg]", "fin_3 [deg]", "fin_4 [deg]", "battery [V]",
)  # fmt: skip
DEG = 57.29577951308232


class OnboardRecorder:
    """Takes a row at every step of a twin; hand it to `Twin.recorder`, made of that twin's vehicle."""

    def __init__(self, vehicle: Vehicle, seed: int, offset_s: float = 0.0, drift: float = 0.0) -> None:
        self._offset_s, self._drift = offset_s, drift

        def stream(name: str) -> random.Random:  # the biases of a unit are the first its stream gives
            return random.Random(f"{seed} {name}")

        self._imu = Imu(vehicle.imu_a, stream("imu_a"))
        self._barometer = Barometer(vehicle.barometer, stream("barometer"))
        self._rows: deque[tuple[float, ...]] = deque(maxlen=round(KEEP_S / STEP_S))
        self._phases: list[tuple[float, str]] = []

    def log_time_s(self, vehicle_s: float) -> float:
        """Return a time of the vehicle's clock on the log's."""
        return (vehicle_s - self._offset_s) / (1.0 + self._drift)

    def step(self, motion: Motion, computer: FlightComputer) -> None:
        """Take one row; after a restart it is another flight computer, and the log goes on."""
        accel, gyro = self._imu.sample(motion)
        pressure = self._barometer.sample(motion, STEP_S)
        nav, servos = computer.nav, computer.airframe.servos
        at = self.log_time_s(motion.time_s)
        self._rows.append((
            at * 1000.0, *[a / GRAVITY_M_S2 for a in accel], *[w * DEG for w in gyro],
            pressure / 100.0, nav.altitude_baro_m, *nav.position, *nav.velocity, *nav.quaternion,
            computer.control.command_rad * DEG, *[angle * DEG for angle in servos.angles_rad],
            computer.airframe.battery.voltage_v,
        ))  # fmt: skip
        if not self._phases or self._phases[-1][1] != computer.phase:
            self._phases.append((at, computer.phase))

    def text(self) -> str:
        """Return the log as the card holds it: column names, numbers, and a line for each phase."""
        lines = [",".join(COLUMNS)]
        phases = deque(self._phases)
        for row in list(self._rows):
            while phases and phases[0][0] * 1000.0 <= row[0]:
                at, phase = phases.popleft()
                lines.append(f"{at * 1000.0:.1f} phase {phase}")
            lines.append(",".join([f"{row[0]:.1f}", *[f"{value:.6g}" for value in row[1:]]]))
        return "\n".join(lines) + "\n"
