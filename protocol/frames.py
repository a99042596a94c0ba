"""Frames a vehicle counts in, turned once into the station's own where a packet is decoded.

The station's body axes are right-handed with z to the nose; its world is east, north, up. A dictionary may say in `[frames]`
that the nose is along another body axis and that the world is north, east, down. Vectors along body axes then change roles
and signs; a quaternion is multiplied by the two turns from the left and from the right (W. R. Hamilton, Elements of
Quaternions, 1866; any text on attitude).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from math import sqrt
from typing import TYPE_CHECKING, Literal, TypeVar

from protocol.toml_table import TomlTable

if TYPE_CHECKING:
    from protocol.arrays import Floats

Nose = Literal["x", "-x", "y", "-y", "z", "-z"]
World = Literal["east-north-up", "north-east-down"]
Quaternion = tuple[float, float, float, float]  # w, x, y, z
_Number = TypeVar("_Number", float, "Floats")
Four = tuple[_Number, _Number, _Number, _Number]

# The station's x, y, z out of the vehicle's axes, by where its nose is: each right-handed, x before y where one is free.
BODY_AXES: dict[Nose, tuple[str, str, str]] = {
    "z": ("x", "y", "z"),
    "-z": ("x", "-y", "-z"),
    "x": ("y", "z", "x"),
    "-x": ("y", "-z", "-x"),
    "y": ("z", "x", "y"),
    "-y": ("z", "-x", "-y"),
}
_HALF = sqrt(0.5)
# Turn from the vehicle's body axes to the station's, as a quaternion; `BODY_AXES` as a rotation.
_BODY_TURN: dict[Nose, Quaternion] = {
    "z": (1.0, 0.0, 0.0, 0.0),
    "-z": (0.0, 1.0, 0.0, 0.0),
    "x": (0.5, -0.5, -0.5, -0.5),
    "-x": (0.5, 0.5, 0.5, -0.5),
    "y": (0.5, 0.5, 0.5, 0.5),
    "-y": (0.5, -0.5, 0.5, -0.5),
}
_WORLD_TURN: dict[World, Quaternion] = {"east-north-up": (1.0, 0.0, 0.0, 0.0), "north-east-down": (0.0, _HALF, _HALF, 0.0)}
_BODY_ROLE = re.compile(r"((?:accel|gyro)\.[ab]|body_rate|magnetometer)\.([xyz])")
ATTITUDE_ROLES = tuple(f"attitude_quaternion.{part}" for part in "wxyz")


@dataclass(frozen=True)
class Frames:
    """Where a vehicle's nose is among its body axes, and which world its navigation counts in."""

    nose: Nose = "z"
    world: World = "east-north-up"

    def turned(self, role: str) -> tuple[str, float]:
        """Return (the station's role, sign) for a role as the vehicle has it: station = sign * vehicle."""
        if self.world == "north-east-down" and role in ("position.down", "velocity.down"):
            return role.replace("down", "up"), -1.0
        body = _BODY_ROLE.fullmatch(role)
        if body is None or self.nose == "z":
            return role, 1.0
        place = next(i for i, axis in enumerate(BODY_AXES[self.nose]) if axis[-1] == body[2])
        return f"{body[1]}.{'xyz'[place]}", -1.0 if BODY_AXES[self.nose][place][0] == "-" else 1.0

    @cached_property
    def attitude(self) -> AttitudeTurn | None:
        """How a quaternion is turned, or None when it is not."""
        if self == Frames():
            return None
        return AttitudeTurn(_WORLD_TURN[self.world], conjugate(_BODY_TURN[self.nose]))


@dataclass(frozen=True)
class AttitudeTurn:
    """Unit quaternions from the left (world) and from the right (body)."""

    left: Quaternion
    right: Quaternion

    @cached_property
    def _there(self) -> tuple[Quaternion, ...]:
        return _rows(self.left, self.right)

    @cached_property
    def _back(self) -> tuple[Quaternion, ...]:
        return _rows(conjugate(self.left), conjugate(self.right))

    def of(self, told: Four[_Number]) -> Four[_Number]:
        """Return the station's quaternion of one that was told; numbers or arrays of one shape."""
        return _applied(self._there, told)

    def undone(self, held: Four[_Number]) -> Four[_Number]:
        """Return what the vehicle tells of the station's quaternion."""
        return _applied(self._back, held)


def _rows(left: Quaternion, right: Quaternion) -> tuple[Quaternion, ...]:
    """Return left q right as a matrix on q, by rows."""
    units: tuple[Quaternion, ...] = ((1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0), (0.0, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0))
    w, x, y, z = (product(product(left, unit), right) for unit in units)
    return tuple(zip(w, x, y, z, strict=True))


def _applied(rows: tuple[Quaternion, ...], q: Four[_Number]) -> Four[_Number]:
    w, x, y, z = (row[0] * q[0] + row[1] * q[1] + row[2] * q[2] + row[3] * q[3] for row in rows)
    return w, x, y, z


def conjugate(q: Quaternion) -> Quaternion:
    """Return the conjugate: the turn back."""
    return (q[0], -q[1], -q[2], -q[3])


def product(p: Quaternion, q: Quaternion) -> Quaternion:
    """Return Hamilton's product p q."""
    return (
        p[0] * q[0] - p[1] * q[1] - p[2] * q[2] - p[3] * q[3],
        p[0] * q[1] + p[1] * q[0] + p[2] * q[3] - p[3] * q[2],
        p[0] * q[2] - p[1] * q[3] + p[2] * q[0] + p[3] * q[1],
        p[0] * q[3] + p[1] * q[2] - p[2] * q[1] + p[3] * q[0],
    )


def read_frames(table: TomlTable) -> Frames:
    """Return the frames of a [frames] table; raises DictionaryError."""
    worlds: tuple[World, ...] = ("east-north-up", "north-east-down")
    frames = Frames(table.choice("nose", tuple(BODY_AXES), "z"), table.choice("world", worlds, "east-north-up"))
    table.done()
    return frames
