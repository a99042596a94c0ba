"""The battery and the cameras that drain it."""

from __future__ import annotations

from server.twin.sandpiper import BatteryNumbers, CameraNumbers


class Battery:
    """Open-circuit voltage against charge left, less internal resistance times current; charge counted up."""

    def __init__(self, numbers: BatteryNumbers) -> None:
        self._numbers = numbers
        self.used_c = 0.0
        self.current_a = 0.0
        self.rails_a: dict[str, float] = {"computer": 0.0, "camera": 0.0, "servo": 0.0}

    @property
    def charge_left(self) -> float:
        """Share of the capacity left, 0 to 1."""
        return max(0.0, self._numbers.charge_at_start - self.used_c / self._numbers.capacity_c)

    @property
    def voltage_v(self) -> float:
        """Terminal voltage of both cells under the present load."""
        open_v = 2.0 * open_circuit_v(self._numbers.open_circuit_v, self.charge_left)
        return max(0.0, open_v - self.current_a * self._numbers.resistance_ohm)

    def step(self, seconds: float, camera_a: float, servos_moving: int, servos_connected: bool = True) -> None:
        """Draw the loads for some seconds."""
        numbers = self._numbers
        servo = numbers.servo_idle_a + numbers.servo_moving_a * servos_moving if servos_connected else 0.0
        self.rails_a = {"computer": numbers.computer_a, "camera": camera_a, "servo": servo}
        self.current_a = numbers.computer_a + camera_a + servo
        self.used_c += self.current_a * seconds


def open_circuit_v(table: tuple[tuple[float, float], ...], charge_left: float) -> float:
    """Return one cell's open-circuit voltage at a share of charge, straight lines between the table's points."""
    for (c0, v0), (c1, v1) in zip(table, table[1:], strict=False):
        if charge_left <= c1:
            return v0 + (v1 - v0) * (max(charge_left, c0) - c0) / (c1 - c0)
    return table[-1][1]


class Camera:
    """One camera: a relay that takes a moment, a recorder that takes longer, storage that fills."""

    def __init__(self, numbers: CameraNumbers, storage_b: float) -> None:
        self._numbers = numbers
        self.storage_b = storage_b
        self.powered = False
        self.recording = False
        self._power_wanted, self._power_at_s = False, 0.0
        self._record_wanted, self._record_at_s = False, 0.0

    def switch(self, on: bool, now_s: float) -> None:
        """Ask for power on or off."""
        self._power_wanted, self._power_at_s = on, now_s + self._numbers.power_delay_s

    def record(self, on: bool, now_s: float) -> None:
        """Ask for recording to start or stop; without power nothing answers."""
        if self.powered:
            self._record_wanted = on
            self._record_at_s = now_s + self._numbers.record_delay_s * (1.0 if on else 0.2)

    def step(self, now_s: float, seconds: float) -> None:
        """Let relays close and storage fill."""
        if self.powered != self._power_wanted and now_s >= self._power_at_s:
            self.powered = self._power_wanted
            self.recording = self._record_wanted = False
        if self.recording != self._record_wanted and now_s >= self._record_at_s:
            self.recording = self._record_wanted and self.storage_b > 0.0
        if self.recording:
            self.storage_b = max(0.0, self.storage_b - self._numbers.record_b_s * seconds)
            if self.storage_b == 0.0:
                self.recording = self._record_wanted = False
