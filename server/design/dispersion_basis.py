"""From a sheet to many flights: the vehicle as a lot of one, its doubts, its wind and its way down, and where each is from.

What the sheet does not tell is taken as usual and said: the rail upright, the wind from anywhere, measured at 2 m, eddies of
a fifth of it at 10 m (MIL-F-8785C near the ground, from memory), the mass on the wall of the tube for the roll's inertia, a
motor that fills the wake and leaves 0.95 of the drag (common practice, no source). The doubts are `draws.Sigmas`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import pi

import numpy as np

from protocol.arrays import Floats
from protocol.units import GRAVITY_M_S2
from server.design.configuration import Configuration
from server.design.doubts import sigmas_of
from server.design.flight_basis import Basis, FlightChange, NextFlightProblem, basis_of, changed
from server.design.pad_wind import PadWind
from server.design.sheet_numbers import SheetNumbers, sheet_numbers_of
from server.flight.air.atmosphere import LAPSE_K_M, SEA_LEVEL_TEMPERATURE_K
from server.flight.airframe.ascent_forecast import WIND_HEIGHT_M
from server.flight.airframe.barrowman import cross_section_m2
from server.flight.dispersion.flights import Gate, Question, Way
from server.flight.dispersion.lot import Lot
from server.flight.dispersion.winds import EDDY_LENGTH_M, MeanWind, Winds, power_law
from server.flight.motion.drag_curve import DragCurve, Shape

Sheet = Mapping[str, object]
POWERED_DRAG, ATTACK_DRAG, BODY_LIFT = 0.95, 1.0, 0.6  # common practice, no source
EDDY_SHARE, EDDY_HEIGHT_M = 0.2, 10.0
SIDE_DRAG = 0.5  # of a body that tumbles, by its side; common practice, no source
_MACH = np.linspace(0.0, 5.0, 101)


@dataclass(frozen=True)
class Day:
    """What is known beside the sheets: figures of a flown session, wind at the pad, a sounding, a change.

    `by_flight`: the wind that the flown session drifted in under its canopy goes before the sheet's.
    """

    figures: Mapping[str, Sheet] = field(default_factory=dict)
    pad_wind: PadWind | None = None
    sounding: MeanWind | None = None
    change: FlightChange | None = None
    by_flight: bool = False


@dataclass(frozen=True)
class Asked:
    """A question, and in words where its numbers are from and what is not known."""

    question: Question
    sources: dict[str, str]
    lacks: tuple[str, ...]


def asked_of(vehicle: Sheet, site: Sheet, day: Day) -> Asked:
    """Return what many flights are computed from. Raises NextFlightProblem, ConfigurationProblem and DoubtFault."""
    facts = sheet_numbers_of(vehicle, site)
    basis = basis_of(vehicle, site, day.figures, day.pad_wind)
    if day.change is not None:
        basis = changed(basis, day.change)
    configuration = basis.configuration
    if configuration is None:
        raise NextFlightProblem("The sheet does not say what the vehicle is built of: it has no [vehicle.configuration].")
    mean, at_m, direction, wind_words = _mean_wind(facts, basis, day)
    lean, azimuth, rail_words = _rail(facts, day.change, direction)
    lot = _lot(facts, basis, configuration, (lean, azimuth), _winds(mean, at_m))
    way, lacks = _way(facts, basis, configuration)
    if direction is None:
        lacks = (*lacks, "Nobody told where the wind is from (wind_from_deg): it is drawn from all around.")
    gate = None
    if facts.gate_altitude_m is not None and facts.gate_speed_m_s is not None:
        gate = Gate(facts.gate_altitude_m, facts.gate_speed_m_s)
    else:
        lacks = (*lacks, "The sheet has no gate_altitude_m and gate_speed_m_s: no seconds under control.")
    is_measured = isinstance(day.figures.get("drag", {}).get("kappa_1_m"), float)
    sigmas = sigmas_of(vehicle, site, is_measured)
    sources = {**basis.sources, "wind": wind_words, "rail": rail_words}
    return Asked(Question(lot, sigmas, way, gate, direction is None), sources, lacks)


def _one(value: float) -> Floats:
    return np.full(1, float(value))


def _mean_wind(facts: SheetNumbers, basis: Basis, day: Day) -> tuple[MeanWind, float, float | None, str]:
    """Return the mean wind, the height it counts from, where it is from (rad, None: unknown), and its source in words."""
    if day.sounding is not None:
        low = float(day.sounding.east_m_s[0]), float(day.sounding.north_m_s[0])
        direction = float(np.arctan2(-low[0], -low[1]) % (2.0 * pi))
        return day.sounding, max(float(day.sounding.height_m[0]), WIND_HEIGHT_M), direction, "the sounding"
    drift = day.figures.get("recovery", {})
    speed, toward = drift.get("wind_10_m_m_s"), drift.get("drift_toward_rad")
    is_drift_known = isinstance(speed, int | float) and isinstance(toward, int | float)
    if day.by_flight:
        if not is_drift_known:
            raise NextFlightProblem("The recorded flight tells no wind: it has no drift under canopy.")
        assert isinstance(speed, int | float) and isinstance(toward, int | float)
        direction = (toward + pi) % (2.0 * pi)
        return power_law(speed, direction, 10.0), 10.0, direction, "the recorded flight's drift under canopy"
    at_m, words, direction_ = facts.wind_height_m or WIND_HEIGHT_M, basis.sources["wind"], facts.wind_from_rad
    if direction_ is None and isinstance(toward, int | float):
        direction_ = (toward + pi) % (2.0 * pi)
        words += ", from where the recorded flight had it"
    return power_law(basis.wind_m_s, direction_ or 0.0, at_m), at_m, direction_, words


def _rail(facts: SheetNumbers, change: FlightChange | None, wind_from: float | None) -> tuple[float, float, str]:
    """Return lean and azimuth in rad, and where they are from."""
    if change is not None and change.lean_rad is not None:
        azimuth = (wind_from or 0.0) + (0.0 if change.lean_rad >= 0.0 else pi)
        return abs(change.lean_rad), azimuth, "as asked for, in line with the wind"
    if facts.rail_lean_rad is None or facts.rail_azimuth_rad is None:
        return 0.0, 0.0, "not told: upright"
    return facts.rail_lean_rad, facts.rail_azimuth_rad, "the site's sheet"


def _winds(mean: MeanWind, at_m: float) -> Winds:
    east, north = (float(np.interp(EDDY_HEIGHT_M, mean.height_m, axis)) for axis in (mean.east_m_s, mean.north_m_s))
    return Winds(
        mean=mean,
        at_m=at_m,
        factor=_one(1.0),
        turn=_one(0.0),
        steeper=_one(0.0),
        beside_east=_one(0.0),
        beside_north=_one(0.0),
        eddy_m_s=_one(EDDY_SHARE * float(np.hypot(east, north))),
        eddy_length_m=_one(EDDY_LENGTH_M),
        gust_m_s=_one(0.0),
        gust_toward=_one(0.0),
    )


def _lot(facts: SheetNumbers, basis: Basis, built: Configuration, rail: tuple[float, float], winds: Winds) -> Lot:
    if built.motor is None:
        raise NextFlightProblem("The sheet lacks a thrust curve in [vehicle.configuration.motor].")
    balance, empty, grain = built.balance(), built.mass(1.0), built.motor.propellant
    area, radius = cross_section_m2(built.diameter_m), 0.5 * built.diameter_m
    dry = basis.mass_kg - basis.propellant_kg
    fins = balance.parts[len(balance.parts) - len(built.fin_sets) :]
    shapes = [one.shape for one in built.fin_sets]
    arms = [radius + s.span_m / 3.0 * (s.root_m + 2.0 * s.tip_m) / (s.root_m + s.tip_m) for s in shapes]
    slope = sum(part.slope for part in fins)
    arm = sum(part.slope * arm for part, arm in zip(fins, arms, strict=True)) / slope if slope else radius
    shape = Shape.of(None if facts.drag_by_mach is None else DragCurve(facts.drag_by_mach))
    temperature = facts.pad_temperature_k or SEA_LEVEL_TEMPERATURE_K - LAPSE_K_M * (facts.elevation_m or 0.0)
    return Lot(
        curve=basis.curve,
        impulse_factor=_one(1.0),
        burn_factor=_one(1.0),
        dry_mass_kg=_one(dry),
        dry_center_m=_one(empty.center_m),
        dry_inertia_kg_m2=_one(empty.lateral_inertia_kg_m2 * dry / empty.mass_kg),
        roll_inertia_kg_m2=_one(dry * radius * radius),
        propellant_kg=_one(basis.propellant_kg),
        propellant_center_m=_one(grain.station_m),
        propellant_length_m=_one(grain.length_m),
        nozzle_m=_one(built.length_m),
        area_m2=area,
        slope_m=np.array([[sum(part.slope * part.station_m**k for part in balance.parts)] for k in (0, 1, 2)]),
        roll_slope=_one(2.0 * slope),
        fin_arm_m=_one(arm),
        fin_cant=_one(0.0),
        body_lift=_one(
            (BODY_LIFT if facts.body_lift is None else facts.body_lift) * built.diameter_m * built.length_m / area
        ),
        body_middle_m=_one(0.5 * built.length_m),
        drag=_one(basis.drag_area_m2 / area),
        powered_drag=_one(POWERED_DRAG),
        attack_drag=_one(ATTACK_DRAG),
        mach_rise=_one(1.0),
        factor_mach=np.stack([_MACH, [shape.factor(float(mach)) for mach in _MACH]]),
        thrust_angle=_one(0.0),
        thrust_toward=_one(0.0),
        rail_m=_one(basis.rail_length_m),
        rail_tilt=_one(rail[0]),
        rail_azimuth=_one(rail[1]),
        density_kg_m3=_one(basis.density_kg_m3),
        temperature_k=_one(temperature),
        winds=winds,
    )


def _way(facts: SheetNumbers, basis: Basis, built: Configuration) -> tuple[Way, tuple[str, ...]]:
    """Return how it comes down by the sheet's rates of descent (1/2 rho CdA v^2 = m g), and what is lacking."""
    weight = (basis.mass_kg - basis.propellant_kg) * GRAVITY_M_S2

    def area(rate_m_s: float | None) -> float | None:
        return None if rate_m_s is None else 2.0 * weight / (basis.density_kg_m3 * rate_m_s**2)

    both, one = (area(_at_this_mass(facts, basis, rate)) for rate in (facts.descent_both_m_s, facts.descent_one_m_s))
    untold = ((both, "descent_both_m_s", "its parachutes"), (one, "descent_one_m_s", "one of two"))
    lacks = [f"The sheet has no {key}: where it lands under {words} is not foreseen." for area_m2, key, words in untold
             if area_m2 is None]  # fmt: skip
    return Way(SIDE_DRAG * built.diameter_m * built.length_m, one, both), tuple(lacks)


def _at_this_mass(facts: SheetNumbers, basis: Basis, rate_m_s: float | None) -> float | None:
    """Return a rate of descent of the sheet's vehicle at the mass of this one: it goes with the root of the mass."""
    before = facts.burnout_mass_kg
    if rate_m_s is None or before is None:
        return rate_m_s
    return float(rate_m_s * np.sqrt((basis.mass_kg - basis.propellant_kg) / before))
