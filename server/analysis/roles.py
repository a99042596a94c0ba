"""The roles of the vehicle's own state, in the groups in which they come (east, north, up; w, x, y, z; body x, y, z).

And of its fins, whatever their number is called.
"""

from __future__ import annotations

POSITION = tuple(f"position.{axis}" for axis in ("east", "north", "up"))
VELOCITY = tuple(f"velocity.{axis}" for axis in ("east", "north", "up"))
QUATERNION = tuple(f"attitude_quaternion.{part}" for part in "wxyz")
BODY_RATE = tuple(f"body_rate.{axis}" for axis in "xyz")
STATE_VECTOR = (*POSITION, *VELOCITY, *QUATERNION, *BODY_RATE)
FINS, COMMANDED_FINS = "fin[n].measured", "fin[n].commanded"
