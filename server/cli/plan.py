"""`blockhouse configuration` and `blockhouse next`: what follows from a sheet, before it is flown and after."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator, Mapping
from math import degrees
from pathlib import Path

from server.cli.paper import GAP, LOOK, TITLE, Block, Table, Words, show
from server.cli.shared import add_units, units_of
from server.design.configuration import AirframeState
from server.design.flight_basis import CHANGES, change_of
from server.design.foreseen_flight import FinSizes
from server.design.next_flight import ConfigurationNumbers, NextFlight, configured, next_flight
from server.design.pad_wind import PadWind
from server.design.sheet_files import load_sheets
from server.flight.airframe.thrust_curve import curve_of_csv
from server.flight.units import DEGREE, METRIC, Units, number
from server.json_text import finite
from server.problems import Problem
from server.review.review import final_figures, measured_wind, open_review, refuse_rehearsals
from server.review.sheet_words import key_in_words, value_in_words

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
    add_units(built)
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
    add_units(after)
    after.set_defaults(run=_next)


def _sheets_of(file: Path, sheet: Path | None = None) -> tuple[Sheet, Sheet, Mapping[str, Sheet], PadWind | None]:
    """Return vehicle, site, figures, and the wind measured at the pad; another sheet is another day's."""
    if file.suffix.lower() == SHEET_ENDING:
        sheet, figures = file, {}
    else:
        review = open_review(file)
        refuse_rehearsals([review])
        figures = final_figures(review)
    if sheet is not None:
        sheets = load_sheets(sheet, False)
        return sheets.vehicle, sheets.site, figures, None
    return *review.session.header.sheets, figures, measured_wind(review)


def _configuration(options: argparse.Namespace) -> int:
    units = units_of(options)
    vehicle, site, _, _ = _sheets_of(options.file)
    told = configured(vehicle, site)
    if options.json:
        print(json.dumps(finite(told), indent=2))
    else:
        show(configuration_blocks(told, units))
    return 0


def _next(options: argparse.Namespace) -> int:
    units = units_of(options)
    numbers = {name: value for name in CHANGES if (value := getattr(options, name)) is not None}
    for name, value in numbers.items():
        low, high = CHANGES[name]
        if not low <= value <= high:
            raise ChangeProblem(f"--{name.replace('_', '-')} is a number from {low:g} to {high:g}.")
    curve = None if options.motor is None else curve_of_csv(options.motor.read_text("utf-8", "replace"))
    vehicle, site, figures, wind = _sheets_of(options.file, options.sheet)
    told = next_flight(vehicle, site, figures, change_of(numbers, curve, options.keep_margin), wind)
    if options.json:
        print(json.dumps(finite(told), indent=2))
    else:
        show(next_blocks(told, units))
    return 0


def configuration_blocks(told: ConfigurationNumbers, units: Units = METRIC) -> Iterator[Block]:
    """Yield what is printed of a configuration."""
    yield Words(f"The margin is {told['margin_words']} (common practice).", TITLE)
    yield GAP
    states = [("lift-off", told["liftoff"]), ("burned out", told["burnout"])]
    yield Table(
        [[title, *(number(pick(state) * scale, digits) for _, state in states)] for title, pick, digits, scale in _STATES],
        ("", *(title for title, _ in states)),
        frozenset({1, 2}),
    )
    yield GAP
    yield Words(f"Center of pressure {told['center_of_pressure_m']:.3f} m from the nose tip", TITLE)
    parts = [[part["name"], f"{part['slope']:.2f} per rad", f"at {part['station_m']:.3f} m"] for part in told["parts"]]
    parts.append(["together", f"{told['normal_force_slope']:.2f} per rad", f"at {told['center_of_pressure_m']:.3f} m"])
    yield Table(parts, ("", "normal force slope", ""), frozenset({1}), indent=2)
    yield GAP
    yield Words("Swing of the nose, Hz", TITLE)
    yield Table(
        [[units.meters_per_s(row["speed_m_s"], 0), f"{row['liftoff_hz']:.2f}", f"{row['burnout_hz']:.2f}"]
         for row in told["frequencies"]],
        ("at", "lift-off", "burned out"),
        frozenset({0, 1, 2}),
        indent=2,
    )  # fmt: skip
    if told["against_sheet"]:
        yield GAP
        yield Words("The sheet's own numbers", TITLE)
        rows = [
            [key_in_words(one["key"]), value_in_words(one["key"], one["sheet"]),
             value_in_words(one["key"], float(f"{one['computed']:.4g}"))]
            for one in told["against_sheet"]
        ]  # fmt: skip
        yield Table(rows, ("", "sheet", "by its pieces"), frozenset({1, 2}), indent=2)


_STATES: tuple[tuple[str, Callable[[AirframeState], float], int, float], ...] = (
    ("mass, kg", lambda state: state["mass_kg"], 3, 1.0),
    ("center of gravity, m from the nose tip", lambda state: state["center_of_gravity_m"], 3, 1.0),
    ("margin, calibers", lambda state: state["margin_calibers"], 2, 1.0),
    ("pitch inertia, kg m\u00b2", lambda state: state["lateral_inertia_kg_m2"], 4, 1.0),
)
_LINES = (
    ("mass_kg", "mass at lift-off", "kg", 3),
    ("motor", "motor", "", None),
    ("wind_m_s", "wind", "m/s", 1),
    ("thrust_to_weight", "thrust to weight", "", 1),
    ("rail_exit_speed_m_s", "speed at the rail's end", "m/s", 1),
    ("angle_of_attack_rad", "angle of attack there", "rad", 1),
    ("greatest_speed_m_s", "greatest speed", "m/s", 1),
    ("apogee_m", "apogee", "m", 0),
    ("apogee_s", "apogee after ignition", "s", 1),
    ("margin_calibers", "static margin", "calibers", 2),
    ("swing_hz", "swing at greatest speed", "Hz", 2),
)


def next_blocks(told: NextFlight, units: Units = METRIC) -> Iterator[Block]:
    """Yield what is printed of a forecast."""
    columns: list[tuple[str, Mapping[str, object]]] = [("as it is", told["as_it_is"])]
    if "changed" in told:
        columns.append(("changed", told["changed"]))
    rows = []
    for key, title, unit, digits in _LINES:
        values = [flight.get(key) for _, flight in columns]
        if any(value is not None for value in values):
            rows.append([title, *(_cell(value, unit, digits, units) for value in values)])
    yield Table(rows, ("", *(title for title, _ in columns)), frozenset(range(1, 1 + len(columns))))
    fins = (told["changed"] if "changed" in told else told["as_it_is"]).get("fins", [])
    for fin in fins:
        yield Words(f"{fin['name']}: {', '.join(f'{title} {1000 * size_m:.1f} mm' for title, size_m in _sizes(fin))}")
    yield GAP
    yield Words("Rules of thumb", TITLE)
    limits = [
        ["met" if row["met"] else "NOT MET", row["name"], _cell(row["value"], row["unit"], 1, units),
         units.said(_asked(row["asked"], row["unit"]))]
        for row in told["limits"]
    ]  # fmt: skip
    missed = {place: LOOK for place, row in enumerate(told["limits"]) if not row["met"]}
    yield Table(limits, ("", "", "is", "asked"), frozenset({2}), missed, 2)
    if told["flown"]:
        flown = ", ".join(
            f"{_MEASURED[name][0]} {_cell(value, _MEASURED[name][1], 1, units)}" for name, value in told["flown"].items()
        )
        yield GAP
        yield Words(f"The recorded flight itself, measured: {flown}.")
    yield GAP
    yield Words("Where the numbers come from", TITLE)
    for name, source in told["sources"].items():
        yield Words(units.said(_source_words(source)), label=name, label_width=12, indent=2)
    yield GAP
    yield Words(CAUTION)


_MEASURED = {"apogee_m": ("apogee", "m"), "rail_exit_speed_m_s": ("speed at the rail's end", "m/s")}


def _asked(text: str, unit: str) -> str:
    """Return a rule's bound with the unit of its value after the number it begins with."""
    if unit == "deg":
        return text + DEGREE
    return text if unit != "m/s" else text.replace("at least 15", "at least 15 m/s").replace("under 15", "under 15 m/s")


def _source_words(text: str) -> str:
    """Return where a number comes from, a sheet's key in it as words."""
    return " ".join(key_in_words(word) if "_" in word else word for word in text.split(" "))


def _sizes(fin: FinSizes) -> list[tuple[str, float]]:
    return [("root", fin["root_m"]), ("tip", fin["tip_m"]), ("span", fin["span_m"]), ("sweep", fin["sweep_m"])]


def _cell(value: object, unit: str, digits: int | None, units: Units) -> str:
    if value is None:
        return "-"
    if digits is None or not isinstance(value, int | float):
        return str(value)
    if unit == "m":
        return units.meters(value, digits)
    if unit == "m/s":
        return units.meters_per_s(value, digits)
    if unit in ("rad", "deg"):
        return number(degrees(value) if unit == "rad" else value, digits) + DEGREE
    return f"{number(value, digits)} {unit}".rstrip()
