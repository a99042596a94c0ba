"""`blockhouse calibrate`: a unit of the vehicle calibrated at the bench step by step, or from a recording."""

from __future__ import annotations

import argparse
import time
import tomllib
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime
from math import radians
from pathlib import Path

import serial

from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from server.bridge.ports import explain, is_url_understood, open_port
from server.calibrating.guide import CAUTION, KINDS, Options, Standing, calibrated
from server.calibrating.place import at_place
from server.calibrating.result_files import Table as FileTable
from server.calibrating.result_files import check_serial, header_text, table_of, toml_text
from server.calibrating.signals import step_of
from server.cli.check import SerialPort
from server.cli.paper import ACT, TITLE, Block, Table, Words, show
from server.cli.shared import number, say
from server.design.sheet_files import load_sheets
from server.design.sheet_numbers import sheet_numbers_of
from server.flight.calibration.estimate import Calibration, UncalibratedFault
from server.problems import Problem
from server.review.review import open_review
from server.timestamps import NS_PER_S
from server.workbench.calibration_bench import SERIAL_ROLE, CalibrationBench, collector_of

TOML_NAME, HEADER_NAME = "calibration.toml", "calibration.h"


class CalibrateProblem(Problem):
    """A calibration cannot be made; the text is one plain sentence."""


def add_calibrate(parser: argparse.ArgumentParser) -> None:
    """Fill in `calibrate`."""
    parser.description = CAUTION
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--port", metavar="URL", help="device, socket://host:port or rfc2217://host:port")
    source.add_argument("--session", type=Path, metavar="FILE", help="a recording in which it lay still, or was turned")
    listed = "; ".join(f"{name}: {kind.title}" for name, kind in KINDS.items())
    parser.add_argument("--what", required=True, choices=list(KINDS), help=listed)
    parser.add_argument("--unit", choices=["a", "b"], default="a", help="inertial unit (default: a)")
    parser.add_argument("--serial", metavar="TEXT", help="serial of the unit (default: what the vehicle tells)")
    parser.add_argument("--out", required=True, type=Path, metavar="DIR", help=f"folder of {TOML_NAME} and {HEADER_NAME}")
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.add_argument("--baud", type=int, metavar="N", help="speed of the port (default: the dictionary's)")
    parser.add_argument("--sheet", type=Path, metavar="FILE", help="vehicle and site sheet, for gravity and temperature")
    parser.add_argument("--gravity", type=number(9.7, 9.9), metavar="M/S2", help="gravity where it is done, where known")
    parser.add_argument("--placed", type=number(0.05, 10.0), default=1.0, metavar="DEG",
                        help="how exactly a side is laid flat, one sigma (default: 1)")  # fmt: skip
    parser.add_argument("--stop", type=number(0.02, 5.0), default=0.5, metavar="DEG",
                        help="how exactly a turn comes back to its stop, one sigma (default: 0.5)")  # fmt: skip
    parser.add_argument("--seconds", type=number(20.0, 86400.0), metavar="S", help="how long it must lie still")
    parser.add_argument("--heights", metavar="M,M,...", help="heights of the stairs in the order of going, back down too")
    parser.add_argument("--temperature", type=number(230.0, 330.0), metavar="K", help="temperature of the air, in kelvin")
    parser.add_argument(
        "--reference", type=number(3e4, 1.1e5), metavar="PA", help="pressure at height zero by another barometer"
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Calibrate, print and write."""
    try:
        if options.serial is not None:
            check_serial(options.serial)
        wanted = _wanted(options)
        show([Words(KINDS[wanted.what].title, TITLE), Words(f"CAUTION: {CAUTION}", ACT)])
        found, told_serial, day = _of_session(options, wanted) if options.session else _at_the_bench(options, wanted)
        unit_serial = _serial(options.serial, told_serial)
        written = _write(options.out, wanted.name, table_of(wanted, found, unit_serial, day))
    except UncalibratedFault as problem:
        text = str(problem)
        raise CalibrateProblem(f"{text[:1].upper()}{text[1:]}.") from problem
    show([*result_blocks(found), Words(f"Written: {', '.join(str(path) for path in written)}.")])
    return 0


def _serial(given: str | None, told: str) -> str:
    if given and told and given != told:
        raise CalibrateProblem(f"The vehicle says that its serial is {told[:40]}, and --serial says {given}.")
    if not given and not told:
        raise CalibrateProblem(
            "The vehicle tells no serial: say it with --serial, so that no other unit gets these numbers."
        )
    return check_serial(given or told)


def _wanted(options: argparse.Namespace) -> Options:
    wanted = Options(
        what=options.what,
        unit=options.unit,
        heights_m=_heights(options.heights),
        placed_sigma_rad=radians(options.placed),
        stop_sigma_rad=radians(options.stop),
        reference_pa=options.reference,
        seconds=options.seconds,
    )
    if wanted.what == "barometer" and not wanted.heights_m:
        raise CalibrateProblem("Say the heights of the stairs with --heights, for example --heights 0,3,6,9,6,3,0.")
    sheets = load_sheets(options.sheet, False)
    return at_place(wanted, sheet_numbers_of(sheets.vehicle, sheets.site), options.gravity, options.temperature)


def _heights(text: str | None) -> tuple[float, ...]:
    try:
        heights = tuple(float(part) for part in (text or "").split(",") if part.strip())
    except ValueError as error:
        raise CalibrateProblem(f"{text!r} is no list of heights in meters, such as 0,3,6,3,0.") from error
    if not all(-100.0 <= one <= 1000.0 for one in heights) or len(heights) > 40:
        raise CalibrateProblem("The heights must be at most 40 numbers between -100 and 1000 m.")
    return heights


def _with_count(wanted: Options, dictionary: Dictionary) -> Options:
    accel, gyro = (step_of(dictionary, f"{kind}.{wanted.unit}") for kind in ("accel", "gyro"))
    return replace(wanted, count_m_s2=accel, count_rad_s=gyro)


def _of_session(options: argparse.Namespace, wanted: Options) -> tuple[Calibration, str, date]:
    review = open_review(options.session)
    wanted = _with_count(wanted, review.dictionary)
    collector = collector_of(review.dictionary, wanted)
    collector.take(review.output.rows)
    header = review.session.header
    day = datetime.fromtimestamp(header.utc_of(header.origin_monotonic_ns) / NS_PER_S, UTC).date()
    return calibrated(wanted, collector.signals()), collector.told.get(SERIAL_ROLE, ""), day


def _at_the_bench(options: argparse.Namespace, wanted: Options) -> tuple[Calibration, str, date]:
    dictionary = load_dictionary(options.dictionary)
    problem = is_url_understood(options.port)
    if problem:
        raise CalibrateProblem(problem)
    wanted = _with_count(wanted, dictionary)
    collector_of(dictionary, wanted)
    try:
        port = open_port(options.port, options.baud or dictionary.modem_baud)
    except (OSError, ValueError) as error:
        raise CalibrateProblem(explain(options.port, error).sentence) from error
    with closing(port):
        bench = CalibrationBench(SerialPort(port), dictionary, wanted, time.monotonic, Teller())
        try:
            return bench.run(), bench.serial, datetime.now(UTC).date()
        except serial.SerialException as error:
            raise CalibrateProblem(explain(options.port, error).sentence) from error


class Teller:
    """Prints each step once: what was seen, and what to do when that changes."""

    def __init__(self) -> None:
        self._seen: list[str] = []
        self._do = ""

    def __call__(self, here: Standing) -> None:
        """Tell what is new."""
        for line in here.seen:
            step = line.split(":")[0] if ": still" in line or line.startswith("longest") else line  # what grows is one step
            if step not in self._seen:
                self._seen.append(step)
                say(f"  seen  {line}")
        if here.do != self._do:
            self._do = here.do
            say(f"{100 * here.share:4.0f} %  {here.do}")


def result_blocks(found: Calibration) -> Iterator[Block]:
    """Yield a calibration as it is printed: every number with its sigma."""
    rows = []
    for one in found.estimates:
        for place, value in enumerate(one.values.flat):
            name = one.name if one.values.size == 1 else f"{one.name} {_place(one.values.shape, place)}"
            rows.append((name, f"{value:.6g}", f"{one.sigma.flat[place]:.2g}", one.unit))
    yield Table(rows, ("", "value", "sigma", "unit"), frozenset({1, 2}), indent=2)
    yield from (Words(text, "", 2) for text in found.said)


def _place(shape: tuple[int, ...], place: int) -> str:
    return "xyz"[place] if len(shape) == 1 else f"{'xyz'[place // 3]}{'xyz'[place % 3]}"


def _write(folder: Path, name: str, table: FileTable) -> list[Path]:
    """Put a calibration beside those the folder has; returns the two files."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / TOML_NAME, folder / HEADER_NAME]
    tables: dict[str, FileTable] = {}
    if paths[0].exists():
        try:
            kept = tomllib.loads(paths[0].read_text("utf-8"))["calibration"]
            tables = {name: table for name, table in kept.items() if isinstance(table, dict)}
            header_text(tables)
        except (ValueError, KeyError, AttributeError, TypeError, UncalibratedFault) as error:
            raise CalibrateProblem(f"{paths[0]} is no file of calibrations; move it away first.") from error
    tables[name] = table
    for path, text in zip(paths, (toml_text(tables), header_text(tables)), strict=True):
        path.write_text(text, "utf-8")
    return paths
