"""Attitude, speed and height from the inertial units' raw samples alone, with their doubt; and what precedes a bad number.

`rotations` and `turning` turn rates into attitude, `leveling` begins on the pad, `strapdown` integrates and tells its
growing doubt, `inputs` says where a unit is not to be believed, `believing` compares with what the vehicle claims, and
`precursors` looks at the frames before one that is no number.
"""
