"""The vehicle's sheet, table [vehicle.configuration], as a configuration; what is wrong is named by table and key.

The same reader serves a TOML file and the sheet kept in a session's header, which may come from anybody: every number has a
range, every list a length, and a key that means nothing is refused rather than passed over, since it is a slip of the pen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from server.design.configuration import Configuration, ConfigurationProblem, FittedFins, Motor
from server.flight.airframe.barrowman import FIN_COUNTS, NOSE_CENTERS, FinSet
from server.flight.airframe.mass_list import Piece
from server.flight.airframe.thrust_curve import CurveProblem, curve_of

FIN_SETS_AT_MOST, PIECES_AT_MOST, TRANSITIONS_AT_MOST = 3, 200, 8
TABLE = "vehicle.configuration"


def configuration_of(vehicle: Mapping[str, object]) -> Configuration | None:
    """Return the configuration a vehicle's sheet describes, None when it has none. Raises ConfigurationProblem."""
    table = vehicle.get("configuration")
    if table is None:
        return None
    if not isinstance(table, Mapping):
        raise ConfigurationProblem(f"[{TABLE}] is no table")
    diameter = _number(vehicle, "diameter_m", "[vehicle]", 0.005, 2.0)
    length = _number(vehicle, "length_m", "[vehicle]", 0.05, 20.0)
    _only(table, {"nose", "transitions", "fins", "masses", "motor"}, f"[{TABLE}]")
    tip = _table(table.get("nose"), f"[{TABLE}] nose")
    _only(tip, {"shape", "length_m"}, f"[{TABLE}] nose")
    shape = tip.get("shape")
    if not isinstance(shape, str) or shape not in NOSE_CENTERS:
        raise ConfigurationProblem(f"[{TABLE}] nose: shape is one of {', '.join(NOSE_CENTERS)}, not {str(shape)[:24]!r}")
    made = Configuration(
        diameter_m=diameter,
        length_m=length,
        nose_shape=shape,
        nose_length_m=_number(tip, "length_m", f"[{TABLE}] nose", 0.01, length),
        transitions=tuple(_transition(one, i, length) for i, one in _lines(table, "transitions", TRANSITIONS_AT_MOST)),
        fin_sets=tuple(_fin_set(one, i, length) for i, one in _lines(table, "fins", FIN_SETS_AT_MOST)),
        masses=tuple(_piece(one, f"masses, line {i}", length) for i, one in _lines(table, "masses", PIECES_AT_MOST)),
        motor=None if table.get("motor") is None else _motor(_table(table["motor"], f"[{TABLE}.motor]"), length),
    )
    if not made.masses:
        raise ConfigurationProblem(f"[{TABLE}] lists no masses")
    try:
        made.balance()
        made.mass(1.0)
    except ValueError as problem:
        raise ConfigurationProblem(f"[{TABLE}] describes {problem}") from problem
    return made


def _lines(table: Mapping[str, object], key: str, at_most: int) -> list[tuple[int, Mapping[str, object]]]:
    lines = table.get(key, [])
    if not isinstance(lines, Sequence) or isinstance(lines, str) or len(lines) > at_most:
        raise ConfigurationProblem(f"[{TABLE}] {key} is a list of at most {at_most} tables")
    return [(i, _table(one, f"[{TABLE}] {key}, line {i}")) for i, one in enumerate(lines, 1)]


def _piece(line: Mapping[str, object], where: str, length: float) -> Piece:
    where = f"[{TABLE}] {where}"
    _only(line, {"name", "mass_kg", "station_m", "length_m"}, where)
    rod = _number(line, "length_m", where, 0.0, length) if "length_m" in line else 0.0
    return Piece(
        _name(line, where), _number(line, "mass_kg", where, 0.0, 200.0), _number(line, "station_m", where, 0.0, length), rod
    )


def _fin_set(line: Mapping[str, object], number: int, length: float) -> FittedFins:
    where = f"[[{TABLE}.fins]] number {number}"
    sizes = {"root_m": (0.001, 2.0), "tip_m": (0.0, 2.0), "span_m": (0.001, 2.0), "sweep_m": (-1.0, 2.0)}
    _only(line, {"name", "count", "root_leading_edge_m", "mass_kg", "exchangeable", *sizes}, where)
    count, exchangeable = line.get("count"), line.get("exchangeable", False)
    if isinstance(count, bool) or not isinstance(count, int | float) or count not in FIN_COUNTS:
        raise ConfigurationProblem(f"{where}: count is one of {', '.join(map(str, FIN_COUNTS))}, not {str(count)[:24]}")
    if not isinstance(exchangeable, bool):
        raise ConfigurationProblem(f"{where}: exchangeable is true or false")
    shape = FinSet(
        name=_name(line, where),
        count=int(count),
        root_m=_number(line, "root_m", where, *sizes["root_m"]),
        tip_m=_number(line, "tip_m", where, *sizes["tip_m"]),
        span_m=_number(line, "span_m", where, *sizes["span_m"]),
        sweep_m=_number(line, "sweep_m", where, *sizes["sweep_m"]),
        root_leading_edge_m=_number(line, "root_leading_edge_m", where, 0.0, length),
    )
    mass = _number(line, "mass_kg", where, 0.0, 50.0) if "mass_kg" in line else 0.0
    return FittedFins(shape, mass, exchangeable)


def _transition(line: Mapping[str, object], number: int, length: float) -> tuple[str, float, float, float, float]:
    where = f"[[{TABLE}.transitions]] number {number}"
    _only(line, {"name", "start_m", "length_m", "fore_m", "aft_m"}, where)
    fore, aft = _number(line, "fore_m", where, 0.001, 2.0), _number(line, "aft_m", where, 0.001, 2.0)
    if fore == aft:
        raise ConfigurationProblem(f"{where}: fore_m and aft_m are the same")
    return (
        _name(line, where),
        _number(line, "start_m", where, 0.0, length),
        _number(line, "length_m", where, 0.0, length),
        fore,
        aft,
    )


def _motor(table: Mapping[str, object], length: float) -> Motor:
    where = f"[{TABLE}.motor]"
    _only(table, {"name", "propellant_kg", "propellant_station_m", "propellant_length_m", "thrust", "thrust_file"}, where)
    points = table.get("thrust")
    if not isinstance(points, Sequence) or isinstance(points, str) or not all(isinstance(p, Sequence) for p in points):
        raise ConfigurationProblem(f"{where}: thrust is a list of [time in s, thrust in N]")
    try:
        curve = curve_of(points)
    except CurveProblem as problem:
        raise ConfigurationProblem(f"{where}: {problem}") from problem
    rod = _number(table, "propellant_length_m", where, 0.0, length) if "propellant_length_m" in table else 0.0
    grain = Piece(
        "propellant",
        _number(table, "propellant_kg", where, 0.0, 100.0),
        _number(table, "propellant_station_m", where, 0.0, length),
        rod,
    )
    return Motor(_name(table, where), grain, curve)


def _table(value: object, where: str) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise ConfigurationProblem(f"{where} is no table")
    return value


def _only(table: Mapping[str, object], keys: set[str], where: str) -> None:
    strange = [str(key) for key in table if key not in keys]
    if strange:
        raise ConfigurationProblem(f"{where}: {strange[0][:24]} is no key here; there are {', '.join(sorted(keys))}")


def _name(table: Mapping[str, object], where: str) -> str:
    name = table.get("name")
    if not isinstance(name, str) or not 0 < len(name) <= 80:
        raise ConfigurationProblem(f"{where}: name is a text of 1 to 80 characters")
    return name


def _number(table: Mapping[str, object], key: str, where: str, low: float, high: float) -> float:
    value = table.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:  # no NaN lies between
        raise ConfigurationProblem(f"{where}: {key} is a number from {low:g} to {high:g}, not {str(value)[:24]}")
    return float(value)
