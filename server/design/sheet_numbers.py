"""The numbers of the vehicle's and the site's sheet that computations use, each with the range in which it is believed.

A sheet may leave out any of them; what needs a missing one says so instead of guessing. README lists the keys.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields

from server.design.configuration import Configuration, ConfigurationProblem
from server.design.configuration_sheet import configuration_of
from server.flight.airframe.barrowman import FinSet

COULOMB_PER_MAH = 3.6
DEGREE = math.pi / 180.0


@dataclass(frozen=True)
class SheetNumbers:
    """What the sheets tell, in SI units; None where they are silent."""

    pad_temperature_k: float | None = None
    rail_length_m: float | None = None
    diameter_m: float | None = None
    length_m: float | None = None
    body_lift: float | None = None
    liftoff_mass_kg: float | None = None
    burnout_mass_kg: float | None = None
    center_of_gravity_m: float | None = None
    center_of_pressure_m: float | None = None
    normal_force_slope: float | None = None
    lateral_inertia_kg_m2: float | None = None
    roll_authority_per_pa_rad: float | None = None
    roll_damping_per_root_pa: float | None = None
    roll_angle_gain: float | None = None
    roll_rate_gain_s: float | None = None
    gain_pressure_pa: float | None = None
    gain_least_pa: float | None = None
    roll_limit_rad: float | None = None
    control_period_s: float | None = None
    control_delay_s: float | None = None
    servo_lag_s: float | None = None
    servo_dead_time_s: float | None = None
    servo_rate_rad_s: float | None = None
    roll_inertia_kg_m2: float | None = None
    fin_movable_share: float | None = None
    side_motor_impulse_n_s: float | None = None
    side_motor_burn_s: float | None = None
    side_motor_station_m: float | None = None
    descent_both_m_s: float | None = None
    descent_one_m_s: float | None = None
    battery_capacity_c: float | None = None
    battery_reserve_c: float | None = None
    battery_cells: float | None = None
    pad_minutes: float | None = None
    camera_current_a: float | None = None
    sensitivity_dbm: float | None = None
    servo_dead_time_most_s: float | None = None
    servo_lag_most_s: float | None = None
    servo_rate_least_rad_s: float | None = None
    servo_backlash_rad: float | None = None
    servo_least_v: float | None = None
    wind_m_s: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None
    wind_from_rad: float | None = None
    wind_height_m: float | None = None
    rail_lean_rad: float | None = None
    rail_azimuth_rad: float | None = None
    gate_altitude_m: float | None = None
    gate_speed_m_s: float | None = None
    navigation_unit: str | None = None
    drag_by_mach: tuple[tuple[float, float], ...] | None = None
    configuration: Configuration | None = field(default=None, compare=False)  # its curves cannot be compared
    fin_places_deg: tuple[float, ...] | None = None
    tail_fins: FinSet | None = None


@dataclass(frozen=True)
class SheetKey:
    """Where a number stands in the sheets, its range there, what it is multiplied by to be SI, and what it is in words."""

    sheet: str
    key: str
    low: float
    high: float
    scale: float = 1.0
    example: str = ""


NUMBERS: dict[str, SheetKey] = {
    "pad_temperature_k": SheetKey("site", "temperature_k", 200.0, 340.0, 1.0, "in kelvin, for example 291 for 18 C"),
    "rail_length_m": SheetKey("vehicle", "rail_length_m", 0.2, 20.0, 1.0, "in meters"),
    "diameter_m": SheetKey("vehicle", "diameter_m", 0.01, 1.0, 1.0, "in meters"),
    "length_m": SheetKey("vehicle", "length_m", 0.1, 20.0, 1.0, "in meters"),
    "body_lift": SheetKey("vehicle", "body_lift", 0.0, 2.0, 1.0, "lift of the body per side area, about 0.4 to 1.2"),
    "liftoff_mass_kg": SheetKey("vehicle", "liftoff_mass_kg", 0.02, 300.0, 1.0, "in kilograms"),
    "burnout_mass_kg": SheetKey("vehicle", "burnout_mass_kg", 0.02, 200.0, 1.0, "in kilograms"),
    "center_of_gravity_m": SheetKey("vehicle", "center_of_gravity_m", 0.0, 10.0, 1.0, "in meters from the nose tip"),
    "center_of_pressure_m": SheetKey("vehicle", "center_of_pressure_m", 0.0, 10.0, 1.0, "in meters from the nose tip"),
    "normal_force_slope": SheetKey("vehicle", "normal_force_slope", 1.0, 60.0, 1.0, "per radian, about 5 to 15"),
    "lateral_inertia_kg_m2": SheetKey("vehicle", "lateral_inertia_kg_m2", 1e-5, 1e3, 1.0, "in kg m2"),
    "roll_authority_per_pa_rad": SheetKey(
        "vehicle", "roll_authority_per_pa_rad", 1e-4, 100.0, 1.0, "roll acceleration per dynamic pressure and fin angle"
    ),
    "roll_damping_per_root_pa": SheetKey(
        "vehicle", "roll_damping_per_root_pa", 0.0, 10.0, 1.0, "roll deceleration per roll rate and root of dynamic pressure"
    ),
    "roll_angle_gain": SheetKey("vehicle", "roll_angle_gain", 0.0, 100.0, 1.0, "fin angle per roll angle, 0 for none"),
    "roll_rate_gain_s": SheetKey("vehicle", "roll_rate_gain_s", 0.0, 10.0, 1.0, "fin angle per roll rate, in seconds"),
    "gain_pressure_pa": SheetKey("vehicle", "gain_pressure_pa", 1.0, 1e6, 1.0, "in Pa: where gains over q are as told"),
    "gain_least_pa": SheetKey("vehicle", "gain_least_pa", 0.0, 1e6, 1.0, "in Pa: the least that gains are divided by"),
    "roll_limit_rad": SheetKey(
        "vehicle", "roll_limit_deg", 0.1, 90.0, DEGREE, "in degrees, the most that is asked of a fin"
    ),
    "control_period_s": SheetKey("vehicle", "control_period_s", 1e-4, 1.0, 1.0, "in seconds, from one cycle to the next"),
    "control_delay_s": SheetKey("vehicle", "control_delay_s", 0.0, 0.5, 1.0, "in seconds, from measuring to commanding"),
    "roll_inertia_kg_m2": SheetKey("vehicle", "roll_inertia_kg_m2", 1e-7, 100.0, 1.0, "in kg m2, about the long axis"),
    "fin_movable_share": SheetKey(
        "vehicle",
        "fin_movable_share",
        0.01,
        1.5,
        1.0,
        "of a whole turned fin's force what its movable part gives, about 0.2 to 1",
    ),
    "side_motor_impulse_n_s": SheetKey("vehicle", "side_motor_impulse_n_s", 0.01, 1000.0, 1.0, "in N s, of one side motor"),
    "side_motor_burn_s": SheetKey("vehicle", "side_motor_burn_s", 0.01, 10.0, 1.0, "in seconds, of one side motor"),
    "side_motor_station_m": SheetKey("vehicle", "side_motor_station_m", 0.0, 20.0, 1.0, "in meters from the nose tip"),
    "descent_both_m_s": SheetKey("vehicle", "descent_both_m_s", 0.5, 50.0, 1.0, "in m/s"),
    "descent_one_m_s": SheetKey("vehicle", "descent_one_m_s", 0.5, 80.0, 1.0, "in m/s"),
    "battery_capacity_c": SheetKey("vehicle", "battery_capacity_mah", 10.0, 1e5, COULOMB_PER_MAH, "in mAh"),
    "battery_reserve_c": SheetKey("vehicle", "flight_reserve_mah", 0.0, 1e5, COULOMB_PER_MAH, "in mAh"),
    "battery_cells": SheetKey("vehicle", "battery_cells", 1.0, 24.0, 1.0, "cells in series"),
    "pad_minutes": SheetKey("vehicle", "pad_minutes", 1.0, 1000.0, 1.0, "minutes the vehicle must be able to wait"),
    "camera_current_a": SheetKey("vehicle", "camera_current_ma", 1.0, 1e4, 1e-3, "in mA, of one camera"),
    "sensitivity_dbm": SheetKey("vehicle", "sensitivity_dbm", -150.0, -50.0, 1.0, "in dBm"),
    "servo_lag_s": SheetKey("vehicle", "servo_lag_s", 0.0, 1.0, 1.0, "in seconds, to get two thirds of a small way"),
    "servo_dead_time_s": SheetKey("vehicle", "servo_dead_time_s", 0.0, 0.5, 1.0, "in seconds, until a servo begins to move"),
    "servo_rate_rad_s": SheetKey("vehicle", "servo_rate_deg_s", 1.0, 1e4, DEGREE, "in deg/s, the fastest a fin turns"),
    "servo_dead_time_most_s": SheetKey("vehicle", "servo_dead_time_most_s", 0.0, 0.5, 1.0, "in seconds, at most"),
    "servo_lag_most_s": SheetKey("vehicle", "servo_lag_most_s", 0.001, 2.0, 1.0, "in seconds, at most"),
    "servo_rate_least_rad_s": SheetKey(
        "vehicle", "servo_rate_least_deg_s", 1.0, 5000.0, DEGREE, "in degrees per second, at least"
    ),
    "servo_backlash_rad": SheetKey("vehicle", "servo_backlash_deg", 0.0, 10.0, DEGREE, "in degrees at the fin, at most"),
    "servo_least_v": SheetKey("vehicle", "servo_least_v", 1.0, 60.0, 1.0, "in volts, the least at which the servos work"),
    "wind_m_s": SheetKey("site", "wind_m_s", 0.0, 40.0, 1.0, "in m/s, as measured at the pad"),
    "wind_from_rad": SheetKey("site", "wind_from_deg", 0.0, 360.0, DEGREE, "where it blows from, clockwise from north"),
    "wind_height_m": SheetKey("site", "wind_height_m", 0.5, 50.0, 1.0, "where it was measured, in meters over the ground"),
    "rail_lean_rad": SheetKey("site", "rail_lean_deg", 0.0, 45.0, DEGREE, "of the rail from vertical, in degrees"),
    "rail_azimuth_rad": SheetKey(
        "site", "rail_azimuth_deg", 0.0, 360.0, DEGREE, "whereto the rail leans, from north clockwise"
    ),
    "gate_altitude_m": SheetKey(
        "vehicle", "gate_altitude_m", 0.0, 20_000.0, 1.0, "in meters, where the fins begin to steer"
    ),
    "gate_speed_m_s": SheetKey("vehicle", "gate_speed_m_s", 0.0, 1000.0, 1.0, "in m/s, the least at which the fins steer"),
    "latitude_deg": SheetKey("site", "lat_deg", -90.0, 90.0, 1.0, "in degrees, north positive"),
    "longitude_deg": SheetKey("site", "lon_deg", -180.0, 180.0, 1.0, "in degrees, east positive"),
    "elevation_m": SheetKey("site", "elevation_m", -500.0, 6000.0, 1.0, "in meters above the sea"),
}
UNITS = ("a", "b")
FASTEST_MACH, LEAST_DRAG, MOST_DRAG, POINTS_AT_MOST = 10.0, 0.05, 5.0, 200
FINS_AT_MOST = 8
PLACES_WORDS = "the angle of each fin around the body in degrees from +x toward +y, for example [0, 90, 180, 270]"
CURVE_WORDS = (
    "two or more pairs of Mach number and drag coefficient by the cross section of diameter_m, Mach numbers ascending, "
    "for example [[0.0, 0.5], [0.8, 0.5], [1.05, 0.9], [2.0, 0.65]]"
)


def _curve_of(value: object) -> tuple[tuple[float, float], ...] | None:
    """Return a sheet's pairs of Mach number and drag coefficient, None where they are none."""
    if not isinstance(value, list) or not 2 <= len(value) <= POINTS_AT_MOST:
        return None
    points: list[tuple[float, float]] = []
    for pair in value:
        if not isinstance(pair, list) or len(pair) != 2:
            return None
        mach, drag = pair
        for one, low, high in ((mach, 0.0, FASTEST_MACH), (drag, LEAST_DRAG, MOST_DRAG)):
            if isinstance(one, bool) or not isinstance(one, int | float) or not low <= one <= high:
                return None
        if points and not mach > points[-1][0]:
            return None
        points.append((float(mach), float(drag)))
    return tuple(points)


def _places_of(value: object) -> tuple[float, ...] | None:
    """Return a sheet's angles of the fins around the body, None where they are none."""
    if not isinstance(value, list) or not 1 <= len(value) <= FINS_AT_MOST:
        return None
    numbers = [one for one in value if not isinstance(one, bool) and isinstance(one, int | float) and abs(one) <= 360.0]
    return tuple(float(one) for one in numbers) if len(numbers) == len(value) else None


def sheet_numbers_of(vehicle: Mapping[str, object], site: Mapping[str, object]) -> SheetNumbers:
    """Return what two sheets tell, in SI units; a value of the wrong kind or out of range counts as not told."""
    sheets = {"vehicle": vehicle, "site": site}
    told: dict[str, float] = {}
    for name, number in NUMBERS.items():
        value = sheets[number.sheet].get(number.key)
        if isinstance(value, int | float) and problem_of(number, value) is None:
            told[name] = float(value) * number.scale
    unit, configuration = vehicle.get("navigation_unit"), _configuration_of(vehicle)
    return SheetNumbers(
        **told,
        navigation_unit=unit if isinstance(unit, str) and unit in UNITS else None,
        drag_by_mach=_curve_of(vehicle.get("drag_by_mach")),
        configuration=configuration,
        fin_places_deg=_places_of(vehicle.get("fin_places_deg")),
        tail_fins=_tail_fins_of(configuration),
    )


def _configuration_of(vehicle: Mapping[str, object]) -> Configuration | None:
    """Return what it is built of; one that cannot be used is told where the sheet is read, and counts as not told."""
    try:
        return configuration_of(vehicle)
    except ConfigurationProblem:
        return None


def _tail_fins_of(configuration: Configuration | None) -> FinSet | None:
    """Return the rearmost set of fins of a configuration; None without one."""
    sets = () if configuration is None else configuration.fin_sets
    return max((one.shape for one in sets), key=lambda one: one.root_leading_edge_m, default=None)


def problem_of(number: SheetKey, value: object) -> str | None:
    """Return what is wrong with a sheet's value in half a sentence, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
        return f"gives {number.key} = {value!r}, which is no number; it is {number.example}"
    if not number.low <= value <= number.high:
        return f"gives {number.key} = {str(value)[:24]}; it is {number.example} ({number.low:g} to {number.high:g})"
    return None


def problems(vehicle: Mapping[str, object], site: Mapping[str, object]) -> list[str]:
    """Return every problem of two sheets, each as half a sentence."""
    sheets = {"vehicle": vehicle, "site": site}
    found = []
    for number in NUMBERS.values():
        if number.key in sheets[number.sheet]:
            problem = problem_of(number, sheets[number.sheet][number.key])
            found += [problem] if problem else []
    unit = vehicle.get("navigation_unit")
    if unit is not None and unit not in UNITS:
        found.append(f'gives navigation_unit = {unit!r}; it is "a" or "b", the unit the vehicle navigates by')
    curve = vehicle.get("drag_by_mach")
    if curve is not None and _curve_of(curve) is None:
        found.append(f"gives drag_by_mach = {str(curve)[:24]}; it is {CURVE_WORDS}")
    places = vehicle.get("fin_places_deg")
    if places is not None and _places_of(places) is None:
        found.append(f"gives fin_places_deg = {str(places)[:24]}; it is {PLACES_WORDS}")
    return found


NOTHING_TOLD = SheetNumbers()
ELSE = {"navigation_unit", "drag_by_mach", "configuration", "fin_places_deg", "tail_fins"}
assert set(NUMBERS) | ELSE == {one.name for one in fields(SheetNumbers)}
