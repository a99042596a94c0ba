"""What the inertial units say of the force on the vehicle, sample by sample, and which of them is to be believed just now.

A unit that tells the same numbers for long has stopped measuring; one at the end of its range says "at least so much". The
first unit is used while it is heard and neither of both, the other one else. What a unit reads too much at rest is its zero,
off by up to some tenths of a g in ordinary parts, and is taken off along the nose. Where a dictionary has one axis only, the
nose's, the others count as nothing: they are small while the nose leads.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf

from protocol.units import GRAVITY_M_S2
from server.analysis.trackers.role_columns import RoleColumns
from server.flight.motion.lift_off_watch import RestForce
from server.flight.sensors.saturation import is_at_full_scale

# Common practice, no source.
FROZEN_S, FROZEN_SAMPLES = 1.0, 10
OTHER_S = 0.1
MOST_OFFSET_M_S2 = 3.0

Force = tuple[float, ...]
Ends = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Reading:
    """One force in body axes (m/s2), its zero taken off along the nose, and whether the sensor was at its end."""

    force: tuple[float, float, float]
    is_clipped: bool


class Unit:
    """One inertial unit's forces in order of arrival."""

    def __init__(self, roles: tuple[str, ...], ends: tuple[tuple[float, float] | None, ...]) -> None:
        self.roles = roles
        self._ends = ends
        self._same: tuple[Force, float, int] = ((), 0.0, 0)  # the last force, since when, how often
        self._rest = RestForce(MOST_OFFSET_M_S2)
        self.good_s = -inf

    def take(self, t_s: float, force: Force, rests: bool, cos_tilt: float | None) -> Reading | None:
        """Take one force; None while the unit measures nothing.

        `rests` says that nothing speaks against standing on the pad, `cos_tilt` how the nose leans, where that is known.
        """
        same, since_s, count = self._same
        before = same or force
        self._same = (same, since_s, count + 1) if force == same else (force, t_s, 1)
        if self._same[2] >= FROZEN_SAMPLES and t_s - self._same[1] >= FROZEN_S:
            self.good_s = -inf
            return None
        is_clipped = False
        for value, last, ends in zip(force, before, self._ends, strict=True):
            if is_at_full_scale(value, ends, again=value == last):
                is_clipped = True
                break
        self.good_s = -inf if is_clipped else t_s
        if rests and not is_clipped:
            self._rest.take(t_s, _over_gravity(force, cos_tilt) + GRAVITY_M_S2)
        fx, fy = (force[0], force[1]) if len(force) == 3 else (0.0, 0.0)
        offset = self._rest.along_m_s2 - GRAVITY_M_S2
        return Reading((fx, fy, force[-1] if is_clipped else force[-1] - offset), is_clipped)


def _over_gravity(force: Force, cos_tilt: float | None) -> float:
    """Return what the nose's axis reads too much at rest: by the attitude, else by the length of the whole force."""
    if cos_tilt is not None:
        return force[-1] - GRAVITY_M_S2 * cos_tilt
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
