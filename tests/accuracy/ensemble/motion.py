"""How a drawn vehicle moves: a point mass in a vertical plane, written anew and sharing nothing with `server/`.

Semi-implicit Euler steps; the nose stands as the rail until the rail's end, then along the velocity (a heavy, slow vehicle
is steered and holds its angle until burnout). Air: ideal gas, hydrostatic, a lapse rate of its own. Numbers are invented.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from math import atan2, cos, exp, hypot, inf, log, pi, sin, sqrt, tanh

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
G = 9.80665
GAS = 287.053
STEP_S, COARSE_S, DOWN_STEP_S = 0.005, 0.02, 0.02


@dataclass(frozen=True)
class Air:
    """Air over a pad: pressure and temperature there, and how fast it cools with height."""

    pressure_pa: float
    temperature_k: float
    lapse_k_m: float

    def pressure(self, height_m: float) -> float:
        """Return pressure at a height over the pad."""
        ratio = 1.0 - self.lapse_k_m * height_m / self.temperature_k
        return self.pressure_pa * exp(G / (GAS * self.lapse_k_m) * log(ratio))

    def temperature(self, height_m: float) -> float:
        """Return temperature at a height over the pad."""
        return self.temperature_k - self.lapse_k_m * height_m


@dataclass(frozen=True)
class SecondMotor:
    """A motor lit in the air: how long after the first burns out, its thrust, and the booster that stays behind then."""

    after_s: float
    burn_s: float
    thrust_n: float
    fuel_kg: float
    dropped_kg: float = 0.0

    def thrust(self, since_s: float) -> float:
        """Return thrust at a time after its ignition: a short rise, a plateau, a short tail."""
        if since_s < 0.0:
            return 0.0
        if since_s >= self.burn_s:
            return self.thrust_n * exp(-(since_s - self.burn_s) / 0.015) if since_s < self.burn_s + 0.12 else 0.0
        return self.thrust_n * min(since_s / 0.04, 1.0)

    def carried_kg(self, since_s: float) -> float:
        """Return what is carried for it at a time after its ignition (negative: before)."""
        left = self.fuel_kg * min(1.0, max(0.0, 1.0 - since_s / self.burn_s))
        return left + (self.dropped_kg if since_s < 0.0 else 0.0)


@dataclass(frozen=True)
class Vehicle:
    """A drawn vehicle: masses, motor, drag over Mach number, rail, and what it comes down under.

    Few have the last four: a second motor, a canopy that opens in the coast at a climb rate, and a cord that parts under
    canopy at a height and leaves a share of the weight.
    """

    dry_kg: float
    thrust_n: float
    rise_s: float
    slope: float
    exhaust_m_s: float
    area_m2: float
    cd: float
    transonic: float
    rail_m: float
    rail_tilt: float
    is_steered: bool
    target_m: float
    drogue_m_s: float
    main_m_s: float
    main_at_m: float
    deploy_after_s: float
    ground_m: float
    second: SecondMotor | None = None
    opens_climb_m_s: float = 0.0
    parts_at_m: float = -1e9
    kept_share: float = 1.0

    def thrust(self, t: float, burn_s: float) -> float:
        """Return thrust at a time after ignition: a rise, a plateau that climbs or falls, a short tail."""
        if t >= burn_s:
            return self.thrust_n * exp(-(t - burn_s) / 0.015) if t < burn_s + 0.12 else 0.0
        return self.thrust_n * min(t / self.rise_s, 1.0) * (1.0 + self.slope * (t / burn_s - 0.5))

    def drag_coefficient(self, mach: float) -> float:
        """Return drag over Mach number: flat, a rise around 0.95, a slow fall beyond."""
        rise = 0.5 * (1.0 + tanh((mach - 0.97) / 0.06))
        return self.cd * (1.0 + self.transonic * rise / (1.0 if mach < 1.1 else sqrt(mach / 1.1)))


class DoesNotFly(Exception):
    """A drawn vehicle whose motor is too weak to leave, or that falls while it still burns."""


@dataclass(frozen=True)
class Flight:
    """The truth on an even grid, timeline s: height, climb, speed, force along the nose (m/s2), tilt, across, phase."""

    t: Floats
    up_m: Floats
    climb_m_s: Floats
    speed_m_s: Floats
    along_m_s2: Floats
    tilt: Floats
    across_m: Floats
    powered: Floats
    moments: dict[str, float]


def draw_vehicle(rng: random.Random, target_m: float, weak: bool) -> Vehicle:
    """Return a vehicle for a height; a weak one has a thrust to weight between 1.15 and 2."""
    mass = exp(rng.uniform(log(0.06), log(30.0)))
    size = max(0.018, 0.055 * mass ** (1.0 / 3.0)) * rng.uniform(0.7, 1.3)
    ratio = rng.uniform(1.15, 2.0) if weak else exp(rng.uniform(log(3.5), log(18.0)))
    is_high = target_m > 500.0
    return Vehicle(
        dry_kg=mass,
        thrust_n=ratio * mass * G * 1.15,
        rise_s=rng.uniform(0.01, 0.15),
        slope=rng.uniform(-0.6, 0.3) if ratio > 2.5 else rng.uniform(0.0, 0.1),
        exhaust_m_s=rng.uniform(1100.0, 2100.0),
        area_m2=0.785 * size * size * (0.35 if target_m > 4000.0 else 1.0),
        cd=rng.uniform(0.3, 0.75),
        transonic=rng.uniform(0.3, 1.1),
        rail_m=rng.uniform(1.0, 5.0),
        rail_tilt=rng.uniform(0.0, 0.02 if ratio < 2.5 else 0.14),
        is_steered=ratio < 2.5,
        target_m=target_m,
        drogue_m_s=rng.uniform(14.0, 30.0) if is_high else rng.uniform(3.5, 8.0),
        main_m_s=rng.uniform(4.0, 8.5),
        main_at_m=rng.uniform(100.0, 300.0) if is_high else -1e9,
        deploy_after_s=rng.uniform(0.1, 2.5),
        ground_m=rng.gauss(0.0, 4.0),
    )


def ascend(vehicle: Vehicle, air: Air, burn_s: float, step_s: float) -> list[tuple[float, ...]]:
    """Return rows (t, across, up, v across, v up, force along the nose, tilt, thrust) from ignition to apogee."""
    thrust_full = sum(vehicle.thrust(burn_s * (i + 0.5) / 50, burn_s) for i in range(50)) * burn_s / 50
    fuel_kg = min(thrust_full / vehicle.exhaust_m_s, 3.0 * vehicle.dry_kg)
    t, across, up, va, vu, has_left = 0.0, 0.0, 0.0, 0.0, 0.0, False
    second, lit_s, opened_s = vehicle.second, inf, inf
    if second is not None:
        lit_s = burn_s + second.after_s
    spent_s = burn_s + 0.2 if second is None else lit_s + second.burn_s + 0.2
    density0 = air.pressure_pa / (GAS * air.temperature_k)
    rows = []
    while vu >= 0.0 and t < 200.0:
        thrust = vehicle.thrust(t, burn_s)
        mass = vehicle.dry_kg + fuel_kg * max(0.0, 1.0 - t / burn_s)
        if second is not None:
            thrust, mass = thrust + second.thrust(t - lit_s), mass + second.carried_kg(t - lit_s)
        speed = hypot(va, vu)
        on_rail = across * across + up * up < vehicle.rail_m**2
        holds = on_rail or (vehicle.is_steered and t < burn_s) or speed < 1.0
        tilt = vehicle.rail_tilt if holds else atan2(va, vu)
        temperature = air.temperature(up)
        density = air.pressure(up) / (GAS * temperature)
        drag_cd = vehicle.drag_coefficient(speed / sqrt(1.4 * GAS * temperature))
        drag = 0.5 * density * speed * speed * drag_cd * vehicle.area_m2
        along = (thrust - drag) / mass
        if t > spent_s and vu < vehicle.opens_climb_m_s:
            # It swings round behind its canopy within three tenths of a second and hangs nose to the rear.
            opened_s = min(opened_s, t)
            held = drag / mass + G * density / density0 * (speed / vehicle.drogue_m_s) ** 2 * min(1.0, (t - opened_s) / 0.3)
            turned = pi * min(1.0, (t - opened_s) / 0.3)
            rows.append((t, across, up, va, vu, -held * cos(turned), tilt + turned, thrust))
            va, vu = va - held * sin(tilt) * step_s, vu - (held * cos(tilt) + G) * step_s
            across, up, t = across + va * step_s, up + vu * step_s, t + step_s
            continue
        net = along - G * cos(tilt)
        if not has_left and net <= 0.0:
            rows.append((t, 0.0, 0.0, 0.0, 0.0, G * cos(tilt), tilt, thrust))
            t += step_s
            if t > burn_s:
                return rows
            continue
        has_left = True
        rows.append((t, across, up, va, vu, along, tilt, thrust))
        if on_rail:
            va, vu = va + net * sin(tilt) * step_s, vu + net * cos(tilt) * step_s
        else:
            va, vu = va + along * sin(tilt) * step_s, vu + (along * cos(tilt) - G) * step_s
        across, up, t = across + va * step_s, up + vu * step_s, t + step_s
    return rows


def _moments_of_few(vehicle: Vehicle, rows: Floats, burn_s: float, pad_s: float) -> dict[str, float]:
    """Return what only few flights have: the second thrust, and a canopy that opened in the coast."""
    moments: dict[str, float] = {}
    second, t, along = vehicle.second, rows[:, 0], rows[:, 5]
    if second is not None:
        lit_s = burn_s + second.after_s
        over = np.flatnonzero((along <= 0.0) & (t > lit_s + 0.5 * second.burn_s))
        if burn_s < 0.15 or not len(over):
            raise DoesNotFly
        moments |= {"ignition_2": pad_s + lit_s, "burnout_2": pad_s + float(t[over[0]])}
    if vehicle.opens_climb_m_s > 0.0:
        slow = np.flatnonzero((t > burn_s + 0.2) & (rows[:, 4] < vehicle.opens_climb_m_s))
        if rows[slow[0], 4] < 0.9 * vehicle.opens_climb_m_s:
            raise DoesNotFly
        moments |= {"opening": pad_s + float(t[slow[0]]), "opening_climb": float(rows[slow[0], 4])}
    return moments


def _burn_for(vehicle: Vehicle, air: Air) -> float:
    low, high = 0.1, 40.0
    for _ in range(14):
        middle = sqrt(low * high)
        top = max((row[2] for row in ascend(vehicle, air, middle, COARSE_S)), default=0.0)
        low, high = (middle, high) if top < vehicle.target_m else (low, middle)
    return sqrt(low * high)


def _descend(vehicle: Vehicle, air: Air, kind: str, top: float) -> tuple[list[tuple[float, float, float]], dict[str, float]]:
    """Return rows (t after apogee, up, climb) until the ground, and when the stages began."""
    t, up, climb, main_s = 0.0, top, 0.0, float("nan")
    rows, stage = [(0.0, top, 0.0)], {}
    density0 = air.pressure_pa / (GAS * air.temperature_k)
    ballistic_m_s = sqrt(2.0 * vehicle.dry_kg * G / (density0 * vehicle.cd * vehicle.area_m2))
    while up > vehicle.ground_m and t < 3000.0:
        density = air.pressure(up) / (GAS * air.temperature(up))
        terminal = ballistic_m_s
        if kind != "ballistic" and (t >= vehicle.deploy_after_s or vehicle.opens_climb_m_s > 0.0):
            stage.setdefault("deployed", t)
            opens = 1.0 if vehicle.opens_climb_m_s > 0.0 else min(1.0, (t - stage["deployed"]) / 0.5)
            terminal += (vehicle.drogue_m_s - terminal) * opens
            if kind == "dual" and up < vehicle.main_at_m:
                main_s = t if main_s != main_s else main_s
                terminal += (vehicle.main_m_s - terminal) * min(1.0, (t - main_s) / 1.0)
            if up < vehicle.parts_at_m:
                stage.setdefault("parted", t)
                terminal *= 1.0 - (1.0 - sqrt(vehicle.kept_share)) * min(1.0, (t - stage["parted"]) / 0.3)
        # Implicit, since a canopy that opens fast stops it within a step: v - share v^2 = climb - g dt.
        share = DOWN_STEP_S * G * density / (density0 * terminal * terminal)
        climb = (1.0 - sqrt(1.0 - 4.0 * share * (climb - G * DOWN_STEP_S))) / (2.0 * share)
        up, t = up + climb * DOWN_STEP_S, t + DOWN_STEP_S
        rows.append((t, up, climb))
    if main_s == main_s:
        stage["main"] = main_s
    return rows, stage


def fly(vehicle: Vehicle, air: Air, kind: str, pad_s: float, rest_s: float) -> Flight:
    """Return the truth of a flight from the pad to some seconds at rest; ignition is at `pad_s`. Raises DoesNotFly."""
    burn_s = _burn_for(vehicle, air)
    climb_rows = np.array(ascend(vehicle, air, burn_s, STEP_S))
    top = float(climb_rows[-1, 2])
    if top < 0.7 * vehicle.target_m or not ((climb_rows[:, 5] <= 0.0) & (climb_rows[:, 0] > 0.5 * burn_s)).any():
        raise DoesNotFly
    down, stage = _descend(vehicle, air, kind, top)
    falling = np.array(down)
    apogee_s = pad_s + float(climb_rows[-1, 0])
    landing_s = apogee_s + float(falling[-1, 0])
    t = np.arange(0.0, landing_s + rest_s, 0.01)
    going_up, going_down = (t >= pad_s) & (t <= apogee_s), (t > apogee_s) & (t < landing_s)

    def of(column: int, before: float, fall: Floats, after: float) -> Floats:
        up = np.interp(t, pad_s + climb_rows[:, 0], climb_rows[:, column])
        down_ = np.interp(t, apogee_s + falling[:, 0], fall)
        return np.where(going_up, up, np.where(going_down, down_, np.where(t < pad_s, before, after)))

    flat = np.zeros(len(falling))
    # What it flew sideways at the top, the air takes in seconds.
    fading = np.exp(-falling[:, 0] / 2.0)
    va, vu = of(3, 0.0, climb_rows[-1, 3] * fading, 0.0), of(4, 0.0, falling[:, 2], 0.0)
    beside = climb_rows[-1, 1] + 2.0 * climb_rows[-1, 3] * (1.0 - fading)
    lift = climb_rows[climb_rows[:, 4] > 0.0]
    moments = {"lift_off": pad_s + float(lift[0, 0]), "apogee_time": apogee_s, "apogee": top, "landing": landing_s}
    along = climb_rows[:, 5]
    spent = np.flatnonzero((along <= 0.0) & (climb_rows[:, 0] > 0.5 * burn_s))
    moments["burnout"] = pad_s + float(climb_rows[spent[0], 0])
    moments |= _moments_of_few(vehicle, climb_rows, burn_s, pad_s)
    moments["landing_speed"] = -float(falling[-2, 2])
    moments["greatest_speed"] = float(np.hypot(climb_rows[:, 3], climb_rows[:, 4]).max())
    if kind != "ballistic":
        end = falling[-1, 0] if "main" not in stage else stage["main"]
        parted = stage.get("parted", falling[-1, 0])
        if "parted" in stage:
            moments["parted"] = apogee_s + parted
            moments["kept_share"] = vehicle.kept_share
        spans = {
            "deployed": (stage.get("deployed", end), min(end, parted)),
            "main": (stage.get("main", end) + 1.0, parted),
            "parted": (parted, falling[-1, 0]),
        }
        for name, (start, stop) in spans.items():
            if stop - start > 12.0:
                middle = 0.5 * (start + 4.0 + stop)
                moments[f"{name}_at"] = apogee_s + middle
                inside = (falling[:, 0] > start + 4.0) & (falling[:, 0] < stop)
                moments[f"{name}_rate"] = -float(falling[inside, 2].mean())
    hang = np.concatenate([[0.0], np.diff(falling[:, 2]) / np.diff(falling[:, 0])]) + G
    return Flight(
        t=t,
        up_m=of(2, 0.0, falling[:, 1], vehicle.ground_m),
        climb_m_s=vu,
        speed_m_s=np.hypot(va, vu),
        along_m_s2=of(5, G * cos(vehicle.rail_tilt), hang, G),
        tilt=of(6, vehicle.rail_tilt, flat, 0.0),
        across_m=of(1, 0.0, beside, float(beside[-1])),
        powered=np.where(going_up, np.interp(t, pad_s + climb_rows[:, 0], climb_rows[:, 7]) / vehicle.thrust_n, 0.0),
        moments=moments,
    )
