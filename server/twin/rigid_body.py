"""Six degrees of freedom of the whole vehicle, from the rail to separation.

State: 13 floats (east, north, up, velocity in world axes, quaternion, body rates). The forces:

- weight; thrust along a line slightly off the body axis; axial drag with a coefficient that grows with angle of
  attack and is smaller while the motor fills the wake;
- normal force, as J. S. Barrowman's slender-body theory (1967, from memory) places it: each lifting part i (nose,
  fins) feels the cross wind at its own station, F_i = -1/2 rho V A CNa_i (v_cross + omega x r_i). Pitch and yaw
  damping follow from the second term without a further coefficient and equal C2 of tests/SOURCES.md, weathercock;
- body lift at high angle of attack, K sin^2(alpha) at the middle of the body (Galejs' form, from memory);
- jet damping, the moment of the exhaust carried sideways: flow x lever^2 x rate;
- lateral motors: a sideways force at their own place while they burn;
- fins: each turned fin pushes sideways at its own place, so that equal turns roll and unequal turns pitch;
  roll damping is the same force on the fins' own motion around the axis.

On the rail only motion along the rail is free. Integration: classical fourth-order Runge-Kutta with a fixed step
and wind, density and fin angles held over the step. Plain floats, written out: this is the twin's inner loop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from protocol.units import GRAVITY_M_S2
from server.twin.attitude import Quaternion, Vector, to_world
from server.twin.propulsion import MassPoint
from server.twin.sandpiper import BodyNumbers, FinNumbers, LateralNumbers, MotorNumbers

State = tuple[float, ...]
# Fins 1 to 4 stand at 0, 90, 180 and 270 degrees around +z, from +x.
_AROUND = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))


@dataclass(frozen=True)
class Aerodynamics:
    """Coefficients worked out once from the shape; slopes per radian, referred to the body's cross section."""

    area_m2: float
    nose_slope: float
    nose_m: float
    fin_slope: float
    fin_m: float
    one_fin_slope: float
    fin_arm_m: float
    body_lift: float
    body_middle_m: float
    drag_coast: float
    drag_boost: float
    drag_alpha: float
    fin_effectiveness: float
    fin_misalignment_rad: float
    thrust_offset_rad: float
    nozzle_m: float

    @property
    def slope(self) -> float:
        """Normal-force slope of the whole vehicle per radian."""
        return self.nose_slope + self.fin_slope

    @property
    def pressure_center_m(self) -> float:
        """Center of pressure at small angles, from the nose tip."""
        return (self.nose_slope * self.nose_m + self.fin_slope * self.fin_m) / self.slope

    def roll_coefficient_per_pa_rad(self, roll_inertia_kg_m2: float) -> float:
        """Return roll acceleration per dynamic pressure and fin turn, rad/s2/(Pa rad): the roll authority."""
        one_fin = self.one_fin_slope * self.fin_arm_m * self.fin_effectiveness
        return 4.0 * self.area_m2 * one_fin / roll_inertia_kg_m2


def aerodynamics(body: BodyNumbers, fins: FinNumbers, motor: MotorNumbers) -> Aerodynamics:
    """Return the coefficients of a shape.

    Fin slope and center of pressure by Barrowman's formulas for four trapezoidal fins with body interference
    (J. S. Barrowman, thesis, 1967; from memory). Two of four fins carry a cross wind, so one fin has half the slope.
    """
    radius, root, tip, span = body.diameter_m / 2.0, fins.root_m, fins.tip_m, fins.span_m
    middle = math.hypot(span, fins.sweep_m + 0.5 * (tip - root))
    interference = 1.0 + radius / (span + radius)
    sweep_factor = 1.0 + math.sqrt(1.0 + (2.0 * middle / (root + tip)) ** 2)
    slope = interference * 16.0 * (span / body.diameter_m) ** 2 / sweep_factor
    center = fins.sweep_m / 3.0 * (root + 2.0 * tip) / (root + tip) + (root + tip - root * tip / (root + tip)) / 6.0
    return Aerodynamics(
        area_m2=math.pi * radius**2,
        nose_slope=body.nose_slope,
        nose_m=body.nose_pressure_center_m,
        fin_slope=slope,
        fin_m=fins.root_leading_edge_m + center,
        one_fin_slope=0.5 * slope,
        fin_arm_m=radius + span / 3.0 * (root + 2.0 * tip) / (root + tip),
        body_lift=body.body_lift * body.diameter_m * body.length_m / (math.pi * radius**2),
        body_middle_m=0.5 * body.length_m,
        drag_coast=body.drag_coast,
        drag_boost=body.drag_boost,
        drag_alpha=body.drag_alpha,
        fin_effectiveness=fins.effectiveness,
        fin_misalignment_rad=fins.misalignment_rad,
        thrust_offset_rad=math.radians(motor.misalignment_deg),
        nozzle_m=motor.nozzle_m,
    )


@dataclass(frozen=True)
class FinPush:
    """What the four fin angles add, as coefficients: roll turn (rad) and the sideways sums along x and y (rad)."""

    roll: float
    side_x: float
    side_y: float
    # What lateral motors add: a force in body axes (N) at a distance from the nose tip (m).
    force_x: float = 0.0
    force_y: float = 0.0
    force_m: float = 0.0


def side_force(numbers: LateralNumbers, number: int) -> tuple[float, float]:
    """Return the force in body axes (x, y in N) of lateral motor 1 to 4 while it burns: its impulse evenly over its time."""
    c, s = _AROUND[number - 1]
    force_n = 0.0 if numbers.dud[number - 1] else numbers.impulse_n_s[number - 1] / numbers.burn_s
    return -force_n * c, -force_n * s


def fin_push(angles_rad: tuple[float, float, float, float], aero: Aerodynamics) -> FinPush:
    """Return the effective fin turns. A positive angle of any fin pushes it around +z (a positive roll)."""
    moved = [aero.fin_effectiveness * angle for angle in angles_rad]
    # Fin at (c, s) pushes along the tangent (-s, c).
    side_x = sum(-s * m for (_, s), m in zip(_AROUND, moved, strict=True))
    side_y = sum(c * m for (c, _), m in zip(_AROUND, moved, strict=True))
    return FinPush(sum(moved) / 4.0 + aero.fin_misalignment_rad, side_x, side_y)


def body_forces(
    state: State, point: MassPoint, aero: Aerodynamics, density: float, wind: Vector, push: FinPush
) -> tuple[float, float, float, float, float, float]:
    """Return force (N) and moment about the center of gravity (N m) in body axes, without weight."""
    _, _, _, ve, vn, vu, w, x, y, z, p, q, r = state
    # Air-relative velocity in body axes: the rotation of attitude.to_body, written out.
    ve, vn, vu = ve - wind[0], vn - wind[1], vu - wind[2]
    tx, ty, tz = 2.0 * (z * vn - y * vu), 2.0 * (x * vu - z * ve), 2.0 * (y * ve - x * vn)
    u = ve + w * tx - y * tz + z * ty
    v = vn + w * ty - z * tx + x * tz
    s = vu + w * tz - x * ty + y * tx
    cross2 = u * u + v * v
    speed = math.sqrt(cross2 + s * s)
    center = point.center_m
    qv = 0.5 * density * speed * aero.area_m2
    # Levers are along +z (toward the nose) from the center of gravity; omega x (0, 0, l) = (q l, -p l).
    nose, fin, middle = center - aero.nose_m, center - aero.fin_m, center - aero.body_middle_m
    kn, kf = -qv * aero.nose_slope, -qv * aero.fin_slope
    nose_x, nose_y = kn * (u + q * nose), kn * (v - p * nose)
    fin_x, fin_y = kf * (u + q * fin), kf * (v - p * fin)
    # Sideways push of unequal fins, as forces at the fins' station.
    control = qv * speed * aero.one_fin_slope
    fin_x += control * push.side_x
    fin_y += control * push.side_y
    body = -0.5 * density * aero.area_m2 * aero.body_lift * math.sqrt(cross2)
    body_x, body_y = body * u, body * v
    burning = point.thrust_n > 0.0
    drag = aero.drag_boost if burning else aero.drag_coast
    sine2 = cross2 / (speed * speed) if speed > 0.0 else 0.0
    axial = -qv * s * drag * (1.0 + aero.drag_alpha * sine2)
    thrust_side = point.thrust_n * aero.thrust_offset_rad
    jet = point.flow_kg_s * (aero.nozzle_m - center) ** 2
    side_x, side_y, side = push.force_x, push.force_y, center - push.force_m
    roll = 4.0 * qv * aero.one_fin_slope * aero.fin_arm_m * (speed * push.roll - aero.fin_arm_m * r)
    # Moment of a force (fx, fy) at lever l along z: (-l fy, l fx).
    return (
        nose_x + fin_x + body_x + thrust_side + side_x,
        nose_y + fin_y + body_y + side_y,
        point.thrust_n + axial,
        -(nose * nose_y + fin * fin_y + middle * body_y + side * side_y) - jet * p,
        nose * nose_x + fin * fin_x + middle * body_x + side * side_x + (center - aero.nozzle_m) * thrust_side - jet * q,
        roll,
    )


def derivative(
    state: State, point: MassPoint, aero: Aerodynamics, density: float, wind: Vector, push: FinPush, on_rail: bool
) -> State:
    """Return d(state)/dt: Newton and Euler with quaternion kinematics q' = 1/2 q (0, omega)."""
    fx, fy, fz, mx, my, mz = body_forces(state, point, aero, density, wind, push)
    _, _, _, ve, vn, vu, w, x, y, z, p, q, r = state
    inverse = 1.0 / point.mass_kg
    if on_rail:
        ax, ay, az = rail_acceleration((w, x, y, z), fz * inverse)
        return ve, vn, vu, ax, ay, az, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    tx, ty, tz = 2.0 * (y * fz - z * fy), 2.0 * (z * fx - x * fz), 2.0 * (x * fy - y * fx)
    lateral, axial = point.lateral_inertia_kg_m2, point.roll_inertia_kg_m2
    gyroscopic = lateral - axial
    return (
        ve,
        vn,
        vu,
        (fx + w * tx + y * tz - z * ty) * inverse,
        (fy + w * ty + z * tx - x * tz) * inverse,
        (fz + w * tz + x * ty - y * tx) * inverse - GRAVITY_M_S2,
        -0.5 * (x * p + y * q + z * r),
        0.5 * (w * p + y * r - z * q),
        0.5 * (w * q + z * p - x * r),
        0.5 * (w * r + x * q - y * p),
        (mx + gyroscopic * q * r) / lateral,
        (my - gyroscopic * p * r) / lateral,
        mz / axial,
    )


def rail_acceleration(q: Quaternion, axial_m_s2: float) -> Vector:
    """Return world acceleration along the rail; the rail carries the vehicle until thrust exceeds its weight."""
    nose = to_world(q, (0.0, 0.0, 1.0))
    along = max(0.0, axial_m_s2 - GRAVITY_M_S2 * nose[2])
    return along * nose[0], along * nose[1], along * nose[2]


def step(
    state: State,
    points: tuple[MassPoint, MassPoint, MassPoint],
    aero: Aerodynamics,
    density: float,
    wind: Vector,
    push: FinPush,
    seconds: float,
    on_rail: bool,
) -> State:
    """Return the state one Runge-Kutta step later; `points` are the vehicle at start, middle and end of the step."""
    first, half, last = points
    k1 = derivative(state, first, aero, density, wind, push, on_rail)
    h = 0.5 * seconds
    k2 = derivative(tuple([a + h * b for a, b in zip(state, k1)]), half, aero, density, wind, push, on_rail)  # noqa: B905
    k3 = derivative(tuple([a + h * b for a, b in zip(state, k2)]), half, aero, density, wind, push, on_rail)  # noqa: B905
    moved = tuple([a + seconds * b for a, b in zip(state, k3)])  # noqa: B905
    k4 = derivative(moved, last, aero, density, wind, push, on_rail)
    h = seconds / 6.0
    new = [a + h * (b + 2.0 * (c + d) + e) for a, b, c, d, e in zip(state, k1, k2, k3, k4)]  # noqa: B905
    scale = 1.0 / math.sqrt(new[6] ** 2 + new[7] ** 2 + new[8] ** 2 + new[9] ** 2)
    for index in (6, 7, 8, 9):
        new[index] *= scale
    return tuple(new)
