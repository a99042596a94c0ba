"""A simulated vehicle moved by hand on a bench: what its units read while it lies, is carried, turned and set down again."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from protocol.arrays import Floats
from protocol.dictionary_file import load_dictionary
from protocol.vehicle import VehicleLink
from server.calibrating.signals import Signals
from server.flight.calibration.estimate import rotation_of

RATE_HZ = 25.0
G = 9.81
ACCEL = np.array([[1.008, 0.0, 0.002], [0.0, 0.992, 0.0], [0.001, 0.0, 1.005]])
ACCEL_BIAS = np.array([0.08, -0.12, 0.05])
GYRO_SCALE, GYRO_BIAS = np.array([1.01, 0.985, 1.004]), np.array([0.006, -0.004, 0.002])
B_TURNED = np.array([0.01, -0.02, 0.015])  # unit b against unit a, rad
IRON, SOFT = np.array([8e-6, -5e-6, 3e-6]), np.diag([1.05, 0.97, 1.0])
FIELD_T = 48e-6 * np.array([0.4, 0.0, -0.9])
SIDES = {
    "+z": (0.0, 0.0, 0.0),
    "-z": (np.pi, 0.0, 0.0),
    "+x": (0.0, -np.pi / 2, 0.0),
    "-x": (0.0, np.pi / 2, 0.0),
    "+y": (np.pi / 2, 0.0, 0.0),
    "-y": (-np.pi / 2, 0.0, 0.0),
}


class Moves:
    """Movements one after another; `signals()` gives what was read."""

    def __init__(self, seed: int = 1) -> None:
        self.rng = np.random.default_rng(seed)
        self.attitude, self.height_m = np.eye(3), 0.0  # body to world
        self._t: list[float] = []
        self._body: list[tuple[Floats, Floats, float]] = []  # gravity in the body, rates, height

    @property
    def now_s(self) -> float:
        """How long it has been."""
        return len(self._t) / RATE_HZ

    def still(self, seconds: float) -> Moves:
        """It lies."""
        return self.turned(np.zeros(3), seconds)

    def turned(self, turn: Floats, seconds: float, rise_m: float = 0.0) -> Moves:
        """Turn it by a rotation vector (3,), rad, in body axes, smoothly, and carry it up or down on the way."""
        count = round(seconds * RATE_HZ)
        start, low = self.attitude, self.height_m
        for k in range(count):
            share = k / count
            smooth = share - np.sin(2 * np.pi * share) / (2 * np.pi)
            self.attitude, self.height_m = start @ rotation_of(turn * smooth), low + rise_m * smooth
            rates = turn / seconds * (1.0 - np.cos(2 * np.pi * share))
            self._t.append(len(self._t) / RATE_HZ)
            self._body.append((self.attitude.T @ [0.0, 0.0, G], rates, self.height_m))
        self.attitude, self.height_m = start @ rotation_of(turn), low + rise_m
        return self

    def laid(self, side: str, seconds: float = 3.0) -> Moves:
        """Carry it to a side."""
        from scipy.spatial.transform import Rotation

        wanted = Rotation.from_rotvec(SIDES[side]).as_matrix()
        return self.turned(Rotation.from_matrix(self.attitude.T @ wanted).as_rotvec(), seconds)

    def wandering(self, seconds: float) -> Moves:
        """Turn it to and fro about axes drawn anew."""
        while seconds > 0.0:
            axis = self.rng.standard_normal(3)
            self.turned(2.2 * axis / np.linalg.norm(axis), 1.5)
            seconds -= 1.5
        return self

    def signals(self) -> Signals:
        """Return what the units read."""
        t = np.array(self._t)
        gravity, rates, height = (np.array(part) for part in zip(*self._body, strict=True))
        noisy = self.rng.standard_normal
        accel = gravity @ ACCEL.T + ACCEL_BIAS + 0.03 * noisy((len(t), 3))
        gyro = rates * GYRO_SCALE + GYRO_BIAS + 0.003 * noisy((len(t), 3))
        other = rates @ rotation_of(B_TURNED).T + 0.003 * noisy((len(t), 3))
        across = np.cross(gravity / G, [0.3, 0.5, 0.8])  # stands for a field that turns with the body
        field = np.linalg.norm(FIELD_T) * _unit(0.4 * _unit(across) - 0.9 * gravity / G)
        return {
            "accel.a": (t, np.round(accel / 0.01) * 0.01),
            "gyro.a": (t, np.round(gyro / 0.002) * 0.002),
            "gyro.b": (t + 0.01, np.round(other / 0.002) * 0.002),
            "magnetometer": (t, field @ SOFT + IRON + 2e-7 * noisy((len(t), 3))),
            "pressure": (t, (100900.0 - 11.9 * 1.02 * height + 1.0 * noisy(len(t)))[:, None]),
        }


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True), dtype=np.float64)


def six_sides() -> Moves:
    """Six sides, six seconds each."""
    moves = Moves()
    for side in SIDES:
        moves.laid(side).still(7.0)
    return moves


def three_turns() -> Moves:
    """A whole turn about each axis, each between two rests."""
    moves = Moves().still(5.0)
    for axis in range(3):
        moves.turned(2 * np.pi * np.eye(3)[axis], 6.0).still(5.0)
    return moves


def up_and_down(heights: tuple[float, ...]) -> Moves:
    """Set down at each height for twelve seconds."""
    moves = Moves().still(13.0)
    for low, high in zip(heights, heights[1:], strict=False):
        moves.turned(np.array([0.6, 0.0, 0.0]), 2.0, high - low).turned(np.array([-0.6, 0.0, 0.0]), 2.0).still(13.0)
    return moves


def frames(signals: Signals) -> Iterator[tuple[float, bytes]]:
    """Yield the Sandpiper's frames of unit a with their vehicle seconds."""
    link = VehicleLink(load_dictionary(), bytes(32), 7)
    t, accel = signals["accel.a"]
    for now_s, force, rates in zip(t, accel, signals["gyro.a"][1], strict=True):
        values = {f"accel_{axis}": force[k] for k, axis in enumerate("xyz")}
        values |= {f"gyro_{axis}": rates[k] for k, axis in enumerate("xyz")} | {"temperature": 300.0}
        yield float(now_s), link.frame("imu_a", int(1000 * now_s) + 5000, values)
