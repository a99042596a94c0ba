"""A lot drawn about one vehicle: every number of it within its doubt, from normal distributions.

The sigmas are common practice, no source, and stand for a vehicle that was weighed and a motor of a batch once measured; a
sheet's own go before them. What may not be negative is cut at a small share of its nominal.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from math import radians
from typing import Any

import numpy as np

from protocol.arrays import Floats
from server.flight.dispersion.lot import Lot
from server.flight.dispersion.winds import Winds

_LEAST_SHARE = 0.2


@dataclass(frozen=True)
class Sigmas:
    """One sigma each: shares of the nominal, meters, radians, m/s. All common practice, no source."""

    impulse: float = 0.03
    burn_time: float = 0.04
    mass: float = 0.01
    center_of_gravity_m: float = 0.005
    center_of_pressure_m: float = 0.012
    inertia: float = 0.05
    normal_force: float = 0.05
    drag: float = 0.12
    mach_rise: float = 0.3
    attack: float = 0.3  # of what grows with the angle of attack: drag and the body's lift
    thrust_angle: float = radians(0.1)  # in each of two directions
    fin_cant: float = radians(0.1)
    rail_tilt: float = radians(1.0)  # in each of two directions
    wind: float = 0.2
    wind_m_s: float = 0.4  # in each of two directions, at the height where it was measured
    wind_turn: float = radians(15.0)
    wind_power: float = 0.06
    eddies: float = 0.3
    density: float = 0.01
    descent_area: float = 0.1


def alone(lot: Lot, index: int = 0) -> Lot:
    """Return one of the flights."""
    return lot.part(slice(index, index + 1))


def drawn(nominal: Lot, sigmas: Sigmas, count: int, random: np.random.Generator, any_direction: bool = False) -> Lot:
    """Return `count` flights about a lot of one; `any_direction`: the wind's is not known at all."""

    def near(value: Floats, share: float) -> Floats:
        spread = 1.0 + share * random.standard_normal(count)
        return np.repeat(value, count) * np.maximum(spread, _LEAST_SHARE)

    def beside(value: Floats, sigma: float) -> Floats:
        return np.repeat(value, count) + sigma * random.standard_normal(count)

    wide: dict[str, Any] = {
        field.name: np.repeat(value, count, axis=-1)
        for field in fields(nominal)
        if isinstance(value := getattr(nominal, field.name), np.ndarray) and field.name != "factor_mach"
    }
    aside = sigmas.center_of_pressure_m * random.standard_normal(count)
    sum0, sum1, sum2 = wide["slope_m"] * np.maximum(1.0 + sigmas.normal_force * random.standard_normal(count), _LEAST_SHARE)
    attack = near(np.ones(1), sigmas.attack)
    tilt_east = beside(nominal.rail_tilt * np.sin(nominal.rail_azimuth), sigmas.rail_tilt)
    tilt_north = beside(nominal.rail_tilt * np.cos(nominal.rail_azimuth), sigmas.rail_tilt)
    thrust_x = beside(nominal.thrust_angle * np.cos(nominal.thrust_toward), sigmas.thrust_angle)
    thrust_y = beside(nominal.thrust_angle * np.sin(nominal.thrust_toward), sigmas.thrust_angle)
    wide |= {
        "impulse_factor": near(nominal.impulse_factor, sigmas.impulse),
        "burn_factor": near(nominal.burn_factor, sigmas.burn_time),
        "dry_mass_kg": near(nominal.dry_mass_kg, sigmas.mass),
        "dry_center_m": beside(nominal.dry_center_m, sigmas.center_of_gravity_m),
        "dry_inertia_kg_m2": near(nominal.dry_inertia_kg_m2, sigmas.inertia),
        "slope_m": np.stack([sum0, sum1 + aside * sum0, sum2 + 2.0 * aside * sum1 + aside * aside * sum0]),
        "fin_cant": beside(nominal.fin_cant, sigmas.fin_cant),
        "body_lift": wide["body_lift"] * attack,
        "drag": near(nominal.drag, sigmas.drag),
        "mach_rise": near(nominal.mach_rise, sigmas.mach_rise),
        "attack_drag": wide["attack_drag"] * attack,
        "thrust_angle": np.hypot(thrust_x, thrust_y),
        "thrust_toward": np.arctan2(thrust_y, thrust_x),
        "rail_tilt": np.hypot(tilt_east, tilt_north),
        "rail_azimuth": np.arctan2(tilt_east, tilt_north),
        "density_kg_m3": near(nominal.density_kg_m3, sigmas.density),
    }
    return replace(nominal, **wide, winds=_winds(nominal.winds, sigmas, count, random, any_direction))


def _winds(nominal: Winds, sigmas: Sigmas, count: int, random: np.random.Generator, any_direction: bool) -> Winds:
    wide: dict[str, Any] = {
        field.name: np.repeat(value, count)
        for field in fields(nominal)
        if isinstance(value := getattr(nominal, field.name), np.ndarray)
    }
    one = random.standard_normal((6, count))
    turn = random.uniform(0.0, 2.0 * np.pi, count) if any_direction else sigmas.wind_turn * one[0]
    wide |= {
        "factor": wide["factor"] * np.maximum(1.0 + sigmas.wind * one[1], 0.0),
        "turn": wide["turn"] + turn,
        "steeper": wide["steeper"] + sigmas.wind_power * one[2],
        "beside_east": wide["beside_east"] + sigmas.wind_m_s * one[3],
        "beside_north": wide["beside_north"] + sigmas.wind_m_s * one[4],
        "eddy_m_s": wide["eddy_m_s"] * np.exp(sigmas.eddies * one[5]),
    }
    return replace(nominal, **wide)
