"""How a drawn vehicle turns after the rail: spinning rigid bodies, many at once, sharing nothing with `server/`.

Unlike the fit it knows: fins whose lift bends over and falls beyond a stall angle, the nose's own place, the gyroscopic
moment of the roll, jet damping, gusts that swell and fade and turbulence of two memories, a logarithmic wind, a rail whose
play lets go of the vehicle askew. Semi-implicit steps of 2 ms. Every array has one entry a flight; stations in m
from the nose tip.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
G = 9.80665
STEP_S = 0.002


@dataclass(frozen=True)
class Flights:
    """One number of each kind a flight, (n,); vectors in the plane (n, 2): east, north, or body x, y."""

    mass_kg: Floats
    fuel_kg: Floats
    diameter_m: Floats
    length_m: Floats
    gravity_m: Floats  # full
    gravity_moves_m: Floats  # by burnout, positive to the rear
    inertia: Floats  # full
    inertia_loses: Floats  # share of it by burnout
    roll_inertia: Floats
    nose_slope: Floats
    nose_m: Floats
    fin_slope: Floats
    fin_m: Floats
    stall_rad: Floats
    body_lift: Floats
    drag: Floats
    thrust_n: Floats
    thrust_falls: Floats  # share from begin to end of the burn
    burn_s: Floats
    thrust_share: Floats  # of what is declared
    rail_m: Floats
    rail_tilt: Floats
    rail_azimuth: Floats
    wind: Floats  # mean at 10 m (n, 2)
    roughness_m: Floats
    gust: Floats  # greatest (n, 2)
    gust_after_s: Floats
    gust_lasts_s: Floats
    turbulence_m_s: Floats
    line: Floats  # rad (n, 2)
    askew: Floats  # rad (n, 2)
    tip_angle: Floats  # rad (n, 2)
    tip_rate: Floats  # rad/s (n, 2)
    cant: Floats  # rad
    seed: Floats

    @property
    def count(self) -> int:
        """Number of flights."""
        return len(self.mass_kg)

    def changed(self, changes: Mapping[str, Floats]) -> Flights:
        """Return them with other numbers."""
        return replace(self, **changes)

    @property
    def lever_m(self) -> tuple[Floats, Floats]:
        """Center of pressure behind the center of gravity at small angles, full and at burnout."""
        center = (self.nose_slope * self.nose_m + self.fin_slope * self.fin_m) / (self.nose_slope + self.fin_slope)
        return center - self.gravity_m, center - self.gravity_m - self.gravity_moves_m


@dataclass(frozen=True)
class Flown:
    """What they did, at every tenth of the steps (k,): arrays (k, n, ...); exit time and speed (n,)."""

    t: Floats
    nose: Floats
    body_x: Floats
    rate: Floats
    velocity: Floats
    along: Floats  # force along the nose, m/s2
    exit_s: Floats
    exit_m_s: Floats

    def part(self, which: slice) -> Flown:
        """Return some of the flights."""
        many = {name: value[:, which] for name, value in vars(self).items() if name not in ("t", "exit_s", "exit_m_s")}
        return replace(self, exit_s=self.exit_s[which], exit_m_s=self.exit_m_s[which], **many)

    def tilt_after(self, since_exit_s: Floats) -> Floats:
        """Return the angle from the vertical so long after the rail's end, (n,), rad."""
        tilt = np.arctan2(np.hypot(self.nose[..., 0], self.nose[..., 1]), self.nose[..., 2])
        at = self.exit_s + since_exit_s
        return np.array([np.interp(at[i], self.t, tilt[:, i]) for i in range(tilt.shape[1])])


def joined(some: Sequence[Flights]) -> Flights:
    """Return several sets as one."""
    return Flights(**{one.name: np.concatenate([getattr(part, one.name) for part in some]) for one in fields(Flights)})


def thrust_of(f: Flights, t: float) -> Floats:
    """Return thrust at a time after ignition: 30 ms of rise, a plateau that falls, 40 ms of tail."""
    shape = np.clip(t / 0.03, 0.0, 1.0) * (1.0 + f.thrust_falls * (0.5 - t / f.burn_s))
    tail = np.clip((f.burn_s - t) / 0.04, 0.0, 1.0)
    return f.thrust_n * f.thrust_share * shape * tail


def fly(f: Flights, until_s: float, density: float = 1.17) -> Flown:
    """Return the flights from ignition for some seconds."""
    n = f.count
    steps = int(until_s / STEP_S)
    axis = np.column_stack(
        [np.sin(f.rail_tilt) * np.sin(f.rail_azimuth), np.sin(f.rail_tilt) * np.cos(f.rail_azimuth), np.cos(f.rail_tilt)]
    )
    nose, velocity, spin = axis.copy(), np.zeros((n, 3)), np.zeros((n, 3))
    body_x = np.cross(np.broadcast_to([0.0, 1.0, 0.0], (n, 3)), nose)
    body_x /= np.linalg.norm(body_x, axis=1)[:, None]
    place, roll = np.zeros((n, 3)), np.zeros(n)
    has_left, exit_s, exit_m_s = np.zeros(n, bool), np.full(n, np.inf), np.zeros(n)
    eddies = [np.random.default_rng(int(seed)).standard_normal((2, 2, steps)) for seed in f.seed]
    noise = np.array(eddies)
    slow, fast = np.zeros((n, 2)), np.zeros((n, 2))
    area = 0.25 * np.pi * f.diameter_m**2
    fins_at = 0.5 * f.diameter_m + 0.4 * f.diameter_m
    out: dict[str, list[Floats]] = {name: [] for name in ("t", "nose", "body_x", "rate", "velocity", "along")}
    for i in range(steps):
        t = i * STEP_S
        burned = np.clip(t / f.burn_s, 0.0, 1.0)
        mass = f.mass_kg - f.fuel_kg * burned
        gravity_m = f.gravity_m + f.gravity_moves_m * burned
        inertia = f.inertia * (1.0 - f.inertia_loses * burned)
        for state, memory, share, k in ((slow, 1.5, 0.8, 0), (fast, 0.25, 0.6, 1)):
            keep = np.exp(-STEP_S / memory)
            state *= keep
            state += share * np.sqrt(1.0 - keep * keep) * noise[:, k, :, i]
        height = np.maximum(place[:, 2] + 1.5, 0.3)
        grown = np.log(np.maximum(height / f.roughness_m, 1.2)) / np.log(10.0 / f.roughness_m)
        since = t - np.minimum(exit_s, 1e9) - f.gust_after_s
        inside = (since > 0.0) & (since < f.gust_lasts_s)
        swell = np.where(inside, np.sin(np.pi * np.clip(since / f.gust_lasts_s, 0.0, 1.0)) ** 0.5, 0.0)
        wind = np.zeros((n, 3))
        wind[:, :2] = f.wind * grown[:, None] + f.gust * swell[:, None] + f.turbulence_m_s[:, None] * (slow + fast)
        air = velocity - wind
        axial = (air * nose).sum(axis=1)
        u = air - axial[:, None] * nose
        across, speed = np.linalg.norm(u, axis=1), np.linalg.norm(air, axis=1) + 1e-9
        q = 0.5 * density * speed * area
        # Lateral speeds at the parts' own stations, from the turning.
        turning = np.cross(spin, nose)
        nose_u = u + (gravity_m - f.nose_m)[:, None] * turning
        fin_u = u + (gravity_m - f.fin_m)[:, None] * turning
        alpha = np.arctan2(np.linalg.norm(fin_u, axis=1), np.abs(axial))
        bent = 1.0 / (1.0 + (alpha / f.stall_rad) ** 4)
        body_y = np.cross(nose, body_x)
        pushed = (f.askew[:, :1] * body_x + f.askew[:, 1:] * body_y) * speed[:, None]
        at_nose = -(q * f.nose_slope)[:, None] * nose_u
        at_fins = -(q * f.fin_slope)[:, None] * (fin_u * bent[:, None] - pushed)
        at_middle = -(0.5 * density * f.body_lift * f.diameter_m * f.length_m * across)[:, None] * u
        thrust = thrust_of(f, t)
        line = thrust[:, None] * (f.line[:, :1] * body_x + f.line[:, 1:] * body_y)
        stations = ((at_nose, f.nose_m), (at_fins, f.fin_m), (at_middle, 0.5 * f.length_m), (line, f.length_m))
        moment = sum(np.cross((gravity_m - m)[:, None] * nose, force) for force, m in stations)
        jet = f.fuel_kg / f.burn_s * (burned < 1.0) * (f.length_m - gravity_m) ** 2
        moment = moment - jet[:, None] * spin - (f.roll_inertia * roll)[:, None] * np.cross(spin, nose)
        along = (thrust - q * f.drag * axial) / mass
        force = at_nose + at_fins + at_middle + line
        fall = np.array([0.0, 0.0, -G])
        free = along[:, None] * nose + force / mass[:, None] + fall
        held = np.maximum(along - G * nose[:, 2], 0.0)[:, None] * nose
        velocity = velocity + STEP_S * np.where(has_left[:, None], free, held)
        change = moment / inertia[:, None]
        change -= (change * nose).sum(axis=1)[:, None] * nose
        spin = np.where(has_left[:, None], spin + STEP_S * change, 0.0)
        rolls = q * f.fin_slope * 2.0 * fins_at * (f.cant * speed - fins_at * roll) / f.roll_inertia
        roll = np.where(has_left, roll + STEP_S * rolls, 0.0)
        whole = spin + roll[:, None] * nose
        nose = nose + STEP_S * np.cross(whole, nose)
        body_x = body_x + STEP_S * np.cross(whole, body_x)
        nose /= np.linalg.norm(nose, axis=1)[:, None]
        body_x -= (body_x * nose).sum(axis=1)[:, None] * nose
        body_x /= np.linalg.norm(body_x, axis=1)[:, None]
        place = place + STEP_S * velocity
        leaves = ~has_left & ((place * place).sum(axis=1) >= f.rail_m**2)
        if leaves.any():
            exit_s[leaves], exit_m_s[leaves] = t, np.linalg.norm(velocity[leaves], axis=1)
            has_left |= leaves
            kick = f.tip_angle[:, :1] * body_x + f.tip_angle[:, 1:] * body_y
            nose = np.where(leaves[:, None], nose + kick, nose)
            nose /= np.linalg.norm(nose, axis=1)[:, None]
            body_x -= (body_x * nose).sum(axis=1)[:, None] * nose
            body_x /= np.linalg.norm(body_x, axis=1)[:, None]
            spin = np.where(leaves[:, None], f.tip_rate[:, :1] * body_x + f.tip_rate[:, 1:] * np.cross(nose, body_x), spin)
        if i % 5 == 0:
            felt = np.where(has_left, along, np.maximum(along, G * nose[:, 2]))
            for name, one in (("t", np.float64(t)), ("nose", nose), ("body_x", body_x), ("rate", whole)):
                out[name].append(one)
            out["velocity"].append(velocity)
            out["along"].append(felt)
    return Flown(*(np.array(out[name]) for name in out), exit_s, exit_m_s)
