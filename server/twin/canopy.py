"""Two bodies on two parachutes, joined by a riser, from separation to the ground.

What is modeled: nose and tail are point masses, each with its own drag area (the body, plus its parachute while
it opens along a cubic of time, if its charge fired) and joined by a riser that only pulls (spring and damper beyond
its length). The tail carries the flight computer, so its attitude is integrated too: the pull of parachute and
riser acts at its upper end, a lever from its center of gravity, with damping of swing and spin. Not modeled: gliding
and oscillating canopies, the attitude of the nose, lines wrapping around each other.

Terminal speed follows 1/2 rho CdS v^2 = m g (tests/SOURCES.md, terminal-speed). State: 19 floats (tail position, velocity,
quaternion, rates; nose position, velocity). Fixed-step fourth-order Runge-Kutta.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from protocol.units import GRAVITY_M_S2
from server.twin.attitude import Vector
from server.twin.rigid_body import State
from server.twin.sandpiper import RecoveryNumbers


@dataclass(frozen=True)
class Pair:
    """The two bodies: masses, drag areas right now, and the numbers of riser and swing."""

    tail_kg: float
    nose_kg: float
    tail_area_m2: float
    nose_area_m2: float
    roll_inertia_kg_m2: float
    numbers: RecoveryNumbers


def drag_area_m2(numbers: RecoveryNumbers, canopy_m2: float, opened: bool, since_s: float) -> float:
    """Return drag area Cd S of one body: its own, plus its canopy's growing as time cubed until it is open."""
    if not opened:
        return numbers.body_drag_area_m2
    share = min(1.0, max(0.0, since_s / numbers.opening_s))
    return numbers.body_drag_area_m2 + canopy_m2 * share**3


def separated(state: State, nose_direction: Vector, numbers: RecoveryNumbers, tail_kg: float) -> State:
    """Return the pair's state just after the charge: pushed apart along the body axis, momentum kept."""
    total = tail_kg + numbers.nose_mass_kg
    back = numbers.ejection_speed_m_s * numbers.nose_mass_kg / total
    ahead = numbers.ejection_speed_m_s * tail_kg / total
    position, velocity = state[0:3], state[3:6]
    tail_velocity = [v - back * n for v, n in zip(velocity, nose_direction, strict=True)]
    nose_velocity = [v + ahead * n for v, n in zip(velocity, nose_direction, strict=True)]
    nose_position = [p + 0.5 * n for p, n in zip(position, nose_direction, strict=True)]
    return (*position, *tail_velocity, *state[6:13], *nose_position, *nose_velocity)


def riser_pull(separation: Vector, closing: Vector, numbers: RecoveryNumbers) -> Vector:
    """Return the riser's force on the tail (N); `separation` and `closing` are nose minus tail, place and velocity."""
    length = math.sqrt(separation[0] ** 2 + separation[1] ** 2 + separation[2] ** 2)
    stretch = length - numbers.riser_m
    if stretch <= 0.0:
        return 0.0, 0.0, 0.0
    along = (separation[0] * closing[0] + separation[1] * closing[1] + separation[2] * closing[2]) / length
    # A rope never pushes, however fast it goes slack.
    pull = max(0.0, numbers.riser_stiffness_n_m * stretch + numbers.riser_damping_n_s_m * along) / length
    return pull * separation[0], pull * separation[1], pull * separation[2]


def derivative(state: State, pair: Pair, density: float, wind: Vector) -> State:
    """Return d(state)/dt of the pair."""
    (te, tn, tu, tve, tvn, tvu, w, x, y, z, p, q, r, ne, nn, nu, nve, nvn, nvu) = state
    numbers = pair.numbers
    rise, rsn, rsu = riser_pull((ne - te, nn - tn, nu - tu), (nve - tve, nvn - tvn, nvu - tvu), numbers)
    ae, an, au = tve - wind[0], tvn - wind[1], tvu - wind[2]
    k = -0.5 * density * pair.tail_area_m2 * math.sqrt(ae * ae + an * an + au * au)
    be, bn, bu = nve - wind[0], nvn - wind[1], nvu - wind[2]
    m = -0.5 * density * pair.nose_area_m2 * math.sqrt(be * be + bn * bn + bu * bu)
    # Everything that holds the tail acts at its upper end.
    le, ln, lu = k * ae + rise, k * an + rsn, k * au + rsu
    tail, nose = 1.0 / pair.tail_kg, 1.0 / pair.nose_kg
    # The line's pull in body axes (attitude.to_body written out), then its moment about the center of gravity.
    tx, ty, tz = 2.0 * (z * ln - y * lu), 2.0 * (x * lu - z * le), 2.0 * (y * le - x * ln)
    bx = le + w * tx - y * tz + z * ty
    by = ln + w * ty - z * tx + x * tz
    lever, swing = numbers.tail_lever_m, numbers.swing_damping_n_m_s
    lateral = numbers.tail_lateral_inertia_kg_m2
    gyroscopic = lateral - pair.roll_inertia_kg_m2
    return (
        tve, tvn, tvu,
        le * tail, ln * tail, lu * tail - GRAVITY_M_S2,
        -0.5 * (x * p + y * q + z * r),
        0.5 * (w * p + y * r - z * q),
        0.5 * (w * q + z * p - x * r),
        0.5 * (w * r + x * q - y * p),
        (-lever * by - swing * p + gyroscopic * q * r) / lateral,
        (lever * bx - swing * q - gyroscopic * p * r) / lateral,
        -numbers.spin_damping_n_m_s * r / pair.roll_inertia_kg_m2,
        nve, nvn, nvu,
        (m * be - rise) * nose, (m * bn - rsn) * nose, (m * bu - rsu) * nose - GRAVITY_M_S2,
    )  # fmt: skip


def step(state: State, pair: Pair, density: float, wind: Vector, seconds: float) -> State:
    """Return the pair's state one Runge-Kutta step later."""
    k1 = derivative(state, pair, density, wind)
    h = 0.5 * seconds
    k2 = derivative(tuple([a + h * b for a, b in zip(state, k1)]), pair, density, wind)  # noqa: B905
    k3 = derivative(tuple([a + h * b for a, b in zip(state, k2)]), pair, density, wind)  # noqa: B905
    k4 = derivative(tuple([a + seconds * b for a, b in zip(state, k3)]), pair, density, wind)  # noqa: B905
    h = seconds / 6.0
    new = [a + h * (b + 2.0 * (c + d) + e) for a, b, c, d, e in zip(state, k1, k2, k3, k4)]  # noqa: B905
    scale = 1.0 / math.sqrt(new[6] ** 2 + new[7] ** 2 + new[8] ** 2 + new[9] ** 2)
    for index in (6, 7, 8, 9):
        new[index] *= scale
    return tuple(new)
