"""One flight as twelve vehicles would send it: what each has of sensors, cut into packets in every way, in units of its own.

The flights are the ensemble's simulator's; everything here is invented. A layout is packets of channels; a channel is bound
to what it means by its role alone, and its name, unit and type are as a builder happened to choose them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import exp, hypot, pi
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from scipy.signal import lfilter

from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.review.review import open_review
from tests.accuracy.ensemble.motion import Flight, Floats, G
from tests.accuracy.recorded.description import LoggedFlight
from tests.accuracy.recorded.radio import KEY, Sent, name_of, record
from tests.accuracy.recorded.told import Heard
from tests.server.analysis.outside import (
    FORCE,
    POSITION,
    QUATERNION,
    RATES,
    STEP_S,
    VELOCITY,
    attitudes,
    flown,
    nose_rates,
    pressures,
    standard_height,
    tilts,
    velocities,
)

LOG_ZERO_S = -3.0  # the simulator's second at which the vehicle was switched on
BODY_RATES = tuple(f"body_rate.{axis}" for axis in "xyz")
PLACE = ("gnss.latitude", "gnss.longitude", "gnss.height", "gnss.fix")
UNIT_B = tuple(role.replace(".a.", ".b.") for role in (*FORCE, *RATES))
SITE = {"lat_deg": 44.0, "lon_deg": 9.0, "temperature_k": 288.15, "elevation_m": 0.0}
# Rad/s2 of roll per Pa and rad; a servo that follows within some hundredths, a body that its air slows down.
AUTHORITY, SERVO_S, DAMPING, PUSH_RAD_S2, PUSH_MEMORY_S = 0.39, 0.03, 0.04, 0.5, 0.3
# What a unit is in the one the station computes in: times, plus.
IN_SI: dict[str, tuple[float, float]] = {
    **{"hPa": (100.0, 0.0), "g": (G, 0.0), "degC": (1.0, 273.15), "ft": (0.3048, 0.0), "km/h": (1.0 / 3.6, 0.0)},
    **{"deg/s": (pi / 180.0, 0.0), "deg": (pi / 180.0, 0.0)},
}
SI: dict[str, str] = {
    **{"pressure": "Pa", "baro_temperature": "K", "altitude_baro": "m", "accel": "m/s2", "gyro": "rad/s"},
    **{"attitude_quaternion": "1", "position": "m", "velocity": "m/s", "body_rate": "rad/s", "fin": "rad"},
    **{"gnss.latitude": "deg", "gnss.longitude": "deg", "gnss.height": "m", "gnss.fix": ""},
}


@dataclass(frozen=True)
class Trial:
    """One flight with what the layouts draw on: its truth, its rail, and every signal by role on the simulator's grid."""

    flight: Flight
    rail_m: float
    signals: Mapping[str, Floats]
    tilt: Floats
    roll_rad_s: Floats
    east_m: Floats
    north_m: Floats

    @property
    def rail_exit_m_s(self) -> float:
        """The true speed at the rail's end."""
        along = np.hypot(self.flight.across_m, self.flight.up_m)
        left = int(np.argmax((along >= self.rail_m) & (self.flight.t > self.flight.moments["lift_off"])))
        return float(self.flight.speed_m_s[left])

    @property
    def spot_m(self) -> tuple[float, float]:
        """Where it truly lies, east and north of the pad."""
        return float(self.east_m[-1]), float(self.north_m[-1])


# An ordinary small one; a heavy one under drogue and main; one whose motor hardly lifts it.
FLIGHTS: dict[str, tuple[str, dict[str, float | bool]]] = {
    "ordinary": (
        "single",
        {**{"dry_kg": 0.3, "thrust_n": 32.0, "area_m2": 0.0014, "target_m": 190.0}, **{"drogue_m_s": 6.0, "rail_m": 1.0}},
    ),
    "dual": (
        "dual",
        {
            **{"dry_kg": 6.0, "thrust_n": 900.0, "area_m2": 0.009, "target_m": 700.0, "rail_m": 3.0, "rail_tilt": 0.08},
            **{"drogue_m_s": 22.0, "main_m_s": 7.5, "main_at_m": 150.0},
        },
    ),
    "weak": (
        "single",
        {
            **{"thrust_n": 1.5 * 1.62 * G, "target_m": 120.0, "is_steered": True, "area_m2": 0.002, "rail_tilt": 0.01},
            **{"slope": 0.0, "drogue_m_s": 7.0, "rail_m": 2.0},
        },
    ),
}


@cache
def trial(name: str) -> Trial:
    """Fly one of `FLIGHTS`, its roll under a controller that begins a second after lift-off."""
    kind, changes = FLIGHTS[name]
    flight = flown(kind, **changes)
    rng, tilt = np.random.default_rng(7), leaned(flight)
    pascals, count = pressures(flight), len(flight.t)
    east, north = _drifted(flight)
    fin, roll = _rolled(flight, rng)
    twist = np.cumsum(roll) * STEP_S
    felt, turned = _turned(_felt(flight, tilt, rng), twist), _turned(nose_rates(tilt), twist)
    turned[:, 2] = roll
    place = np.column_stack([east, north, flight.up_m]) + rng.normal(0.0, 0.05, (count, 3))
    signals = {
        "pressure": pascals,
        "baro_temperature": np.full(count, 291.0) + rng.normal(0.0, 0.05, count),
        "altitude_baro": standard_height(pascals) + 212.0,
        **_columns(FORCE, felt),
        **_columns(UNIT_B[:3], felt + rng.normal(0.0, 0.08, felt.shape)),
        **_columns(RATES, turned + rng.normal(0.0, 0.003, turned.shape)),
        **_columns(UNIT_B[3:], turned + rng.normal(0.0, 0.003, turned.shape)),
        **_columns(BODY_RATES, turned + rng.normal(0.0, 0.003, turned.shape)),
        **_columns(QUATERNION, _twisted(attitudes(tilt), twist) + rng.normal(0.0, 2e-4, (count, 4))),
        **_columns(VELOCITY, _ground_velocities(flight, east, north) + rng.normal(0.0, 0.05, (count, 3))),
        **_columns(POSITION, place),
        **_fixes(flight, east, north, rng),
    }
    for one in ("1", "2", "left", "right"):
        signals |= {f"fin[{one}].measured": fin, f"fin[{one}].commanded": np.append(fin[1:], 0.0)}
    return Trial(flight, float(changes["rail_m"]), signals, tilt, roll, east, north)


def leaned(flight: Flight) -> Floats:
    """Return the nose's angle from the vertical (rad), to the east: along the flight, hanging aslant, then on its side."""
    lean, keep = tilts(flight), exp(-STEP_S / 0.3)
    aim = np.where(flight.t < flight.moments["landing"], 0.5, 0.5 * pi)
    falls = flight.t > flight.moments["apogee_time"]
    first = int(np.argmax(falls))
    slow = lfilter([1.0 - keep], [1.0, -keep], aim[first:] - lean[first]) + lean[first]
    return np.concatenate([lean[:first], slow])


def _felt(flight: Flight, tilt: Floats, rng: np.random.Generator) -> Floats:
    """Return specific force in body axes (m/s2), shape (n, 3): along the nose going up, then whatever way it hangs."""
    rises = flight.t <= flight.moments["apogee_time"]
    across = np.where(rises, 0.0, -np.sin(tilt) * flight.along_m_s2)
    along = np.where(rises, 1.0, np.cos(tilt)) * flight.along_m_s2
    return np.column_stack([across, np.zeros(len(tilt)), along]) + rng.normal(0.0, 0.08, (len(tilt), 3))


def _turned(body: Floats, twist: Floats) -> Floats:
    """Return vectors in axes that have turned about the nose, both shape (n, 3)."""
    cos, sin = np.cos(twist), np.sin(twist)
    return np.column_stack([cos * body[:, 0] + sin * body[:, 1], cos * body[:, 1] - sin * body[:, 0], body[:, 2]])


def _twisted(attitude: Floats, twist: Floats) -> Floats:
    """Return quaternions w, x, y, z after a turn about the nose, shape (n, 4)."""
    (w, x, y, z), cos, sin = attitude.T, np.cos(0.5 * twist), np.sin(0.5 * twist)
    return np.column_stack([w * cos - z * sin, x * cos + y * sin, y * cos - x * sin, w * sin + z * cos])


def _columns(roles: Sequence[str], table: Floats) -> dict[str, Floats]:
    return dict(zip(roles, table.T, strict=True))


def _drifted(flight: Flight) -> tuple[Floats, Floats]:
    """Return east and north (m): across is east on the way up; under the canopy a wind of 3 m/s adds."""
    falls = np.clip(flight.t, flight.moments["apogee_time"], flight.moments["landing"]) - flight.moments["apogee_time"]
    return flight.across_m + 2.0 * falls, 2.2 * falls


def _ground_velocities(flight: Flight, east: Floats, north: Floats) -> Floats:
    table = velocities(flight)
    falls = flight.t > flight.moments["apogee_time"]
    table[falls, 0], table[falls, 1] = np.gradient(east, STEP_S)[falls], np.gradient(north, STEP_S)[falls]
    # No navigation stops within a hundredth, as the simulator does on the ground.
    rests, keep = flight.t >= flight.moments["landing"], exp(-STEP_S / 0.1)
    first = int(np.argmax(rests))
    since = flight.t[rests] - flight.t[first]
    table[rests] = table[first - 1] * (keep ** (since / STEP_S))[:, None]
    return table


def _fixes(flight: Flight, east: Floats, north: Floats, rng: np.random.Generator) -> dict[str, Floats]:
    """Return a receiver's words, late by a tenth; the radii of curvature are those of the WGS 84 ellipsoid."""
    sine = np.sin(SITE["lat_deg"] * pi / 180.0) ** 2
    across = 6378137.0 / np.sqrt(1.0 - 0.00669437999 * sine)
    meridian = across * (1.0 - 0.00669437999) / (1.0 - 0.00669437999 * sine)
    late = [np.interp(flight.t - 0.1, flight.t, one) + rng.normal(0.0, 0.8, len(east)) for one in (east, north, flight.up_m)]
    return {
        "gnss.latitude": SITE["lat_deg"] + late[1] / meridian * 180.0 / pi,
        "gnss.longitude": SITE["lon_deg"] + late[0] / (across * np.cos(SITE["lat_deg"] * pi / 180.0)) * 180.0 / pi,
        "gnss.height": late[2] + 48.0,
        "gnss.fix": np.full(len(east), 3.0),
    }


def _rolled(flight: Flight, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return fin angles and roll rate, pushed by a torque with a memory, steered to and fro by a controller."""
    keep = float(np.exp(-STEP_S / PUSH_MEMORY_S))
    push = lfilter([1.0], [1.0, -keep], rng.normal(0.0, PUSH_RAD_S2 * np.sqrt(1.0 - keep * keep), len(flight.t)))
    pressure = 0.5 * 1.2 * flight.speed_m_s**2
    fin, rate = np.zeros(len(flight.t)), np.zeros(len(flight.t))
    start_s, end_s = flight.moments["lift_off"], flight.moments["apogee_time"]
    for i in np.flatnonzero((flight.t > start_s + 0.3) & (flight.t < end_s)).tolist():
        wanted = 1.5 if int((flight.t[i] - start_s) / 0.6) % 2 else -1.5
        asked = np.clip(0.03 * (wanted - rate[i - 1]), -0.15, 0.15) if flight.t[i] > start_s + 1.0 else 0.0
        fin[i] = fin[i - 1] + (asked - fin[i - 1]) * STEP_S / SERVO_S
        turn = pressure[i] * AUTHORITY * fin[i] + push[i] - DAMPING * np.sqrt(pressure[i]) * rate[i - 1]
        rate[i] = rate[i - 1] + STEP_S * turn
    return fin, rate


# ---------------------------------------------------------------- layouts


@dataclass(frozen=True)
class Field:
    """One channel: its role, name, unit ("" is the unit the station computes in) and type on the wire."""

    role: str
    name: str = ""
    unit: str = ""
    type: str = "f32"

    @property
    def declared_unit(self) -> str:
        """The unit the dictionary tells."""
        return self.unit or next(unit for start, unit in SI.items() if self.role.startswith(start))

    @property
    def channel(self) -> str:
        """The channel's name."""
        return self.name or name_of(self.role)


Layout = Mapping[str, tuple[float, tuple[Field, ...]]]
"""Packets by name: rate (Hz) and fields."""


def of(*roles: str, unit: str = "") -> tuple[Field, ...]:
    """Return fields of roles; a place in degrees needs more than 32 bits."""
    return tuple(Field(role, unit=unit, type="f64" if role in PLACE[:2] else "f32") for role in roles)


AIR = {"air": (20.0, of("pressure"))}
UNIT = {"unit": (50.0, of(*FORCE, *RATES))}
STATE = {"state": (25.0, of(*POSITION, *VELOCITY, *QUATERNION, *BODY_RATES))}
LAYOUTS: dict[str, Layout] = {
    "barometer only": AIR,
    "altitude only": {"height": (20.0, of("altitude_baro"))},
    "barometer and one axis": {**AIR, "force": (50.0, of("accel.a.z"))},
    "unit A, all in one packet": {"all": (40.0, of("pressure", *FORCE, *RATES))},
    "unit B only": {**AIR, "unit": (50.0, of(*UNIT_B))},
    "attitude in a packet of its own": {
        **AIR,
        **UNIT,
        "where": (20.0, of(*POSITION, *VELOCITY)),
        "attitude": (25.0, of(*QUATERNION)),
        "rates": (50.0, of(*BODY_RATES)),
    },
    "each sensor in a packet of its own": {
        **AIR,
        "warmth": (2.0, of("baro_temperature")),
        "force": (50.0, of(*FORCE)),
        "gyro": (50.0, of(*RATES)),
        "place": (20.0, of(*POSITION)),
        "speed": (20.0, of(*VELOCITY)),
        "attitude": (25.0, of(*QUATERNION)),
        "fin_1": (25.0, of("fin[1].measured")),
        "fin_2": (25.0, of("fin[2].measured")),
        "gnss": (5.0, of(*PLACE)),
    },
    "fins commanded only": {**AIR, **UNIT, **STATE, "servos": (25.0, of("fin[1].commanded", "fin[2].commanded"))},
    "fins of other names": {
        **AIR,
        **UNIT,
        **STATE,
        "surfaces": (
            25.0,
            (Field("fin[left].measured", "surface_left"), Field("fin[right].measured", "surface_right")),
        ),
    },
    "barometer and GNSS": {**AIR, "gnss": (5.0, of(*PLACE))},
    "units of beginners": {
        "air": (20.0, (*of("pressure", unit="hPa"), *of("baro_temperature", unit="degC"))),
        "height": (10.0, of("altitude_baro", unit="ft")),
        "unit": (50.0, (*of(*FORCE, unit="g"), *of(*RATES, unit="deg/s"))),
        "state": (
            25.0,
            (*of(*POSITION, unit="ft"), *of(*VELOCITY, unit="km/h"), *of(*QUATERNION), *of(*BODY_RATES, unit="deg/s")),
        ),
        "fins": (25.0, of("fin[1].measured", "fin[2].measured", unit="deg")),
    },
    "everything in one packet": {
        "all": (
            40.0,
            of(
                *("pressure", "baro_temperature", *FORCE, *RATES, *POSITION, *VELOCITY, *QUATERNION, *BODY_RATES),
                *("fin[1].measured", "fin[1].commanded", "fin[2].measured", "fin[2].commanded", *PLACE),
            ),
        )
    },
}


def roles_of(layout: Layout) -> frozenset[str]:
    """Return every role a layout declares."""
    return frozenset(field.role for _, fields in layout.values() for field in fields)


def dictionary_text(layout: Layout) -> str:
    """Return the dictionary of a layout."""
    lines = ["[dictionary]", "format = 1", "wire = 2", 'name = "layouts"', 'version = "1"', 'vehicle = "Layout"']
    lines += ["", "[uplink]", "vehicle_id = 1", "answers = false"]
    for apid, (name, (rate_hz, fields)) in enumerate(layout.items(), 16):
        lines += ["", f"[packet.{name}]", f"apid = {apid}", f"rate_hz = {rate_hz:g}", "fields = ["]
        for one in fields:
            unit = f', unit = "{one.declared_unit}"' if one.declared_unit else ""
            lines.append(f'  {{ name = "{one.channel}", type = "{one.type}"{unit}, role = "{one.role}" }},')
        lines.append("]")
    return "\n".join(lines) + "\n"


def without_roles(text: str) -> str:
    """Return a dictionary in which no channel means anything: what it packs is the same."""
    return re.sub(r', role = "[^"]*"', "", text)


def in_unit(values: Floats, unit: str) -> Floats:
    """Return SI values in a declared unit."""
    times, plus = IN_SI.get(unit, (1.0, 0.0))
    return (values - plus) / times


def told_by(
    layout: Layout, one: Trial, vehicle: Mapping[str, object] | None = None, site: Mapping[str, object] | None = None
) -> Heard:
    """Return what the station tells of a flight sent in a layout, without loss."""
    with TemporaryDirectory() as folder:
        path = recorded(layout, one, Path(folder), vehicle, site)
        return Heard.of(open_review(path), LOG_ZERO_S)


def recorded(
    layout: Layout,
    one: Trial,
    folder: Path,
    vehicle: Mapping[str, object] | None = None,
    site: Mapping[str, object] | None = None,
) -> Path:
    """Send a flight in a layout, without loss; return the session's file."""
    text = dictionary_text(layout)
    # The firmware knows nothing of roles: it packs numbers in the units its builder chose.
    link, bare = (VehicleLink(parse_dictionary(one, "a layout"), KEY, 5) for one in (text, without_roles(text)))
    due: list[tuple[int, str, dict[str, float]]] = []
    for number, (name, (rate_hz, fields)) in enumerate(layout.items()):
        every = max(1, round(1.0 / rate_hz / STEP_S))
        rows = np.arange(number % every, len(one.flight.t), every)  # no two packets at one time, if it can be
        columns = [in_unit(one.signals[field.role][rows], field.unit).tolist() for field in fields]
        names = [field.channel for field in fields]
        for place, values in zip(rows.tolist(), zip(*columns, strict=True), strict=True):
            due.append((3000 + 10 * place, name, dict(zip(names, values, strict=True))))
    due += [(ms, "", {}) for ms in range(3000, due[-1][0], 1000)]
    due.sort(key=lambda packet: packet[0])
    frames = [(ms / 1e3, bare.frame(name, ms, values) if name else link.identity_frame(ms)) for ms, name, values in due]
    logged = LoggedFlight(
        name="layout",
        packet=[],
        vehicle=dict({"rail_length_m": one.rail_m} if vehicle is None else vehicle),
        site=dict(SITE if site is None else site),
    )
    return record(folder, Sent(tuple(frames), LOG_ZERO_S, text, logged), frames)


def away_m(heard: Heard, one: Trial) -> float:
    """Return how far the landing spot told is from the true one (m), NaN where none is told."""
    east, north = (heard.number("recovery", f"landing_{side}_m") for side in ("east", "north"))
    return hypot(east - one.spot_m[0], north - one.spot_m[1])
