"""`blockhouse configuration` and `blockhouse next`: what follows from a sheet, before it is flown and after."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from math import degrees
from pathlib import Path

from server.design.flight_basis import CHANGES, change_of
from server.design.foreseen_flight import FinSizes
from server.design.next_flight import ConfigurationNumbers, NextFlight, configured, next_flight
from server.design.pad_wind import PadWind
from server.design.sheet_files import load_sheets
from server.flight.airframe.thrust_curve import curve_of_csv
from server.json_text import finite
from server.problems import Problem
from server.review.review import final_figures, measured_wind, open_review

Sheet = Mapping[str, object]
SHEET_ENDING = ".toml"
CAUTION = "A forecast is no permission: the range safety officer decides, and the vehicle has not read it."


class ChangeProblem(Problem):
    """A change that cannot be meant; the text is one sentence."""


_OPTIONS = {
    "mass_g": "so many grams more; negative: lighter",
    "station_m": "where that mass is, from the nose tip (default: at the center of gravity)",
    "propellant_g": "propellant of the other motor (default: as much per N s as the sheet's)",
    "wind_m_s": "today's wind at the pad",
    "rail_m": "another rail",
    "lean_deg": "the rail's lean into the wind",
}


def add_configuration(built: argparse.ArgumentParser) -> None:
    """Fill in `configuration`."""
    built.add_argument("file", type=Path, metavar="SHEET", help="a vehicle's sheet (TOML), or a session that keeps one")
    built.add_argument("--json", action="store_true", help="for scripts")
    built.set_defaults(run=_configuration)


def add_next(after: argparse.ArgumentParser) -> None:
    """Fill in `next`."""
    after.epilog = CAUTION
    after.add_argument("file", type=Path, metavar="SESSION", help="the last flight, whose drag is used, or only a sheet")
    after.add_argument("--sheet", type=Path, metavar="FILE", help="a sheet to use in place of the one the session keeps")
    for name, text in _OPTIONS.items():
        after.add_argument(f"--{name.replace('_', '-')}", type=float, metavar="X", help=text)
    after.add_argument("--motor", type=Path, metavar="CSV", help="another motor: a time in s and a thrust in N on each line")
    after.add_argument("--keep-margin", action="store_true", help="with fins of the size that keeps the static margin")
    after.add_argument("--json", action="store_true", help="for scripts")
    after.set_defaults(run=_next)


def _sheets_of(file: Path, sheet: Path | None = None) -> tuple[Sheet, Sheet, Mapping[str, Sheet], PadWind | None]:
    """Return vehicle, site, figures, and the wind measured at the pad; another sheet is another day's."""
    if file.suffix.lower() == SHEET_ENDING:
        sheet, figures = file, {}
    else:
        review = open_review(file)
        figures = final_figures(review)
    if sheet is not None:
        sheets = load_sheets(sheet, False)
        return sheets.vehicle, sheets.site, figures, None
    return *review.session.header.sheets, figures, measured_wind(review)


def _configuration(options: argparse.Namespace) -> int:
    vehicle, site, _, _ = _sheets_of(options.file)
    told = configured(vehicle, site)
    print(json.dumps(finite(told), indent=2) if options.json else configuration_text(told))
    return 0


def _next(options: argparse.Namespace) -> int:
    numbers = {name: value for name in CHANGES if (value := getattr(options, name)) is not None}
    for name, value in numbers.items():
        low, high = CHANGES[name]
        if not low <= value <= high:
            raise ChangeProblem(f"--{name.replace('_', '-')} is a number from {low:g} to {high:g}.")
    curve = None if options.motor is None else curve_of_csv(options.motor.read_text("utf-8", "replace"))
    vehicle, site, figures, wind = _sheets_of(options.file, options.sheet)
    told = next_flight(vehicle, site, figures, change_of(numbers, curve, options.keep_margin), wind)
    print(json.dumps(finite(told), indent=2) if options.json else next_text(told))
    return 0


def configuration_text(told: ConfigurationNumbers) -> str:
    """Return a configuration as lines for a terminal."""
    center, slope = told["center_of_pressure_m"], told["normal_force_slope"]
    lines = [f"center of pressure   {center:.3f} m from the nose tip, slope {slope:.2f} per rad"]
    lines += [f"    {part['name']}: slope {part['slope']:.2f} at {part['station_m']:.3f} m" for part in told["parts"]]
    for state, title in ((told["liftoff"], "at lift-off"), (told["burnout"], "at burnout")):
        lines.append(
            f"{title:20} {state['mass_kg']:.3f} kg, center of gravity {state['center_of_gravity_m']:.3f} m, "
            f"margin {state['margin_calibers']:.2f} calibers, pitch inertia {state['lateral_inertia_kg_m2']:.4f} kg m2"
        )
    lines.append(f"the margin is {told['margin_words']} (common practice)")
    for row in told["frequencies"]:
        hertz = f"{row['liftoff_hz']:.2f} Hz at lift-off, {row['burnout_hz']:.2f} Hz at burnout"
        lines.append(f"swing at {row['speed_m_s']:3.0f} m/s    {hertz}")
    for one in told["against_sheet"]:
        lines.append(f"the sheet says {one['key']} = {one['sheet']:g}, its pieces add up to {one['computed']:.4g}")
    return "\n".join(lines)


_LINES = (
    ("mass_kg", "mass at lift-off, kg", 3, 1.0),
    ("motor", "motor", None, 1.0),
    ("wind_m_s", "wind, m/s", 1, 1.0),
    ("thrust_to_weight", "thrust to weight", 1, 1.0),
    ("rail_exit_speed_m_s", "rail exit, m/s", 1, 1.0),
    ("angle_of_attack_rad", "angle of attack there, deg", 1, degrees(1.0)),
    ("greatest_speed_m_s", "greatest speed, m/s", 1, 1.0),
    ("apogee_m", "apogee, m", 0, 1.0),
    ("apogee_s", "apogee, s after ignition", 1, 1.0),
    ("margin_calibers", "static margin, calibers", 2, 1.0),
    ("swing_hz", "swing at greatest speed, Hz", 2, 1.0),
)
_MEASURED = {"apogee_m": "apogee, m", "rail_exit_speed_m_s": "rail exit, m/s"}


def next_text(told: NextFlight) -> str:
    """Return a forecast as lines for a terminal."""
    columns = [("as it is", told["as_it_is"]), *([("changed", told["changed"])] if "changed" in told else [])]
    lines = [f"{'':30}" + "".join(f"{title:>12}" for title, _ in columns)]
    for key, title, digits, scale in _LINES:
        values = [flight.get(key) for _, flight in columns]
        if any(value is not None for value in values):
            lines.append(f"{title:30}" + "".join(f"{_cell(value, digits, scale):>12}" for value in values))
    for fin in columns[-1][1].get("fins", []):
        lines.append(f"{fin['name']}, mm: {', '.join(f'{title} {1000 * size_m:.1f}' for title, size_m in _sizes(fin))}")
    for row in told["limits"]:
        word, unit = "met    " if row["met"] else "NOT MET", f" {row['unit']}" if row["unit"] else ""
        lines.append(f"{word} {row['name']} {row['value']:.1f}{unit}; rule of thumb: {row['asked']}")
    if told["flown"]:
        measured = ", ".join(f"{_MEASURED[name]} {value:.1f}" for name, value in told["flown"].items())
        lines.append(f"the recorded flight itself, measured: {measured}")
    lines += [f"{name}: {source}" for name, source in told["sources"].items()]
    return "\n".join([*lines, CAUTION])


def _sizes(fin: FinSizes) -> list[tuple[str, float]]:
    return [("root", fin["root_m"]), ("tip", fin["tip_m"]), ("span", fin["span_m"]), ("sweep", fin["sweep_m"])]


def _cell(value: object, digits: int | None, scale: float) -> str:
    if value is None:
        return "-"
    return f"{value * scale:.{digits}f}" if digits is not None and isinstance(value, int | float) else str(value)
