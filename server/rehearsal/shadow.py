"""The twin's own computer on the same sensor values: what a computer without the fault would have made of them.

It moves nothing: its motion never leaves the pad, and its hardware is its own. Where a step is longer than its cycle it
runs as many cycles as have passed; asked for long ones it runs a single one as long as the step, as flight code does.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from protocol.dictionary import Dictionary
from server.rehearsal.plant import CYCLE_S
from server.twin.air import Air, Wind
from server.twin.attitude import Vector
from server.twin.flight_computer import FlightComputer, build_airframe
from server.twin.motion import Motion
from server.twin.sandpiper import Vehicle
from server.twin.sensors import Barometer, Imu, Satellite

AXES = ("x", "y", "z")
ACCEL, GYRO = (tuple(f"{kind}.a.{axis}" for axis in AXES) for kind in ("accel", "gyro"))
MOST_CYCLES = 3000  # between two steps: half a minute is longer than any flight's silence
NEEDED = (*ACCEL, *GYRO, "pressure")
_DEAF = random.Random(0)  # of parts whose draws are never used


@dataclass(frozen=True, slots=True)
class Believed:
    """What it believed after one step: phase, state vector by role, whether it controls, whether it has deployed."""

    phase: str
    state: Mapping[str, float]
    controls: bool
    deployed: bool
    roll_command: float = 0.0


class _Unit(Imu):
    now: tuple[Vector, Vector] = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))

    def sample(self, motion: Motion) -> tuple[Vector, Vector]:
        return self.now


class _Port(Barometer):
    now = 0.0

    def sample(self, motion: Motion, seconds: float) -> float:
        return self.now


class _Receiver(Satellite):
    now = (0.0, 0.0)

    def sample(self, motion: Motion, seconds: float) -> tuple[float, float]:
        return self.now


class Shadow:
    """One start of the twin's computer. `vehicle` gives it its numbers: gate, phases, pad temperature."""

    def __init__(self, vehicle: Vehicle, dictionary: Dictionary, long_cycles: bool = False) -> None:
        self._long = long_cycles
        motion = Motion(vehicle, Air(vehicle.site), Wind(vehicle.wind, random.Random(0)))
        self._airframe = build_airframe(vehicle, motion, lambda name: random.Random(name))
        self._unit = self._airframe.imu_a = _Unit(vehicle.imu_a, _DEAF)
        self._port = self._airframe.barometer = _Port(vehicle.barometer, _DEAF)
        self._receiver = self._airframe.satellite = _Receiver(1.0, 1.0, _DEAF)
        self._computer = FlightComputer(vehicle, self._airframe, lambda severity, text: None)
        self._places = {
            name: {channel.role: place for place, channel in enumerate(packet.channels) if channel.role}
            for name, packet in dictionary.stimuli.items()
        }
        assert dictionary.rehearsal is not None
        self._step = dictionary.rehearsal.step
        self._last_us = 0  # it is started anew when the rehearsal begins

    @staticmethod
    def can_follow(dictionary: Dictionary) -> bool:
        """Tell whether the step's stimulus has what the twin's computer needs."""
        if dictionary.rehearsal is None:
            return False
        roles = {channel.role for channel in dictionary.stimuli[dictionary.rehearsal.step].channels}
        return roles.issuperset(NEEDED)

    def take(self, time_us: int, stimuli: Iterable[tuple[str, Sequence[float]]]) -> Believed:
        """Take the stimuli of one moment, the step last, `time_us` since the beginning.

        Where steps were lost it runs as many cycles as have passed, or one so long, all on the values that came.
        """
        for name, values in stimuli:
            places = self._places[name]
            if name == self._step:
                ax, ay, az, p, q, r, pressure = (values[places[role]] for role in NEEDED)
                self._unit.now, self._port.now = ((ax, ay, az), (p, q, r)), pressure
            elif "position.east" in places and "position.north" in places:
                self._receiver.now = values[places["position.east"]], values[places["position.north"]]
        computer = self._computer
        passed = round((time_us - self._last_us) / (CYCLE_S * 1e6))
        self._last_us = time_us
        passed = max(1, min(passed, MOST_CYCLES))
        times, length = (1, passed) if self._long else (passed, 1)
        try:
            for _ in range(times):
                self._airframe.motion.time_s = computer.now_s + length * CYCLE_S
                computer.cycle(length)
        except (ArithmeticError, ValueError):  # a value no sensor gives, on purpose; it computes no further
            return Believed(computer.phase, {}, False, computer.deployed_s is not None)
        nav = computer.nav
        names = ("east", "north", "up")
        state = {f"position.{axis}": value for axis, value in zip(names, nav.position, strict=True)}
        state |= {f"velocity.{axis}": value for axis, value in zip(names, nav.velocity, strict=True)}
        state |= {f"attitude_quaternion.{part}": v for part, v in zip("wxyz", nav.quaternion, strict=True)}
        state |= {f"body_rate.{axis}": value for axis, value in zip(AXES, nav.rates, strict=True)}
        control = computer.control
        return Believed(computer.phase, state, control.enabled, computer.deployed_s is not None, control.command_rad)


def turn_between(one: Sequence[float], other: Sequence[float]) -> float:
    """Return the angle in rad between two attitudes (quaternions, scalar first; of any length but zero)."""
    lengths = math.sqrt(sum(a * a for a in one)) * math.sqrt(sum(b * b for b in other))
    if not lengths > 0.0 or not math.isfinite(lengths):
        return math.nan
    return 2.0 * math.acos(min(1.0, abs(sum(a * b for a, b in zip(one, other, strict=True))) / lengths))
