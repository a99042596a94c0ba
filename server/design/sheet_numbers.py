"""The numbers of the vehicle's and the site's sheet that computations use, each with the range in which it is believed.

A sheet may leave out any of them; what needs a missing one says so instead of guessing. README lists the keys.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

COULOMB_PER_MAH = 3.6


@dataclass(frozen=True)
class SheetNumbers:
    """What the sheets tell, in SI units; None where they are silent."""

    pad_temperature_k: float | None = None
    rail_length_m: float | None = None
    diameter_m: float | None = None
    length_m: float | None = None
    body_lift: float | None = None
    burnout_mass_kg: float | None = None
    center_of_gravity_m: float | None = None
    center_of_pressure_m: float | None = None
    normal_force_slope: float | None = None
    lateral_inertia_kg_m2: float | None = None
    roll_authority_per_pa_rad: float | None = None
    descent_both_m_s: float | None = None
    descent_one_m_s: float | None = None
    battery_capacity_c: float | None = None
    battery_reserve_c: float | None = None
    battery_cells: float | None = None
    pad_minutes: float | None = None
    camera_current_a: float | None = None
    sensitivity_dbm: float | None = None
    wind_m_s: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None
    navigation_unit: str | None = None
    drag_by_mach: tuple[tuple[float, float], ...] | None = None


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
    "burnout_mass_kg": SheetKey("vehicle", "burnout_mass_kg", 0.02, 200.0, 1.0, "in kilograms"),
    "center_of_gravity_m": SheetKey("vehicle", "center_of_gravity_m", 0.0, 10.0, 1.0, "in meters from the nose tip"),
    "center_of_pressure_m": SheetKey("vehicle", "center_of_pressure_m", 0.0, 10.0, 1.0, "in meters from the nose tip"),
    "normal_force_slope": SheetKey("vehicle", "normal_force_slope", 1.0, 60.0, 1.0, "per radian, about 5 to 15"),
    "lateral_inertia_kg_m2": SheetKey("vehicle", "lateral_inertia_kg_m2", 1e-5, 1e3, 1.0, "in kg m2"),
    "roll_authority_per_pa_rad": SheetKey(
        "vehicle", "roll_authority_per_pa_rad", 1e-4, 100.0, 1.0, "roll acceleration per dynamic pressure and fin angle"
    ),
    "descent_both_m_s": SheetKey("vehicle", "descent_both_m_s", 0.5, 50.0, 1.0, "in m/s"),
    "descent_one_m_s": SheetKey("vehicle", "descent_one_m_s", 0.5, 80.0, 1.0, "in m/s"),
    "battery_capacity_c": SheetKey("vehicle", "battery_capacity_mah", 10.0, 1e5, COULOMB_PER_MAH, "in mAh"),
    "battery_reserve_c": SheetKey("vehicle", "flight_reserve_mah", 0.0, 1e5, COULOMB_PER_MAH, "in mAh"),
    "battery_cells": SheetKey("vehicle", "battery_cells", 1.0, 24.0, 1.0, "cells in series"),
    "pad_minutes": SheetKey("vehicle", "pad_minutes", 1.0, 1000.0, 1.0, "minutes the vehicle must be able to wait"),
    "camera_current_a": SheetKey("vehicle", "camera_current_ma", 1.0, 1e4, 1e-3, "in mA, of one camera"),
    "sensitivity_dbm": SheetKey("vehicle", "sensitivity_dbm", -150.0, -50.0, 1.0, "in dBm"),
    "wind_m_s": SheetKey("site", "wind_m_s", 0.0, 40.0, 1.0, "in m/s, as measured at the pad"),
    "latitude_deg": SheetKey("site", "lat_deg", -90.0, 90.0, 1.0, "in degrees, north positive"),
    "longitude_deg": SheetKey("site", "lon_deg", -180.0, 180.0, 1.0, "in degrees, east positive"),
    "elevation_m": SheetKey("site", "elevation_m", -500.0, 6000.0, 1.0, "in meters above the sea"),
}
UNITS = ("a", "b")
FASTEST_MACH, LEAST_DRAG, MOST_DRAG, POINTS_AT_MOST = 10.0, 0.05, 5.0, 200
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


def sheet_numbers_of(vehicle: Mapping[str, object], site: Mapping[str, object]) -> SheetNumbers:
    """Return what two sheets tell, in SI units; a value of the wrong kind or out of range counts as not told."""
    sheets = {"vehicle": vehicle, "site": site}
    told: dict[str, float] = {}
    for name, number in NUMBERS.items():
        value = sheets[number.sheet].get(number.key)
        if isinstance(value, int | float) and problem_of(number, value) is None:
            told[name] = float(value) * number.scale
    unit = vehicle.get("navigation_unit")
    return SheetNumbers(
        **told,
        navigation_unit=unit if isinstance(unit, str) and unit in UNITS else None,
        drag_by_mach=_curve_of(vehicle.get("drag_by_mach")),
    )


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
    return found


NOTHING_TOLD = SheetNumbers()
assert set(NUMBERS) | {"navigation_unit", "drag_by_mach"} == {field.name for field in fields(SheetNumbers)}
