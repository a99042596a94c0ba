"""Are the numbers to be believed: inertial units, state vector, ranges, limits, two clocks."""
