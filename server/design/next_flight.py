"""The next flight, computed from the vehicle's sheet and from the drag of the last one; and what a change does.

`basis_of` gathers what is known (sheet, site, the figures of a flown session, if any) and says where each number comes from;
`foreseen` computes one flight; `limits_of` holds it against rules of thumb, which are common practice and no promise. With a
flown session the same computation is also shown for that flight beside what was measured, so that its error can be seen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from math import degrees, pi, radians
from typing import NotRequired, TypedDict, TypeVar

from server.design.configuration import (
    GREATEST_MARGIN,
    LEAST_MARGIN,
    AirframeNumbers,
    Configuration,
    ConfigurationProblem,
    FittedFins,
    SheetAgreement,
    against_the_sheet,
    keeping_margin,
    margin_words,
    told,
)
from server.design.configuration_sheet import configuration_of
from server.design.sheet_numbers import SheetNumbers, sheet_numbers_of
from server.flight.air.atmosphere import pad_density_kg_m3
from server.flight.airframe.ascent_forecast import Launch, class_and_mean, drag_area_m2, forecast
from server.flight.airframe.barrowman import cross_section_m2
from server.flight.airframe.mass_list import Piece
from server.flight.airframe.thrust_curve import ThrustCurve
from server.flight.unmeasured import Unmeasured
from server.problems import Problem

USUAL_DRAG = 0.6  # coefficient, as `coast.prior_kappa`; common practice, no source
# tests/SOURCES.md, launch-rules-of-thumb, common practice: thrust to weight about 5 with 3 as the floor, rail exit about
# 4 times the wind and not under 15 m/s (so that the angle of attack stays within 14 degrees), one to two calibers of margin.
THRUST_TO_WEIGHT, THRUST_FLOOR = 5.0, 3.0
WIND_TIMES, SLOWEST_EXIT_M_S = 4.0, 15.0
WIDEST_ATTACK_DEG = 14.0
FAR_OVER_DEG = 30.0  # of lean: the safety code's own limit (tests/SOURCES.md, launch-angle)


T = TypeVar("T")


class NextFlightProblem(Problem):
    """It cannot be computed; the text is one plain sentence."""


@dataclass(frozen=True)
class Basis:
    """What one flight is computed from, and where each number comes from."""

    mass_kg: float
    propellant_kg: float
    curve: ThrustCurve
    motor: str
    drag_area_m2: float
    rail_length_m: float
    density_kg_m3: float
    wind_m_s: float
    lean_rad: float
    configuration: Configuration | None
    sources: Mapping[str, str]


@dataclass(frozen=True)
class FlightChange:
    """What is asked to be different; None and zero leave it as it is. Mass is added (negative: taken away)."""

    mass_kg: float = 0.0
    station_m: float | None = None
    curve: ThrustCurve | None = None
    propellant_kg: float | None = None
    wind_m_s: float | None = None
    rail_length_m: float | None = None
    lean_rad: float | None = None
    keep_margin: bool = False


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


class NextFlight(TypedDict):
    """The flight as the sheet has it, with the change if one was asked for, and where the numbers come from."""

    as_it_is: ForeseenFlight
    sources: dict[str, str]
    limits: list[RuleOfThumb]
    changed: NotRequired[ForeseenFlight]
    flown: dict[str, float]


class ConfigurationNumbers(AirframeNumbers):
    """What follows from the sheet's configuration, the margin in words, and the sheet's own numbers beside it."""

    margin_words: str
    against_sheet: list[SheetAgreement]


class Reason(TypedDict):
    """Why something cannot be told, in one sentence."""

    reason: str


class PlannedFlight(TypedDict):
    """Configuration and next flight of a session's sheet, each a reason where it cannot be told."""

    configuration: ConfigurationNumbers | Reason
    next_flight: NextFlight | Reason


def basis_of(
    vehicle: Mapping[str, object], site: Mapping[str, object], figures: Mapping[str, Mapping[str, object]]
) -> Basis:
    """Return what is known. Raises NextFlightProblem, naming what the sheet lacks, and ConfigurationProblem."""
    facts, configuration = sheet_numbers_of(vehicle, site), configuration_of(vehicle)
    motor = configuration.motor if configuration is not None else None
    rail, diameter = facts.rail_length_m, facts.diameter_m
    if rail is None or diameter is None or configuration is None or motor is None:
        lacking = [] if rail is not None else ["rail_length_m"]
        lacking += [] if diameter is not None else ["diameter_m"]
        lacking += [] if motor is not None else ["a thrust curve in [vehicle.configuration.motor]"]
        raise NextFlightProblem(f"The sheet lacks {', '.join(lacking)}.")
    weighed = vehicle.get("liftoff_mass_kg")
    mass, mass_source = configuration.mass().mass_kg, "the sheet's list of masses"
    if isinstance(weighed, int | float) and not isinstance(weighed, bool) and 0.01 < weighed < 500.0:
        mass, mass_source = float(weighed), "the sheet's liftoff_mass_kg"
    density = pad_density_kg_m3(facts.elevation_m, facts.pad_temperature_k)
    drag, drag_source = _drag(facts, diameter, figures, density, mass - motor.propellant.mass_kg)
    return Basis(
        mass_kg=mass,
        propellant_kg=motor.propellant.mass_kg,
        curve=motor.curve,
        motor=motor.name,
        drag_area_m2=drag,
        rail_length_m=rail,
        density_kg_m3=density,
        wind_m_s=facts.wind_m_s or 0.0,
        lean_rad=0.0,
        configuration=configuration,
        sources={
            "mass": mass_source,
            "drag": drag_source,
            "density": "elevation and temperature of the site's sheet" if facts.elevation_m is not None else "sea level",
            "wind": "the site's sheet, as measured at the pad" if facts.wind_m_s is not None else "none told: still air",
        },
    )


def _drag(
    facts: SheetNumbers,
    diameter_m: float,
    figures: Mapping[str, Mapping[str, object]],
    density_kg_m3: float,
    burned_kg: float,
) -> tuple[float, str]:
    """Return drag area in m2 and where it comes from."""
    kappa = figures.get("drag", {}).get("kappa_1_m")
    measured_at = figures.get("drag", {}).get("density_kg_m3")
    if isinstance(kappa, float) and isinstance(measured_at, float) and kappa > 0.0:
        flown_kg = facts.burnout_mass_kg or burned_kg
        area = drag_area_m2(kappa, flown_kg, measured_at)
        words = f"measured in this session's coast: coefficient {area / cross_section_m2(diameter_m):.2f}"
        lean = figures.get("lean", {}).get("greatest_tilt_rad")
        if isinstance(lean, float) and degrees(lean) > FAR_OVER_DEG:
            words += "; it flew far from straight, so that this is too much"
        return area, words
    return USUAL_DRAG * cross_section_m2(diameter_m), f"no flight measured it: the usual coefficient {USUAL_DRAG:g}"


def changed(basis: Basis, change: FlightChange) -> Basis:
    """Return the basis with a change. Raises NextFlightProblem and ConfigurationProblem."""
    curve = change.curve or basis.curve
    propellant, source = basis.propellant_kg, dict[str, str]()
    if change.propellant_kg is not None:
        propellant = change.propellant_kg
    elif change.curve is not None:  # the same exhaust speed, hence the same impulse per mass
        propellant = basis.propellant_kg * curve.impulse_n_s / basis.curve.impulse_n_s
        source = {"propellant": "estimated from the impulse, as much per N s as the sheet's motor"}
    if change.wind_m_s is not None:
        source["wind"] = "as asked for"
    mass = basis.mass_kg + change.mass_kg + propellant - basis.propellant_kg
    if mass <= propellant:
        raise NextFlightProblem("With that change the vehicle would weigh nothing.")
    rebuilt = _rebuilt(basis.configuration, change, curve, propellant)
    if rebuilt is not None and basis.configuration is not None:  # other fins weigh something else, too
        mass = basis.mass_kg + rebuilt.mass().mass_kg - basis.configuration.mass().mass_kg
    return replace(
        basis,
        mass_kg=mass,
        propellant_kg=propellant,
        curve=curve,
        motor=basis.motor if change.curve is None else "the other motor",
        wind_m_s=_other(change.wind_m_s, basis.wind_m_s),
        rail_length_m=_other(change.rail_length_m, basis.rail_length_m),
        lean_rad=_other(change.lean_rad, basis.lean_rad),
        configuration=rebuilt,
        sources={**basis.sources, **source},
    )


def _rebuilt(
    before: Configuration | None, change: FlightChange, curve: ThrustCurve, propellant_kg: float
) -> Configuration | None:
    if before is None or before.motor is None:
        return before
    masses = before.masses
    if change.mass_kg:
        at = before.mass().center_m if change.station_m is None else change.station_m
        masses = (*masses, Piece("change", change.mass_kg, at))
    if sum(piece.mass_kg for piece in masses) + sum(one.mass_kg for one in before.fin_sets) <= 0.0:
        raise NextFlightProblem("With that change the vehicle would weigh nothing.")
    grain = replace(before.motor.propellant, mass_kg=propellant_kg)
    after = replace(before, masses=masses, motor=replace(before.motor, curve=curve, propellant=grain))
    return keeping_margin(before, after) if change.keep_margin else after


def _other(told_value: float | None, value: float) -> float:
    return value if told_value is None else told_value


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


def next_flight(
    vehicle: Mapping[str, object],
    site: Mapping[str, object],
    figures: Mapping[str, Mapping[str, object]],
    change: FlightChange | None = None,
) -> NextFlight:
    """Return the flight as the sheet has it and with the change; with figures of a session also what was flown.

    Raises NextFlightProblem and ConfigurationProblem.
    """
    basis = basis_of(vehicle, site, figures)
    flown = {
        "apogee_m": figures.get("apogee", {}).get("height_m"),
        "rail_exit_speed_m_s": figures.get("rail_exit", {}).get("speed_m_s"),
    }
    flight = foreseen(basis)
    told_now: NextFlight = {
        "as_it_is": flight,
        "sources": dict(basis.sources),
        "limits": limits_of(flight),
        "flown": {name: value for name, value in flown.items() if isinstance(value, float)},
    }
    if change is not None and change != FlightChange():
        other = changed(basis, change)
        told_now["changed"] = foreseen(other)
        told_now["sources"] = dict(other.sources)
        told_now["limits"] = limits_of(told_now["changed"])
    return told_now


def configured(vehicle: Mapping[str, object], site: Mapping[str, object]) -> ConfigurationNumbers:
    """Return what follows from the sheet's configuration in the air at the site's pad, the sheet's own numbers beside it.

    Raises NextFlightProblem when there is none, ConfigurationProblem when it is wrong.
    """
    configuration = configuration_of(vehicle)
    if configuration is None:
        raise NextFlightProblem("The sheet does not say what the vehicle is built of: it has no [vehicle.configuration].")
    facts = sheet_numbers_of(vehicle, site)
    numbers = told(configuration, pad_density_kg_m3(facts.elevation_m, facts.pad_temperature_k))
    words = margin_words(min(numbers["liftoff"]["margin_calibers"], numbers["burnout"]["margin_calibers"]))
    return {**numbers, "margin_words": words, "against_sheet": against_the_sheet(numbers, vehicle)}


def planned(
    vehicle: Mapping[str, object], site: Mapping[str, object], figures: Mapping[str, Mapping[str, object]]
) -> PlannedFlight:
    """Return configuration and next flight as a session's sheet has them, each a reason where it cannot be told."""

    def told_or_why(work: Callable[[], T]) -> T | Reason:
        try:
            return work()
        except (NextFlightProblem, ConfigurationProblem) as problem:
            return {"reason": str(problem)}

    return {
        "configuration": told_or_why(lambda: configured(vehicle, site)),
        "next_flight": told_or_why(lambda: next_flight(vehicle, site, figures)),
    }


def change_of(numbers: Mapping[str, float], curve: ThrustCurve | None, keep_margin: bool) -> FlightChange:
    """Return a change of plain numbers by the keys of `CHANGES`; what is absent stays as it is.

    Whether they lie in their ranges is the caller's to check.
    """
    grams = numbers.get("propellant_g")
    lean = numbers.get("lean_deg")
    return FlightChange(
        mass_kg=numbers.get("mass_g", 0.0) / 1000.0,
        station_m=numbers.get("station_m"),
        curve=curve,
        propellant_kg=None if grams is None else grams / 1000.0,
        wind_m_s=numbers.get("wind_m_s"),
        rail_length_m=numbers.get("rail_m"),
        lean_rad=None if lean is None else radians(lean),
        keep_margin=keep_margin,
    )


# What `change_of` takes, with the range of each.
CHANGES: dict[str, tuple[float, float]] = {
    "mass_g": (-100_000.0, 100_000.0),
    "station_m": (0.0, 20.0),
    "propellant_g": (0.0, 100_000.0),
    "wind_m_s": (0.0, 40.0),
    "rail_m": (0.2, 20.0),
    "lean_deg": (-30.0, 30.0),
}
