"""Thrust as flown against the declared curve: the impulse by the force felt along the nose and the list of masses.

Impulse = integral of (m f + drag) from lift-off to the end of the burn, f the specific force along the nose: Newton's second
law. Mass falls with the impulse given (constant exhaust speed), drag is the usual coefficient's. What the motor gave
before lift-off, with the vehicle still on its stop, is no more than its weight for some hundredths of a second.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import ArrayLike

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.flight.airframe.thrust_curve import ThrustCurve
from server.flight.unmeasured import Unmeasured

# One sigma each, our choice: a sheet's mass, a sensor's scale and offset, drag's coefficient, a gap's share of what is lost.
MASS_SHARE, SCALE_SHARE, OFFSET_M_S2, DRAG_SHARE, GAP_SHARE = 0.015, 0.01, 0.1, 0.3, 0.15
BEFORE_S, AFTER_S = 0.01, 0.15  # of thrust before lift-off; of the tail after thrust no longer overcame drag
LONGEST_GAP_S = 0.5
LEAST_SHARE = 0.02
FEWEST = 8


@dataclass(frozen=True, slots=True)
class ThrustShare:
    """Impulse as flown (N s), its share of the declared one with one sigma, and for how long it was seen to push (s)."""

    impulse_n_s: float
    share: float
    sigma: float
    burn_s: float


def thrust_share(
    t_s: ArrayLike,
    along_nose_m_s2: ArrayLike,
    lift_off_s: float,
    burnout_s: float,
    curve: ThrustCurve,
    liftoff_mass_kg: float,
    propellant_kg: float,
    half_density_drag_area_kg_m: float,
) -> ThrustShare | Unmeasured:
    """WINDOW: return thrust as flown over the declared one, from forces (n,) sorted in time, rest offset taken off.

    `half_density_drag_area_kg_m`: rho Cd A / 2.
    """
    t, force = np.asarray(t_s, dtype=np.float64), np.asarray(along_nose_m_s2, dtype=np.float64)
    inside = np.isfinite(force) & (t >= lift_off_s - 0.1) & (t <= burnout_s + AFTER_S + 0.2)
    t, force = t[inside], force[inside]
    if len(t) < FEWEST or t[-1] < burnout_s - 0.1:
        return Unmeasured("too few forces were heard while it burned")
    grid = np.arange(lift_off_s, burnout_s + AFTER_S, 0.005)
    felt = np.interp(grid, t, force)
    speed = np.maximum(np.cumsum(felt - GRAVITY_M_S2) * 0.005, 0.0)
    drag_n = half_density_drag_area_kg_m * speed * speed
    gaps = np.diff(np.concatenate([[lift_off_s], t[t > lift_off_s], [burnout_s]]))
    if gaps.max(initial=0.0) > LONGEST_GAP_S:
        return Unmeasured("too long a gap while it burned")
    burned = np.linspace(0.0, 1.0, len(grid))
    impulse, thrust = 0.0, felt
    for _ in range(3):
        thrust = np.maximum((liftoff_mass_kg - propellant_kg * burned) * felt + drag_n, 0.0)
        given: Floats = np.cumsum(thrust) * 0.005
        impulse = float(given[-1])
        if impulse <= LEAST_SHARE * curve.impulse_n_s:
            return Unmeasured("no thrust was felt")
        burned = given / impulse
    before = BEFORE_S * liftoff_mass_kg * GRAVITY_M_S2
    seconds = burnout_s - lift_off_s
    hidden = float(np.maximum(gaps - 0.06, 0.0).sum()) * GAP_SHARE * impulse / max(seconds, 0.1)
    parts = (
        hypot(MASS_SHARE, SCALE_SHARE) * impulse,
        OFFSET_M_S2 * seconds * liftoff_mass_kg,
        DRAG_SHARE * float(drag_n.sum()) * 0.005,
        hidden,
        before,
    )
    whole, declared = impulse + before, curve.impulse_n_s
    return ThrustShare(whole, whole / declared, hypot(*parts) / declared, seconds)
