"""The motor and what burning it does to mass, center of gravity and inertia."""

from __future__ import annotations

from dataclasses import dataclass

from server.twin.sandpiper import BodyNumbers, MotorNumbers


@dataclass(frozen=True)
class MassPoint:
    """The vehicle at one instant of the burn; lengths from the nose tip, SI units."""

    thrust_n: float
    mass_kg: float
    center_m: float
    lateral_inertia_kg_m2: float
    roll_inertia_kg_m2: float
    flow_kg_s: float


def thrust_n(motor: MotorNumbers, since_ignition_s: float) -> float:
    """Return thrust in N at a time after ignition, straight lines between the points of the curve."""
    points = motor.thrust_n
    if since_ignition_s <= points[0][0] or since_ignition_s >= points[-1][0]:
        return 0.0
    for (t0, f0), (t1, f1) in zip(points, points[1:], strict=False):
        if since_ignition_s < t1:
            return motor.thrust_factor * (f0 + (f1 - f0) * (since_ignition_s - t0) / (t1 - t0))
    return 0.0


def total_impulse_n_s(motor: MotorNumbers) -> float:
    """Return the area under the thrust curve in N s (exact for straight lines)."""
    pairs = zip(motor.thrust_n, motor.thrust_n[1:], strict=False)
    return motor.thrust_factor * sum(0.5 * (f0 + f1) * (t1 - t0) for (t0, f0), (t1, f1) in pairs)


def mass_point(motor: MotorNumbers, body: BodyNumbers, thrust: float, burned_share: float) -> MassPoint:
    """Return mass properties when a share of the propellant has burned.

    Propellant leaves in proportion to thrust (constant exhaust speed). Inertia adds by the parallel-axis theorem;
    the grain is a thin rod about its own middle. Roll inertia changes by less than 2 % and is kept.
    """
    left = motor.propellant_kg * (1.0 - burned_share)
    mass = body.dry_mass_kg + left
    center = (body.dry_mass_kg * body.dry_center_m + left * motor.propellant_center_m) / mass
    inertia = (
        body.dry_lateral_inertia_kg_m2
        + body.dry_mass_kg * (center - body.dry_center_m) ** 2
        + left * (motor.propellant_center_m - center) ** 2
        + left * body.propellant_length_m**2 / 12.0
    )
    flow = motor.propellant_kg * thrust / total_impulse_n_s(motor)
    return MassPoint(thrust, mass, center, inertia, body.roll_inertia_kg_m2, flow)


def burn_table(motor: MotorNumbers, body: BodyNumbers, step_s: float) -> list[MassPoint]:
    """Return mass points every `step_s` from ignition; the last one is burned out and stays true from then on."""
    total = total_impulse_n_s(motor)
    table: list[MassPoint] = []
    impulse, before, index = 0.0, 0.0, 0
    while index * step_s < motor.thrust_n[-1][0]:
        thrust = thrust_n(motor, index * step_s)
        impulse += 0.5 * (before + thrust) * step_s if index else 0.0
        before = thrust
        table.append(mass_point(motor, body, thrust, min(1.0, impulse / total)))
        index += 1
    table.append(mass_point(motor, body, 0.0, 1.0))
    return table
