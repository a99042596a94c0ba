"""`blockhouse weigh thrust`: a load cell's record as a thrust curve for the sheet."""

from __future__ import annotations

import argparse
import json
from datetime import UTC, date, datetime

from protocol.arrays import Floats
from server.cli.paper import Words, show
from server.cli.study import blocks
from server.cli.weighings.force_table import force_of
from server.cli.weighings.heard import HeardProblem, recorded
from server.cli.weighings.sheet_part import OutProblem, sheets_of, write_new
from server.design.configuration import ConfigurationProblem
from server.design.configuration_sheet import configuration_of
from server.flight.weighing.stand import Firing, firing
from server.study.thrust_stand import ROLE, shown, told


def run(options: argparse.Namespace) -> int:
    """Read, work out, tell, and write where asked."""
    t, force, kept, day = _record(options)
    scale = options.scale_percent / 100.0
    found = firing(t, force, scale, options.cutoff_hz)
    vehicle, _ = sheets_of(options.sheet, (kept, {}))
    try:
        configuration = configuration_of(vehicle)
    except ConfigurationProblem:
        configuration = None
    motor = None if configuration is None else configuration.motor
    show(blocks(told(found, scale, None if motor is None else motor.curve)))
    if options.out:
        text = _csv_text(found, day) if options.out.suffix.lower() == ".csv" else _sheet_text(found, day, scale, options)
        show([Words(write_new(options.out, text))])
    return 0


def _record(options: argparse.Namespace) -> tuple[Floats, Floats, dict[str, object], date]:
    """Return times (n,), forces (n,), the vehicle's sheet that was kept, and the day."""
    if options.csv:
        t, force = force_of(options.csv)
        kept, day = {}, datetime.fromtimestamp(options.csv.stat().st_mtime, UTC).date()
    else:
        heard = recorded(options.session)
        series = heard.series((ROLE,))
        if series is None:
            raise HeardProblem(f"No load cell was heard (role {ROLE}).")
        t, force, kept, day = series[0], series[1][:, 0], dict(heard.vehicle), heard.day
    if options.date:
        try:
            day = date.fromisoformat(options.date)
        except ValueError as error:
            raise OutProblem(f"--date is a day, such as 2026-11-29, not {options.date[:20]!r}.") from error
    return t, force, kept, day


def _about(found: Firing) -> str:
    return (
        f"total impulse {found.impulse.value:.5g} N s, one standard deviation {found.impulse.sigma:.2g}; "
        f"filtered at {found.cutoff_hz:.3g} Hz"
    )


def _csv_text(found: Firing, day: date) -> str:
    """Return a thrust_file: a time in s and a thrust in N on each line."""
    lines = [f"# Static test of {day}: {_about(found)}", "time_s,thrust_n"]
    return "\n".join([*lines, *(f"{t:.4f},{thrust:.3f}" for t, thrust in shown(found))]) + "\n"


def _sheet_text(found: Firing, day: date, scale: float, options: argparse.Namespace) -> str:
    """Return lines for a sheet: the curve, and whose cell measured it when."""
    if not options.serial or not options.serial.isprintable() or len(options.serial) > 60:
        raise OutProblem("A sheet's lines need the load cell's serial: --serial TEXT, one line of at most 60 letters.")
    points = "\n".join(f"  [{t:.4f}, {thrust:.3f}]," for t, thrust in shown(found))
    return (
        f"# Static test of {day}: {_about(found)}.\n"
        "# Into the sheet's tables of these names; the motor's propellant_kg and propellant_station_m stay as they are.\n"
        "[calibration.thrust_stand]\n"
        f"date = {day}\n"
        f"unit_serial = {json.dumps(options.serial)}\n"
        f"scale_sigma = {scale:g}\n\n"
        "[vehicle.configuration.motor]\n"
        f"name = {json.dumps(options.motor[:80])}\n"
        f"thrust = [\n{points}\n]\n"
    )
