"""The simulated vehicle's own motion, flown without its computer, and the same vehicle as a lot: one number for one."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, hypot, radians

import numpy as np

from protocol.arrays import Floats
from server.flight.air.atmosphere import density
from server.flight.airframe.thrust_curve import curve_of
from server.flight.dispersion.canopies import Canopies
from server.flight.dispersion.lot import Lot
from server.flight.dispersion.winds import Winds, power_law
from server.twin import rigid_body
from server.twin.air import Air, Wind
from server.twin.motion import FREE, GROUND, TOPPLE, Motion
from server.twin.propulsion import total_impulse_n_s
from server.twin.sandpiper import Vehicle


@dataclass(frozen=True)
class TwinFlight:
    """What the simulated vehicle did; times in s from ignition, angles in rad."""

    exit_speed_m_s: float
    exit_attack_rad: float
    lean_rad: float
    apogee_m: float
    apogee_s: float
    east_m: float
    north_m: float
    descent_m_s: float
    track: Floats  # (3, k) of the free flight, 5 ms apart: s from ignition, height in m, speed in m/s

    def gate_s(self, altitude_m: float, speed_m_s: float) -> float:
        """Return how long both were met."""
        return 0.005 * float(((self.track[1] >= altitude_m) & (self.track[2] >= speed_m_s)).sum())


def flown(
    vehicle: Vehicle,
    seed: int = 0,
    open_after_s: float | None = 0.1,
    charges: tuple[bool, bool] = (True, True),
    open_at_s: float | None = None,
) -> TwinFlight:
    """Fly the simulated vehicle's motion with its fins at rest.

    The charges fire so long after its top, or at a time after ignition; both None: never.
    """
    motion = Motion(vehicle, Air(vehicle.site), Wind(vehicle.wind, random.Random(seed)))
    motion.ignite()
    lean = attack = 0.0
    track: list[tuple[float, float, float]] = []
    has_fired = has_left = False
    while motion.kind not in (TOPPLE, GROUND) and motion.time_s < 600.0:
        motion.step()
        marks, now = motion.milestones, motion.time_s
        if motion.kind == FREE:
            lift = marks.liftoff_s or 0.0
            if now <= lift + 2.5:
                lean = max(lean, motion.record[-1][14])
            if not has_left:
                has_left, attack = True, _attack(motion)
            track.append((now, motion.position[2], hypot(*motion.velocity)))
        top = marks.apogee_s
        due = top is not None and open_after_s is not None and now >= top + open_after_s - 1e-9
        due = due or (open_at_s is not None and now >= open_at_s - 1e-9)
        if due and not has_fired and motion.kind == FREE:
            motion.fire_recovery(*charges)
            has_fired = True
    marks = motion.milestones
    east, north, _ = motion.position
    assert marks.rail_exit_speed_m_s is not None and marks.apogee_s is not None and marks.landing_speed_m_s is not None
    return TwinFlight(
        exit_speed_m_s=marks.rail_exit_speed_m_s,
        exit_attack_rad=attack,
        lean_rad=lean,
        apogee_m=marks.apogee_m,
        apogee_s=marks.apogee_s,
        east_m=east,
        north_m=north,
        descent_m_s=marks.landing_speed_m_s,
        track=np.array(track).T,
    )


def _attack(motion: Motion) -> float:
    wind = motion.wind.at(motion.position[2], 0.0)
    air = [v - w for v, w in zip(motion.velocity, wind, strict=True)]
    x, y, z = motion.quaternion[1:]
    w = motion.quaternion[0]
    nose = (2.0 * (x * z + w * y), 2.0 * (y * z - w * x), 1.0 - 2.0 * (x * x + y * y))
    along = sum(a * b for a, b in zip(air, nose, strict=True))
    across = hypot(*(a - along * b for a, b in zip(air, nose, strict=True)))
    return atan2(across, along)


def lot_of(vehicles: Sequence[Vehicle], eddies: bool = True) -> Lot:
    """Return the same vehicles as a lot; they share curve, body and fins' shape."""
    first = vehicles[0]
    aero = [rigid_body.aerodynamics(one.body, one.fins, one.motor) for one in vehicles]

    def of(values: Sequence[float]) -> Floats:
        return np.array(values, dtype=np.float64)

    parts = [[(a.nose_slope, a.nose_m), (a.fin_slope, a.fin_m)] for a in aero]
    sums = np.array([[sum(s * x**k for s, x in part) for part in parts] for k in (0, 1, 2)])
    curve = curve_of(first.motor.thrust_n)
    zero = np.zeros(len(vehicles))
    return Lot(
        curve=curve,
        impulse_factor=of([total_impulse_n_s(one.motor) / curve.impulse_n_s for one in vehicles]),
        burn_factor=of([one.motor.thrust_n[-1][0] / curve.burn_s for one in vehicles]),
        dry_mass_kg=of([one.body.dry_mass_kg for one in vehicles]),
        dry_center_m=of([one.body.dry_center_m for one in vehicles]),
        dry_inertia_kg_m2=of([one.body.dry_lateral_inertia_kg_m2 for one in vehicles]),
        roll_inertia_kg_m2=of([one.body.roll_inertia_kg_m2 for one in vehicles]),
        propellant_kg=of([one.motor.propellant_kg for one in vehicles]),
        propellant_center_m=of([one.motor.propellant_center_m for one in vehicles]),
        propellant_length_m=of([one.body.propellant_length_m for one in vehicles]),
        nozzle_m=of([one.motor.nozzle_m for one in vehicles]),
        area_m2=aero[0].area_m2,
        slope_m=sums,
        roll_slope=of([2.0 * a.fin_slope for a in aero]),
        fin_arm_m=of([a.fin_arm_m for a in aero]),
        fin_cant=of([a.fin_misalignment_rad for a in aero]),
        body_lift=of([a.body_lift for a in aero]),
        body_middle_m=of([a.body_middle_m for a in aero]),
        drag=of([a.drag_coast for a in aero]),
        powered_drag=of([a.drag_boost / a.drag_coast for a in aero]),
        attack_drag=of([a.drag_alpha for a in aero]),
        mach_rise=zero + 1.0,
        factor_mach=np.array([[0.0, 10.0], [1.0, 1.0]]),
        thrust_angle=of([a.thrust_offset_rad for a in aero]),
        thrust_toward=zero,
        rail_m=of([one.rail.length_m for one in vehicles]),
        rail_tilt=of([radians(one.rail.tilt_deg) for one in vehicles]),
        rail_azimuth=of([radians(one.rail.azimuth_deg) for one in vehicles]),
        density_kg_m3=of([float(density(one.site.pad_pressure_pa, one.site.pad_temperature_k)) for one in vehicles]),
        temperature_k=of([one.site.pad_temperature_k for one in vehicles]),
        winds=_winds(vehicles, eddies),
    )


def _winds(vehicles: Sequence[Vehicle], eddies: bool) -> Winds:
    first = vehicles[0].wind
    winds = [one.wind for one in vehicles]
    zero = np.zeros(len(vehicles))
    away = [radians(one.toward_deg - first.toward_deg) for one in winds]
    return Winds(
        mean=power_law(1.0, radians(first.toward_deg + 180.0), 10.0, first.power),
        at_m=10.0,
        factor=np.array([one.speed_at_10_m_m_s for one in winds]),
        turn=np.array(away),
        steeper=np.array([one.power - first.power for one in winds]),
        beside_east=zero,
        beside_north=zero,
        eddy_m_s=np.array([one.turbulence_m_s if eddies else 0.0 for one in winds]),
        eddy_length_m=np.array([one.length_scale_m for one in winds]),
        gust_m_s=np.array([one.gust.peak_m_s for one in winds]),
        gust_toward=np.array([radians(one.gust.toward_deg) for one in winds]),
        gust_start_s=first.gust.start_after_rail_exit_s,
        gust_rise_s=first.gust.rise_s,
        gust_hold_s=first.gust.hold_s,
        gust_fall_s=first.gust.fall_s,
    )


def canopies_of(vehicles: Sequence[Vehicle], at_s: Floats, nose: bool = True, tail: bool = True) -> Canopies:
    """Return what opens of the same vehicles."""
    numbers = [one.recovery for one in vehicles]
    closed = np.array([2.0 * one.body_drag_area_m2 for one in numbers])
    more = np.array([nose * one.nose_drag_area_m2 + tail * one.tail_drag_area_m2 for one in numbers])
    return Canopies(at_s, closed, closed + more, np.array([one.opening_s for one in numbers]))
