"""`blockhouse disperse`: where and how the next flight may go, by many flights drawn within the doubt of every number."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from dataclasses import replace
from math import degrees
from pathlib import Path

from server.cli.paper import GAP, TITLE, Block, Table, Words, show
from server.cli.plan import sheets_of
from server.cli.shared import add_units, make_progress, units_of, whole_number
from server.design.dispersion import (
    CAUTION,
    FEWEST_FLIGHTS,
    FLIGHTS,
    MOST_FLIGHTS,
    BandNumbers,
    CaseNumbers,
    Dispersion,
    Span,
    band_words,
    dispersion,
    share_words,
)
from server.design.dispersion_basis import Day, Sheet
from server.design.sheet_files import load_sheets
from server.design.sounding import COLUMNS, sounding_of
from server.flight.units import DEGREE, METRIC, Units, number, with_signs
from server.json_text import finite
from server.problems import SettingsProblem

_PLACES = ("low", "middle", "high")
_SEEDS = 2**31 - 1
_ROWS: tuple[tuple[str, str, str, int], ...] = (
    ("apogee_m", "apogee", "m", 0),
    ("apogee_s", "apogee after ignition", "s", 1),
    ("rail_exit_speed_m_s", "speed at the rail's end", "m/s", 1),
    ("angle_of_attack_rad", "angle of attack there", "rad", 1),
    ("lean_rad", "greatest lean in the first 2.5 s", "rad", 0),
    ("greatest_speed_m_s", "greatest speed", "m/s", 0),
)


def add_disperse(built: argparse.ArgumentParser) -> None:
    """Fill in `disperse`."""
    built.epilog = CAUTION
    built.add_argument(
        "file", type=Path, nargs="?", metavar="SESSION",
        help="the last flight, whose drag is used, or only a sheet (default: the demonstration's sheet)",
    )  # fmt: skip
    built.add_argument("--sheet", type=Path, metavar="FILE", help="a sheet to use in place of the one the session keeps")
    built.add_argument("--wind", type=Path, metavar="CSV", help=f"wind by height: {','.join(COLUMNS)} over the pad")
    built.add_argument(
        "--wind-of-flight", action="store_true", help="the wind that the session drifted in when it came down"
    )
    built.add_argument(
        "--flights", type=whole_number(FEWEST_FLIGHTS, MOST_FLIGHTS), default=FLIGHTS, metavar="N",
        help=f"so many drawn flights (default: {FLIGHTS})",
    )  # fmt: skip
    built.add_argument("--seed", type=whole_number(0, _SEEDS), default=1, metavar="N", help="draws the same flights again")
    built.add_argument("--json", action="store_true", help="for scripts")
    add_units(built)
    built.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    units = units_of(options)
    if options.wind is not None and options.wind_of_flight:
        raise SettingsProblem("--wind and --wind-of-flight are two winds; give one of them.")
    sounding = None if options.wind is None else sounding_of(options.wind.read_text("utf-8", "replace"))
    vehicle, site, day = _known(options.file, options.sheet)
    day = replace(day, sounding=sounding, by_flight=options.wind_of_flight)
    progress = make_progress()
    count = options.flights
    told = dispersion(
        vehicle, site, day, count, options.seed, lambda done: progress(f"{done} of {count} flights" if done < count else "")
    )
    if options.json:
        print(json.dumps(finite(told), indent=2))
    else:
        show(dispersion_blocks(told, units))
    return 0


def _known(file: Path | None, sheet: Path | None) -> tuple[Sheet, Sheet, Day]:
    """Return the sheets and what a session adds to them; of neither the demonstration's sheet."""
    if file is None and sheet is None:
        sheets = load_sheets(None, True)
        return sheets.vehicle, sheets.site, Day()
    if file is None and sheet is not None:
        file, sheet = sheet, None
    assert file is not None
    vehicle, site, figures, wind = sheets_of(file, sheet)
    return vehicle, site, Day(figures, wind)


def dispersion_blocks(told: Dispersion, units: Units = METRIC) -> Iterator[Block]:
    """Yield what is printed of many flights: sentences, numbers, landings, where all of it comes from."""
    yield Words(
        f"{told['vehicle']}: {told['flights']} flights drawn within the doubt of every number, seed {told['seed']}", TITLE
    )
    yield from (Words(units.said(with_signs(text))) for text in told["said"])
    yield GAP
    yield Words(told["caution"], TITLE)
    yield GAP
    rows = [
        [title, *(_cell(span, which, unit, digits, units) for which in _PLACES)]
        for key, title, unit, digits in _ROWS
        if (span := told["numbers"][key]) is not None
    ]
    control = told["control"]
    if control is not None and control["seconds"] is not None:
        rows.append(["under control", *(_cell(control["seconds"], which, "s", 1, units) for which in _PLACES)])
    if rows:
        yield Table(rows, ("", "95 % from", "middle", "to"), frozenset({1, 2, 3}))
        yield GAP
        yield Words("Where it comes down, 95 % each", TITLE)
        landings = [_landing(case, case["band"], units) for case in told["cases"] if case["band"] is not None]
        yield Table(landings, ("", "", "area", "outside the field"), frozenset({2, 3}), indent=2)
    for text in told["lacks"]:
        yield Words(text)
    yield GAP
    yield Words("Where the numbers come from", TITLE)
    for name, source in told["sources"].items():
        yield Words(units.said(source), label=name, label_width=12, indent=2)
    yield GAP
    yield Words("One sigma of each, by the sheet's doubt tables or else as usual (common practice, no source)", TITLE)
    yield Words("; ".join(f"{name} {with_signs(amount)}" for name, amount in told["doubts"].items()))


def _landing(case: CaseNumbers, found: BandNumbers, units: Units) -> list[str]:
    outside = "-" if case["outside"] is None else share_words(case["outside"]).replace(" of them", "")
    where = units.said(with_signs(band_words(found)))
    return [case["title"], where, number(found["area_m2"] / 1e4, 1) + " ha", outside]


def _cell(span: Span, which: str, unit: str, digits: int, units: Units) -> str:
    value: float = span[which]  # type: ignore[literal-required]
    if unit == "m":
        return units.meters(value, digits)
    if unit == "m/s":
        return units.meters_per_s(value, digits)
    return number(degrees(value), digits) + DEGREE if unit == "rad" else f"{number(value, digits)} {unit}"
