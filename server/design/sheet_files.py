"""A sheet file read and checked, with the thrust curve and the map it names in place."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from importlib import resources
from pathlib import Path

import numpy as np

from server.design.configuration import ConfigurationProblem
from server.design.configuration_sheet import configuration_of
from server.design.goals import GoalFault, card_of
from server.design.sheet_numbers import problems
from server.design.site_map import MapFault, site_map_of, with_map_file
from server.flight.airframe.thrust_curve import TEXT_AT_MOST, CurveProblem, curve_of_csv
from server.problems import SettingsProblem


@dataclass(frozen=True)
class Sheets:
    """The vehicle's and the site's sheet, stored in every session."""

    vehicle: Mapping[str, object] = field(default_factory=dict)
    site: Mapping[str, object] = field(default_factory=dict)


def load_sheets(path: Path | None, simulated: bool) -> Sheets:
    """Read a sheet file, or without one the demonstration's if `simulated`; raises SettingsProblem, naming file and key."""
    try:
        if path is not None:
            values: dict[str, object] = tomllib.loads(path.read_text("utf-8"))
        elif simulated:
            values = tomllib.loads(resources.files("server.design").joinpath("sheets/sandpiper.toml").read_text("utf-8"))
        else:
            return Sheets()
    except (OSError, ValueError, RecursionError) as error:
        raise SettingsProblem(f"The sheet {path} cannot be read: {getattr(error, 'strerror', None) or error}.") from error
    vehicle, site = values.get("vehicle", {}), values.get("site", {})
    if not isinstance(vehicle, dict) or not isinstance(site, dict):
        raise SettingsProblem(f"The sheet {path} needs the tables [vehicle] and [site].")
    wrong = problems(vehicle, site)
    if wrong:
        raise SettingsProblem(f"The sheet {path} {wrong[0]}.")
    try:
        site = with_map_file(site, None if path is None else path.parent)
        site_map_of(site)
    except MapFault as problem:
        raise SettingsProblem(f"The sheet {path} {problem}.") from problem
    vehicle, site = _plain_table(_with_thrust(vehicle, path)), _plain_table(site)
    try:
        card_of(vehicle)
    except GoalFault as problem:
        raise SettingsProblem(f"The sheet {path}: {problem}.") from problem
    try:
        configuration_of(vehicle)
    except ConfigurationProblem as problem:
        raise SettingsProblem(f"The sheet {path}: {problem}.") from problem
    return Sheets({**vehicle, "simulated": True} if simulated else vehicle, site)


def _with_thrust(vehicle: dict[str, object], path: Path | None) -> dict[str, object]:
    """Return the vehicle's sheet with the points of its thrust_file in place: a session keeps the whole sheet."""
    configuration = vehicle.get("configuration")
    if path is None or not isinstance(configuration, dict):
        return vehicle
    motor = configuration.get("motor")
    if not isinstance(motor, dict) or not isinstance(motor.get("thrust_file"), str):
        return vehicle
    file = path.parent / motor["thrust_file"]
    try:
        with file.open("r", encoding="utf-8") as source:
            curve = curve_of_csv(source.read(TEXT_AT_MOST + 1))
    except (OSError, UnicodeDecodeError, CurveProblem) as error:
        raise SettingsProblem(f"The thrust file {file}: {getattr(error, 'strerror', None) or error}.") from error
    points = np.column_stack([curve.t_s, curve.thrust_n]).tolist()
    return {**vehicle, "configuration": {**configuration, "motor": {**motor, "thrust": points}}}


def _plain_table(table: Mapping[str, object]) -> dict[str, object]:
    """Return a TOML table with dates and times as ISO 8601 texts, since a session's header is JSON."""
    return {name: _plain(item) for name, item in table.items()}


def _plain(value: object) -> object:
    if isinstance(value, dict):
        return _plain_table(value)
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, date | time) else value
