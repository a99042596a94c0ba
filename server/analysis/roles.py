"""The roles of the vehicle's own state, in the groups in which they come (east, north, up; w, x, y, z; body x, y, z).

And of its fins, as measured.
"""

from __future__ import annotations

POSITION = tuple(f"position.{axis}" for axis in ("east", "north", "up"))
VELOCITY = tuple(f"velocity.{axis}" for axis in ("east", "north", "up"))
QUATERNION = tuple(f"attitude_quaternion.{part}" for part in "wxyz")
BODY_RATE = tuple(f"body_rate.{axis}" for axis in "xyz")
STATE_VECTOR = (*POSITION, *VELOCITY, *QUATERNION, *BODY_RATE)
FINS = tuple(f"fin[{n}].measured" for n in range(1, 5))
COMMANDED_FINS = tuple(f"fin[{n}].commanded" for n in range(1, 5))
