"""What a lot of flights is computed from: arrays with one entry a flight, shape (n,), where they may differ."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from protocol.arrays import Floats
from server.flight.air.atmosphere import EXPONENT, LAPSE_K_M
from server.flight.airframe.thrust_curve import ThrustCurve
from server.flight.dispersion.winds import Winds
from server.flight.motion.drag_rise import COLDEST_K

_BURN_STEPS = 600


@dataclass(frozen=True)
class Lot:
    """n vehicles on their rails, SI units, stations from the nose tip in m, angles in rad; (n,) unless said otherwise.

    `slope_m` holds the sums of (normal-force slope, slope x station, slope x station^2) over the parts, shape (3, n): by
    them force, moment and damping of any number of parts are three products. `roll_slope` is twice the fins' slope.
    `thrust_angle` lies toward `thrust_toward` around the body from its +x. `factor_mach` is the drag over that at low speed
    by Mach number, shape (2, k), the same for all, of whose departure from one a flight has `mach_rise`; `powered_drag` is
    what is left of it while the motor fills the wake, and `attack_drag` how it grows with the square of the sine of the
    angle of attack.
    """

    curve: ThrustCurve
    impulse_factor: Floats
    burn_factor: Floats
    dry_mass_kg: Floats
    dry_center_m: Floats
    dry_inertia_kg_m2: Floats
    roll_inertia_kg_m2: Floats
    propellant_kg: Floats
    propellant_center_m: Floats
    propellant_length_m: Floats
    nozzle_m: Floats
    area_m2: float
    slope_m: Floats
    roll_slope: Floats
    fin_arm_m: Floats
    fin_cant: Floats
    body_lift: Floats
    body_middle_m: Floats
    drag: Floats
    powered_drag: Floats
    attack_drag: Floats
    mach_rise: Floats
    factor_mach: Floats
    thrust_angle: Floats
    thrust_toward: Floats
    rail_m: Floats
    rail_tilt: Floats
    rail_azimuth: Floats
    density_kg_m3: Floats
    temperature_k: Floats
    winds: Winds

    @property
    def count(self) -> int:
        """How many flights."""
        return len(self.dry_mass_kg)

    def part(self, chosen: slice) -> Lot:
        """Return some of the flights."""
        cut: dict[str, Any] = {
            field.name: value[..., chosen]
            for field in fields(self)
            if isinstance(value := getattr(self, field.name), np.ndarray) and field.name != "factor_mach"
        }
        return replace(self, **cut, winds=self.winds.part(chosen))

    def density(self, up_m: Floats) -> Floats:
        """Return air density at heights over the pad: hydrostatic with the standard lapse from the pad's own air."""
        kelvin = np.maximum(self.temperature_k - LAPSE_K_M * up_m, COLDEST_K)
        density: Floats = self.density_kg_m3 * (kelvin / self.temperature_k) ** (EXPONENT - 1.0)
        return density


@dataclass(frozen=True)
class Burn:
    """A motor at some times: thrust in N, mass in kg, center in m, inertia across in kg m2, flow in kg/s; each (n,)."""

    thrust_n: Floats
    mass_kg: Floats
    center_m: Floats
    inertia_kg_m2: Floats
    flow_kg_s: Floats


class Motors:
    """Thrust and mass properties of a lot at any times, each flight at its own.

    A drawn motor is the curve with its time stretched and its thrust so scaled that the impulse is as drawn. Propellant
    leaves in proportion to thrust (constant exhaust speed); parallel-axis theorem; the grain is a thin rod.
    """

    def __init__(self, lot: Lot) -> None:
        self._lot = lot
        curve = lot.curve
        self._even = np.linspace(0.0, curve.burn_s, _BURN_STEPS + 1)
        self._thrust = np.interp(self._even, curve.t_s, curve.thrust_n)
        gained = 0.5 * (self._thrust[1:] + self._thrust[:-1]) * np.diff(self._even)
        self._share = np.concatenate([[0.0], np.cumsum(gained)]) / gained.sum()
        self._push = lot.impulse_factor / lot.burn_factor
        self._flow = lot.propellant_kg / (curve.impulse_n_s * lot.impulse_factor)
        self.last_s = float(curve.burn_s * lot.burn_factor.max())
        self._empty = self._with(np.zeros(lot.count), np.zeros(lot.count))

    def at(self, t_s: Floats) -> Burn:
        """Return the motors at times after ignition, (n,)."""
        if t_s.min() >= self.last_s:
            return self._empty
        own = t_s / self._lot.burn_factor
        thrust = np.interp(own, self._even, self._thrust, right=0.0) * self._push
        left = self._lot.propellant_kg * (1.0 - np.interp(own, self._even, self._share))
        return self._with(thrust, left)

    def _with(self, thrust_n: Floats, left_kg: Floats) -> Burn:
        lot = self._lot
        mass = lot.dry_mass_kg + left_kg
        center = (lot.dry_mass_kg * lot.dry_center_m + left_kg * lot.propellant_center_m) / mass
        inertia = (
            lot.dry_inertia_kg_m2
            + lot.dry_mass_kg * (center - lot.dry_center_m) ** 2
            + left_kg * ((lot.propellant_center_m - center) ** 2 + lot.propellant_length_m**2 / 12.0)
        )
        return Burn(thrust_n, mass, center, inertia, self._flow * thrust_n)
