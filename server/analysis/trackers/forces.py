"""What the inertial units say of the force on the vehicle, sample by sample, and which of them is to be believed just now.

A unit that tells the same numbers for long has stopped measuring; one at the end of its range says "at least so much". The
first unit is used while it is heard and neither of both, the other one else. What a unit reads too much at rest is its zero,
off by up to some tenths of a g in ordinary parts, and is taken off along the nose. Where a dictionary has one axis only, the
nose's, the others count as nothing: they are small while the nose leads.
"""

from __future__ import annotations

from math import hypot, inf

from protocol.units import GRAVITY_M_S2
from server.analysis.trackers.role_columns import RoleColumns
from server.flight.motion.lift_off_watch import RestForce
from server.flight.sensors.saturation import counted_ends, is_at_a_usual_end

# Common practice, no source.
FROZEN_S, FROZEN_SAMPLES = 1.0, 10
OTHER_S = 0.1
MOST_OFFSET_M_S2 = 3.0

Force = tuple[float, ...]
Ends = tuple[tuple[float, float], ...]


class Unit:
    """One inertial unit's forces in order of arrival.

    `force` is the last one in body axes (m/s2), its zero taken off along the nose, `is_clipped` whether the sensor was at
    its end.
    """

    def __init__(self, roles: tuple[str, ...], ends: tuple[tuple[float, float] | None, ...]) -> None:
        self.roles = roles
        self._inside = tuple((-inf, inf) if one is None else counted_ends(*one) for one in ends)
        self._has_three = len(roles) == 3
        # By axis; one that is not sent counts as nothing, which is at no end.
        self._limits = self._inside if self._has_three else ((-inf, inf), (-inf, inf), self._inside[-1])
        self._usual = tuple(one is None for one in ends)  # which axes may end where usual ones do
        self._any_usual = any(self._usual)
        self._same: Force = ()  # the last force, since when, how often
        self._same_s, self._same_count = 0.0, 0
        self.force, self.is_clipped = (0.0, 0.0, 0.0), False
        self._rest = RestForce(MOST_OFFSET_M_S2)
        self.good_s = -inf

    def take(self, t_s: float, force: Force, rests: bool, cos_tilt: float | None) -> bool:
        """Take one force; false while the unit measures nothing.

        `rests` says that nothing speaks against standing on the pad, `cos_tilt` how the nose leans, where that is known.
        """
        before = self._same
        if force == before:
            self._same_count += 1
            if self._same_count >= FROZEN_SAMPLES and t_s - self._same_s >= FROZEN_S:
                self.good_s = -inf
                return False
        else:
            self._same, self._same_s, self._same_count = force, t_s, 1
        fx, fy, fz = force if self._has_three else (0.0, 0.0, force[0])
        (low_x, high_x), (low_y, high_y), (low_z, high_z) = self._limits
        is_inside = low_x < fx < high_x and low_y < fy < high_y and low_z < fz < high_z  # nearly always
        if (self._any_usual or not is_inside) and self._clips(force, before or force):
            self.good_s, self.force, self.is_clipped = -inf, (fx, fy, fz), True
            return True
        self.good_s, self.is_clipped, rest = t_s, False, self._rest
        if rests:
            over = _over_gravity(force) if cos_tilt is None else fz - GRAVITY_M_S2 * cos_tilt
            rest.take(t_s, over + GRAVITY_M_S2)
        self.force = fx, fy, fz - (rest.along_m_s2 - GRAVITY_M_S2)
        return True

    def _clips(self, force: Force, before: Force) -> bool:
        for value, (low, high) in zip(force, self._inside, strict=True):
            if value >= high or value <= low:  # false for NaN
                return True
        if not self._any_usual:
            return False
        axes = zip(force, before, self._usual, strict=True)
        return any(usual and value == last and is_at_a_usual_end(value) for value, last, usual in axes)


def _over_gravity(force: Force) -> float:
    """Return what the nose's axis reads too much at rest, no attitude being known: by the length of the whole force."""
    return (hypot(*force) if len(force) == 3 else force[-1]) - GRAVITY_M_S2


def units_of(roles: RoleColumns) -> dict[str, Unit]:
    """Return the units the dictionary has, all three axes in one packet or the nose's alone, by their letter."""
    units: dict[str, Unit] = {}
    for unit in "ab":
        names = tuple(f"accel.{unit}.{axis}" for axis in "xyz")
        packets = {roles.roles[name].packet for name in names if name in roles.roles}
        if not all(name in roles.roles for name in names) or len(packets) > 1:
            names = names[2:]
        if names[-1] in roles.roles:
            units[unit] = Unit(names, tuple(roles.roles[name].sensor_range for name in names))
    return units
