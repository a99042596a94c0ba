"""Draws vehicles whose pitch-over has known causes, what their sheets and sensors tell, and the truth by flying them again.

Even numbers are reported; odd ones are the half a constant may be chosen on. Everything is invented.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import radians, sqrt

import numpy as np

from server.flight.causes.airframe import Body
from server.flight.causes.course import Evidence
from server.flight.causes.shares import ASKEW, GUST, LINE, MOTOR, TIP_OFF, UNSTABLE, WIND
from server.flight.causes.wind import MeanWind, mean_wind
from tests.accuracy.causes.turning import Flights, Flown, G, fly, joined

DENSITY = 1.17
CAUSES = (TIP_OFF, WIND, GUST, LINE, ASKEW, MOTOR)
CALM, CAUSED, TURNED = "calm", "caused", "unstable"


@dataclass(frozen=True)
class Told:
    """What the station hears of a flight: measurements, the sheet, the wind, thrust over the declared one with its sigma."""

    seen: Evidence
    body: Body
    wind: MeanWind
    motor: tuple[float, float]


def drawn(kind: str, numbers: Sequence[int]) -> Flights:
    """Return flights of a kind by their numbers."""
    rows = [_one(kind, number) for number in numbers]
    return Flights(**{name: np.array([row[name] for row in rows]) for name in rows[0]})


def _one(kind: str, number: int) -> dict[str, object]:
    rng = np.random.default_rng([17, (CALM, CAUSED, TURNED).index(kind), number])
    is_foreign = rng.random() < 0.5
    mass = float(np.exp(rng.uniform(np.log(0.15), np.log(20.0))))
    diameter = 0.052 * mass ** (1.0 / 3.0) * rng.uniform(0.8, 1.25)
    length = diameter * rng.uniform(13.0, 24.0)
    fuel = mass * rng.uniform(0.04, 0.2)
    ratio = rng.uniform(6.0, 12.0) if kind == CALM else rng.uniform(4.0, 9.0)
    gravity = length * rng.uniform(0.55, 0.65)
    moves = -fuel / mass * (0.9 * length - gravity) / (1.0 - fuel / mass)
    nose_slope = 2.0
    fin_slope = rng.uniform(5.0, 12.0)
    margin = rng.uniform(1.2, 2.4)
    if kind == TURNED:
        margin = rng.uniform(-2.0, -0.4)
        # Some of them are stable at first or become so: a heavy grain behind makes the difference.
        if rng.random() < 0.4:
            margin, moves = rng.uniform(0.1, 0.4), diameter * rng.uniform(0.9, 1.6)
    nose_m = diameter * rng.uniform(1.5, 2.6)
    slope = nose_slope + fin_slope
    fin_m = (slope * (gravity + margin * diameter) - nose_slope * nose_m) / fin_slope
    toward = rng.uniform(0.0, 2.0 * np.pi)

    def side(size: float) -> list[float]:
        turn = rng.uniform(0.0, 2.0 * np.pi)
        return [size * np.cos(turn), size * np.sin(turn)]

    quiet = kind == CALM
    row: dict[str, object] = {
        "mass_kg": mass, "fuel_kg": fuel, "diameter_m": diameter, "length_m": length, "gravity_m": gravity,
        "gravity_moves_m": moves, "inertia": mass * length**2 * rng.uniform(0.055, 0.085),
        "inertia_loses": rng.uniform(0.02, 0.1), "roll_inertia": 0.13 * mass * diameter**2, "nose_slope": nose_slope,
        "nose_m": nose_m, "fin_slope": fin_slope, "fin_m": fin_m,
        "stall_rad": radians(rng.uniform(14.0, 22.0)) if is_foreign else 3.0, "body_lift": rng.uniform(0.3, 1.1),
        "drag": rng.uniform(0.4, 0.8), "thrust_n": ratio * mass * G, "thrust_falls": rng.uniform(-0.3, 0.6),
        "burn_s": rng.uniform(1.0, 2.6), "thrust_share": float(rng.normal(1.0, 0.015)),
        "rail_m": length * rng.uniform(1.2, 2.6) + (1.0 if quiet else 0.3), "rail_tilt": radians(rng.uniform(0.0, 5.0)),
        "rail_azimuth": rng.uniform(0.0, 2.0 * np.pi), "roughness_m": float(np.exp(rng.uniform(np.log(0.005), np.log(0.1)))),
        "gust": [0.0, 0.0], "gust_after_s": 0.0, "gust_lasts_s": 1.0, "turbulence_m_s": rng.uniform(0.05, 0.5),
        "line": side(radians(rng.uniform(0.0, 0.08))), "askew": side(radians(rng.uniform(0.0, 0.05))),
        "tip_angle": side(radians(rng.uniform(0.0, 0.15))), "tip_rate": side(radians(rng.uniform(0.0, 2.0))),
        "cant": radians(rng.normal(0.0, 0.12)), "seed": float(number),
    }  # fmt: skip
    speed = sqrt(2.0 * (ratio - 1.0) * G * float(str(row["rail_m"])))
    mean = rng.uniform(0.0, 0.1 if quiet else 0.13) * speed
    row["wind"] = [mean * np.sin(toward), mean * np.cos(toward)]
    if kind == CAUSED:
        chosen = rng.permutation(CAUSES)[: 1 + int(rng.random() < 0.5)]
        for place, cause in enumerate(chosen):
            _cause(row, str(cause), rng, speed, 1.0 if place == 0 else rng.uniform(0.2, 0.6))
    return row


def _cause(row: dict[str, object], cause: str, rng: np.random.Generator, speed: float, size: float) -> None:
    turn = rng.uniform(0.0, 2.0 * np.pi)
    way = np.array([np.sin(turn), np.cos(turn)])
    if cause == TIP_OFF:
        row["tip_rate"] = way * size * radians(rng.uniform(40.0, 120.0))
        row["tip_angle"] = way * size * radians(rng.uniform(0.0, 1.5))
    elif cause == WIND:
        row["wind"] = way * size * speed * rng.uniform(0.25, 0.55)
    elif cause == GUST:
        row["gust"] = way * size * speed * rng.uniform(0.3, 0.7)
        row["gust_after_s"], row["gust_lasts_s"] = rng.uniform(-0.1, 0.4), rng.uniform(0.5, 2.5)
    elif cause == LINE:
        row["line"] = way * size * radians(rng.uniform(0.15, 0.6))
        row["cant"] = float(np.clip(float(str(row["cant"])), radians(-0.1), radians(0.1)))
    elif cause == ASKEW:
        row["askew"] = way * size * radians(rng.uniform(0.4, 1.5))
        row["cant"] = float(np.clip(float(str(row["cant"])), radians(-0.1), radians(0.1)))
    else:
        row["thrust_share"] = 1.0 - size * rng.uniform(0.2, 0.5)
        row["wind"] = way * size * speed * rng.uniform(0.2, 0.4)


def told(f: Flights, flown: Flown, i: int, rate_hz: float = 20.0) -> Told:
    """Return what is heard of flight i: attitude off and drifting, velocity biased, a sheet with errors of its own."""
    rng = np.random.default_rng([23, int(f.seed[i])])
    every = max(1, round(100.0 / rate_hz))
    pad = np.arange(-1.5, 0.0, 1.0 / rate_hz)
    rows = np.arange(int(rng.integers(every)), len(flown.t), every)
    rows = rows[rng.random(len(rows)) > 0.05]
    t = np.concatenate([pad, flown.t[rows]])
    still = len(pad)

    def with_pad(one: np.ndarray) -> np.ndarray:
        first = one[0] if one is not flown.velocity[:, i] and one is not flown.rate[:, i] else np.zeros(3)
        return np.concatenate([np.tile(first, (still, 1)), one[rows]])

    nose, body_x, rate, velocity = (with_pad(one[:, i]) for one in (flown.nose, flown.body_x, flown.rate, flown.velocity))
    off = rng.standard_t(5, 3) * radians(0.4) + np.outer(np.maximum(t, 0.0), rng.normal(0.0, radians(0.15), 3))
    nose, body_x = nose + np.cross(off, nose), body_x + np.cross(off, body_x)
    nose += rng.normal(0.0, radians(0.05), nose.shape)
    rate = rate * (1.0 + rng.normal(0.0, 0.01)) + rng.normal(0.0, radians(0.4), rate.shape)
    growing = np.outer(np.maximum(t, 0.0), rng.normal(0.0, 0.15, 3))
    velocity = velocity + rng.normal(0.0, 0.1, 3) + growing + rng.normal(0.0, 0.1, velocity.shape)
    force_t = flown.t[::2]
    force = flown.along[::2, i] * (1.0 + rng.normal(0.0, 0.01)) + rng.normal(0.0, 0.1) + rng.normal(0.0, 0.4, len(force_t))
    middle, moves = float(f.gravity_m[i]), float(f.gravity_moves_m[i])
    d = float(f.diameter_m[i])
    slope = float(f.nose_slope[i] + f.fin_slope[i])
    center = float((f.nose_slope[i] * f.nose_m[i] + f.fin_slope[i] * f.fin_m[i]) / slope)
    # A builder whose vehicle turned over did not know it: the sheet says it is stable.
    believed = max(center - middle, 1.2 * d) + middle + rng.uniform(-0.4, 0.4) * d
    shift = float(rng.uniform(-0.1, 0.1)) * d
    mass = float(f.mass_kg[i]) * rng.uniform(0.97, 1.03)
    inertia = float(f.inertia[i]) * rng.uniform(0.88, 1.12)
    body = Body(
        diameter_m=d, length_m=float(f.length_m[i]), slope=slope * rng.uniform(0.85, 1.15), pressure_center_m=believed,
        fin_slope=float(f.fin_slope[i]) * rng.uniform(0.85, 1.15), fin_m=float(f.fin_m[i]) + rng.uniform(-0.3, 0.3) * d,
        lift=0.7 * d * float(f.length_m[i]) / (0.25 * np.pi * d * d), mass_kg=(mass, mass - float(f.fuel_kg[i])),
        gravity_m=(middle + shift, middle + shift + moves),
        inertia_kg_m2=(inertia, inertia * (1.0 - float(f.inertia_loses[i]))),
    )  # fmt: skip
    speed = float(np.hypot(*f.wind[i]))
    drift = f.wind[i] + rng.normal(0.0, 0.6 + 0.12 * speed, 2) if rng.random() < 0.6 else None
    pad_m_s = (
        max(0.0, speed * rng.uniform(0.75, 1.25) + rng.uniform(-0.4, 0.4)) if rng.random() < 0.8 or drift is None else None
    )
    lift = float(flown.t[np.flatnonzero(flown.velocity[:, i, 2] > 0.05)[0]])
    exit_m_s = float(flown.exit_m_s[i])
    seen = Evidence(
        t=t, nose=nose, body_x=body_x, rate=rate, velocity=velocity, force_t=force_t, force=force, fin_t=np.zeros(0),
        fin_sums=np.zeros((0, 2)), lift_off_s=lift, exit_s=float(flown.exit_s[i]) + rng.normal(0.0, 0.005),
        exit_m_s=exit_m_s + rng.normal(0.0, 0.3), exit_sigma_m_s=0.35, rail_m=float(f.rail_m[i]),
        burnout_s=float(f.burn_s[i]), density_kg_m3=DENSITY * rng.uniform(0.99, 1.01),
    )  # fmt: skip
    # Pad and drift tell the wind at 10 m.
    wind = mean_wind(pad_m_s, None if drift is None else (float(drift[0]), float(drift[1])))
    return Told(seen, body, wind, (float(f.thrust_share[i]) + rng.normal(0.0, 0.015), 0.02))


SWITCHED_OFF = {
    TIP_OFF: lambda f: {"tip_rate": 0.0 * f.tip_rate, "tip_angle": 0.0 * f.tip_angle},
    WIND: lambda f: {"wind": 0.0 * f.wind},
    GUST: lambda f: {"gust": 0.0 * f.gust, "turbulence_m_s": 0.0 * f.turbulence_m_s},
    LINE: lambda f: {"line": 0.0 * f.line},
    ASKEW: lambda f: {"askew": 0.0 * f.askew},
    MOTOR: lambda f: {"thrust_share": 1.0 + 0.0 * f.thrust_share},
    UNSTABLE: lambda f: {"fin_m": _fin_for(f, f.diameter_m), "gravity_moves_m": 0.0 * f.gravity_moves_m},
}


def _fin_for(f: Flights, lever_m: np.ndarray) -> np.ndarray:
    """Return where the fins have to sit for the center of pressure to be so far behind the full center of gravity."""
    slope = f.nose_slope + f.fin_slope
    return (slope * (f.gravity_m + lever_m) - f.nose_slope * f.nose_m) / f.fin_slope


def flown_again(f: Flights, until_s: float) -> dict[str, Flown]:
    """Return the flights without each cause, all flown at once."""
    others = [f.changed(off(f)) for off in SWITCHED_OFF.values()]
    flown = fly(joined(others), until_s, DENSITY)
    parts = (slice(i * f.count, (i + 1) * f.count) for i in range(len(others)))
    return {cause: flown.part(part) for cause, part in zip(SWITCHED_OFF, parts, strict=True)}
