"""What a folder of flight logs holds, as its `recorded.toml` says; the keys stand in `tests/accuracy/README.md`."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from math import pi
from pathlib import Path
from typing import Any, TypeVar

FORMAT = 1
# Unit in a log -> (unit sent, factor, what is added after it). Factors are exact by definition (SI brochure; foot 0.3048 m).
UNITS: dict[str, tuple[str, float, float]] = {
    "Pa": ("Pa", 1.0, 0.0),
    "hPa": ("Pa", 100.0, 0.0),
    "kPa": ("Pa", 1000.0, 0.0),
    "K": ("K", 1.0, 0.0),
    "degC": ("K", 1.0, 273.15),
    "m/s2": ("m/s2", 1.0, 0.0),
    "g": ("m/s2", 9.80665, 0.0),
    "rad/s": ("rad/s", 1.0, 0.0),
    "deg/s": ("rad/s", pi / 180.0, 0.0),
    "m": ("m", 1.0, 0.0),
    "ft": ("m", 0.3048, 0.0),
    "m/s": ("m/s", 1.0, 0.0),
    "ft/s": ("m/s", 0.3048, 0.0),
    "km/h": ("m/s", 1.0 / 3.6, 0.0),
    "V": ("V", 1.0, 0.0),
    "deg": ("deg", 1.0, 0.0),
    "rad": ("rad", 1.0, 0.0),
    "1": ("1", 1.0, 0.0),
}
NAMES = (
    *("lift_off", "burnout", "greatest_speed", "predicted_apogee", "apogee", "apogee_time"),
    *("descent_rate", "landing", "landing_speed", "landing_spot"),
)
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}


class BadDescription(Exception):
    """A description that cannot be used, in one sentence."""


@dataclass(frozen=True, kw_only=True)
class LoggedField:
    """One channel of a packet: a role, the log's column (or a constant), its unit, and how the sensor scatters at rest.

    `factor` and `add` work in the unit sent, after the conversion from `unit`. `noise` (one sigma of a sample), `walk` (one
    sigma of a random walk after a minute) and `resolution` are in the unit sent too; `pad` and `rest` are the levels before
    and after. None: noise and levels as the log's own rows there have them.
    """

    role: str
    unit: str
    column: str | None = None
    constant: float | None = None
    factor: float = 1.0
    add: float = 0.0
    type: str = "f32"
    pad: float | None = None
    rest: float | None = None
    noise: float | None = None
    walk: float = 0.0
    resolution: float = 0.0
    sensor_range: list[float] | None = None

    @property
    def is_height_as_pressure(self) -> bool:
        """Whether a logged height goes out as the pressure of the standard atmosphere."""
        return self.role == "pressure" and UNITS[self.unit][0] == "m"

    @property
    def sent_unit(self) -> str:
        """The unit on the wire."""
        return "Pa" if self.is_height_as_pressure else UNITS[self.unit][0]


@dataclass(frozen=True, kw_only=True)
class LoggedPacket:
    """A packet: which file and time column its rows come from, how often it is sent, until when, and its channels."""

    name: str
    file: str
    time: str
    rate_hz: float
    time_unit: str = "s"
    separator: str = ","
    until_s: float = float("inf")
    field: list[LoggedField]


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known of a flight: a value with its own tolerance and source. A landing spot has distance and bearing instead.

    Times are log seconds. `at_s` is when the number holds: of a prediction the moment it is asked for, of a descent rate one
    inside its stage.
    """

    quantity: str
    source: str
    value: float | None = None
    tolerance: float = 0.0
    at_s: float | None = None
    distance_m: float | None = None
    bearing_deg: float | None = None


@dataclass(frozen=True, kw_only=True)
class LoggedFlight:
    """One flight: packets, how much pad and rest is put around it, sheets, what is known and what the logs lack.

    Rows between `start_s` and `stop_s` are used. Rows before `pad_until_s` are the log's own pad, whose median is the level
    of the pad in front; `rest_from_s` is set where the log ends at rest, and the median of what follows is the level behind.
    """

    name: str
    about: str = ""
    start_s: float = float("-inf")
    stop_s: float = float("inf")
    pad_until_s: float = 0.0
    pad_s: float = 120.0
    rest_from_s: float | None = None
    rest_s: float = 60.0
    elevation_m: float = 0.0
    vehicle: dict[str, object] = field(default_factory=dict)
    site: dict[str, object] = field(default_factory=dict)
    packet: list[LoggedPacket]
    known: list[Known] = field(default_factory=list)
    absent: dict[str, str] = field(default_factory=dict)
    alarms: list[str] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)


Table = TypeVar("Table", LoggedField, LoggedPacket, Known, LoggedFlight)


def _table(kind: type[Table], given: Mapping[str, Any], where: str, **parts: object) -> Table:
    known = {one.name: one for one in fields(kind)}
    for key in given:
        if key not in known:
            raise BadDescription(f"{where} has the key {key!r}, which means nothing here; known are {', '.join(known)}.")
    for name, one in known.items():
        if name not in given and name not in parts and one.default is MISSING and one.default_factory is MISSING:
            raise BadDescription(f"{where} lacks the key {name!r}.")
    return kind(**{**given, **parts})


def _field(given: Mapping[str, Any], where: str) -> LoggedField:
    made = _table(LoggedField, given, where)
    if made.unit not in UNITS:
        raise BadDescription(f"{where} ({made.role}) has the unit {made.unit!r}; known are {', '.join(UNITS)}.")
    if (made.column is None) == (made.constant is None):
        raise BadDescription(f"{where} ({made.role}) needs either a column or a constant.")
    return made


def _known(given: Mapping[str, Any], where: str) -> Known:
    made = _table(Known, given, f"{where}, known")
    _check_name(made.quantity, where)
    spot = made.distance_m is not None and made.bearing_deg is not None
    if (made.value is None) == (not spot) or spot != (made.quantity == "landing_spot"):
        raise BadDescription(f"{where}: {made.quantity} needs a value, a landing spot distance_m and bearing_deg.")
    return made


def _check_name(quantity: str, where: str) -> None:
    if quantity not in NAMES:
        raise BadDescription(f"{where} names the quantity {quantity!r}; known are {', '.join(NAMES)}.")


def _packet(given: Mapping[str, Any], where: str) -> LoggedPacket:
    where = f"{where}, packet {given.get('name', '?')!r}"
    made = _table(LoggedPacket, given, where, field=[_field(one, where) for one in given.get("field", [])])
    if made.time_unit not in TIME_UNITS:
        raise BadDescription(f"{where} has time in {made.time_unit!r}; known are {', '.join(TIME_UNITS)}.")
    return made


def read_description(path: Path) -> list[LoggedFlight]:
    """Return the flights of a description; raises BadDescription with one sentence."""
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise BadDescription(f"{path.name} cannot be read: {error}.") from error
    if given.get("format") != FORMAT:
        raise BadDescription(f"{path.name} must begin with format = {FORMAT}.")
    flights = []
    for one in given.get("flight", []):
        where = f"flight {one.get('name', '?')!r}"
        parts = {
            "packet": [_packet(packet, where) for packet in one.get("packet", [])],
            "known": [_known(known, where) for known in one.get("known", [])],
        }
        for quantity in one.get("absent", {}):
            _check_name(quantity, where)
        flights.append(_table(LoggedFlight, one, where, **parts))
    return flights
