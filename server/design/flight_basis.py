"""What one flight is computed from (sheet, site, figures of a flown session), where each number comes from, and a change.

`basis_of` gathers what is known; `changed` is the same with what is asked to be different (`change_of` reads that from plain
numbers).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import degrees, radians

from server.design.configuration import Configuration, keeping_margin
from server.design.configuration_sheet import configuration_of
from server.design.pad_wind import PadWind
from server.design.sheet_numbers import SheetNumbers, sheet_numbers_of
from server.flight.air.atmosphere import pad_density_kg_m3
from server.flight.airframe.ascent_forecast import drag_area_m2
from server.flight.airframe.barrowman import cross_section_m2
from server.flight.airframe.mass_list import Piece
from server.flight.airframe.thrust_curve import ThrustCurve
from server.problems import Problem

USUAL_DRAG = 0.6  # coefficient, as `coast.prior_kappa`; common practice, no source
FAR_OVER_DEG = 30.0  # of lean: the safety code's own limit (tests/SOURCES.md, launch-angle)


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


def basis_of(
    vehicle: Mapping[str, object],
    site: Mapping[str, object],
    figures: Mapping[str, Mapping[str, object]],
    wind: PadWind | None = None,
) -> Basis:
    """Return what is known. Raises NextFlightProblem, naming what the sheet lacks, and ConfigurationProblem.

    A `wind` measured at the pad goes before the site sheet's.
    """
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
        wind_m_s=(facts.wind_m_s or 0.0) if wind is None else wind.speed_m_s,
        lean_rad=0.0,
        configuration=configuration,
        sources={
            "mass": mass_source,
            "drag": drag_source,
            "density": "elevation and temperature of the site's sheet" if facts.elevation_m is not None else "sea level",
            "wind": _wind_source(facts, wind),
        },
    )


def _wind_source(facts: SheetNumbers, wind: PadWind | None) -> str:
    if wind is not None:
        return wind.source
    return "the site's sheet" if facts.wind_m_s is not None else "none told: still air"


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
