"""One flight as foreseen from its basis, and rules of thumb against it, which are common practice and no promise."""

from __future__ import annotations

from math import degrees, pi
from typing import NotRequired, TypedDict

from server.design.configuration import GREATEST_MARGIN, LEAST_MARGIN, FittedFins, told
from server.design.flight_basis import Basis, NextFlightProblem
from server.flight.airframe.ascent_forecast import Launch, class_and_mean, forecast
from server.flight.airframe.barrowman import cross_section_m2
from server.flight.unmeasured import Unmeasured

# tests/SOURCES.md, launch-rules-of-thumb, common practice: thrust to weight about 5 with 3 as the floor, rail exit about
# 4 times the wind and not under 15 m/s (so that the angle of attack stays within 14 degrees), one to two calibers of margin.
THRUST_TO_WEIGHT, THRUST_FLOOR = 5.0, 3.0
WIND_TIMES, SLOWEST_EXIT_M_S = 4.0, 15.0
WIDEST_ATTACK_DEG = 14.0


class FinSizes(TypedDict):
    """An exchangeable fin set as flown: chords, span and sweep in m, the root's leading edge from the nose tip in m."""

    name: str
    root_m: float
    tip_m: float
    span_m: float
    sweep_m: float
    root_leading_edge_m: float


class ForeseenFlight(TypedDict):
    """One flight as foreseen, as JSON shows it; SI units, heights over the pad, times from ignition.

    What needs a configuration is missing without one.
    """

    mass_kg: float
    motor: str
    impulse_n_s: float
    wind_m_s: float
    thrust_to_weight: float
    rail_exit_speed_m_s: float
    angle_of_attack_rad: float
    greatest_speed_m_s: float
    greatest_dynamic_pressure_pa: float
    apogee_m: float
    apogee_s: float
    margin_calibers: NotRequired[float]
    center_of_gravity_m: NotRequired[float]
    center_of_pressure_m: NotRequired[float]
    swing_hz: NotRequired[float | None]
    fins: NotRequired[list[FinSizes]]


class RuleOfThumb(TypedDict):
    """A rule of thumb against a flight: the value in `unit`, what is asked in words, whether it is met."""

    name: str
    value: float
    unit: str
    asked: str
    met: bool
    source: str


def foreseen(basis: Basis) -> ForeseenFlight:
    """Return one flight as foreseen. Raises NextFlightProblem when there is none.

    Source: `ascent_forecast`; wave number and slope of the nose's swing are those of `configuration.told`.
    """
    configuration, wave, slope = basis.configuration, 0.0, 0.0
    if configuration is not None:
        air = told(configuration, basis.density_kg_m3)
        wave = _between(air["liftoff"]["wave_number_1_m"], air["burnout"]["wave_number_1_m"])
        slope = air["normal_force_slope"] * cross_section_m2(configuration.diameter_m)
    launch = Launch(
        liftoff_mass_kg=basis.mass_kg,
        propellant_kg=basis.propellant_kg,
        drag_area_m2=basis.drag_area_m2,
        rail_length_m=basis.rail_length_m,
        density_kg_m3=basis.density_kg_m3,
        wind_m_s=basis.wind_m_s,
        lean_rad=basis.lean_rad,
        wave_number_1_m=wave,
        slope_area_m2=slope,
    )
    found = forecast(launch, basis.curve)
    if isinstance(found, Unmeasured):
        raise NextFlightProblem(f"No flight: {found.reason}.")
    flight: ForeseenFlight = {
        "mass_kg": basis.mass_kg,
        "motor": class_and_mean(basis.curve),
        "impulse_n_s": basis.curve.impulse_n_s,
        "wind_m_s": basis.wind_m_s,
        "thrust_to_weight": found.thrust_to_weight,
        "rail_exit_speed_m_s": found.rail_exit_speed_m_s,
        "angle_of_attack_rad": found.angle_of_attack_rad,
        "greatest_speed_m_s": found.greatest_speed_m_s,
        "greatest_dynamic_pressure_pa": found.greatest_dynamic_pressure_pa,
        "apogee_m": found.apogee_m,
        "apogee_s": found.apogee_s,
    }
    if configuration is not None:
        flight["margin_calibers"] = air["liftoff"]["margin_calibers"]
        flight["center_of_gravity_m"] = air["liftoff"]["center_of_gravity_m"]
        flight["center_of_pressure_m"] = air["center_of_pressure_m"]
        flight["swing_hz"] = wave * found.greatest_speed_m_s / (2.0 * pi) if wave else None
        flight["fins"] = [_fins(one) for one in configuration.fin_sets if one.exchangeable]
    return flight


def _between(one: float | None, other: float | None) -> float:
    return 0.0 if one is None or other is None else 0.5 * (one + other)


def _fins(one: FittedFins) -> FinSizes:
    shape = one.shape
    return {
        "name": shape.name,
        "root_m": shape.root_m,
        "tip_m": shape.tip_m,
        "span_m": shape.span_m,
        "sweep_m": shape.sweep_m,
        "root_leading_edge_m": shape.root_leading_edge_m,
    }


def limits_of(flight: ForeseenFlight) -> list[RuleOfThumb]:
    """Return rules of thumb against a flight; all of them are common practice, no source."""
    wanted = max(SLOWEST_EXIT_M_S, WIND_TIMES * flight["wind_m_s"])
    attack = degrees(flight["angle_of_attack_rad"])
    weight = flight["thrust_to_weight"]
    exit_speed = flight["rail_exit_speed_m_s"]
    asked_of_thrust = f"about {THRUST_TO_WEIGHT:g}, {THRUST_FLOOR:g} at the very least"
    asked_of_speed = f"at least {wanted:.0f}: {WIND_TIMES:g} times the wind, not under {SLOWEST_EXIT_M_S:g}"
    rows = [
        _limit("thrust to weight", weight, "", asked_of_thrust, weight >= THRUST_TO_WEIGHT),
        _limit("speed at the rail's end", exit_speed, "m/s", asked_of_speed, exit_speed >= wanted),
        _limit("angle of attack there", attack, "deg", f"at most {WIDEST_ATTACK_DEG:g}", attack <= WIDEST_ATTACK_DEG),
    ]
    margin = flight.get("margin_calibers")
    if margin is not None:
        asked = f"{LEAST_MARGIN:g} to {GREATEST_MARGIN:g}; more turns farther into the wind"
        rows.append(
            _limit("static margin at lift-off", margin, "calibers", asked, LEAST_MARGIN <= margin <= GREATEST_MARGIN)
        )
    return rows


def _limit(name: str, value: float, unit: str, asked: str, met: bool) -> RuleOfThumb:
    return {"name": name, "value": float(value), "unit": unit, "asked": asked, "met": bool(met), "source": "common practice"}
