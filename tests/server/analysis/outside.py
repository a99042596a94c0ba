"""Invented vehicles that share nothing with the station's own: flown by the ensemble's simulator, sent, recorded, told.

What a test gets is what `blockhouse summary` would tell of the session: dictionary text, encoded packets, loss, the real
recorder, `open_review`, `summarize`. Every number here is invented. Log seconds are the simulator's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import exp
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from scipy.signal import lfilter

from server.review.review import Review, open_review
from tests.accuracy.ensemble.motion import Air, Flight, Floats, G, Vehicle, fly
from tests.accuracy.recorded.description import Known, LoggedField, LoggedFlight, LoggedPacket
from tests.accuracy.recorded.log_rows import Samples
from tests.accuracy.recorded.radio import Logged, heard, record
from tests.accuracy.recorded.told import QUANTITIES, Heard, Told

STANDARD_AIR = Air(101325.0, 288.15, 0.0065)
PAD_S, REST_S = 20.0, 12.0
STEP_S = 0.01  # of the simulator's grid
FORCE = tuple(f"accel.a.{axis}" for axis in "xyz")
RATES = tuple(f"gyro.a.{axis}" for axis in "xyz")
QUATERNION = tuple(f"attitude_quaternion.{part}" for part in "wxyz")
VELOCITY = tuple(f"velocity.{axis}" for axis in ("east", "north", "up"))
POSITION = tuple(f"position.{axis}" for axis in ("east", "north", "up"))
UNITS = {
    **{"pressure": "Pa", "baro_temperature": "K", "altitude_baro": "m"},
    **{"accel": "m/s2", "gyro": "rad/s", "attitude_quaternion": "1"},
    **{"velocity": "m/s", "position": "m", "body_rate": "rad/s", "fin[1]": "rad", "fin[2]": "rad", "imu_temperature": "K"},
    **{"motor[2]": "1", "stage[1]": "1"},
}
# A vehicle of a kilogram and a half on a meter and a half of rail; a flight changes what it is about.
STOCK: dict[str, float | bool] = {
    **{"dry_kg": 1.5, "thrust_n": 150.0, "rise_s": 0.03, "slope": -0.1, "exhaust_m_s": 1800.0, "area_m2": 0.0034},
    **{"cd": 0.5, "transonic": 0.6, "rail_m": 1.5, "rail_tilt": 0.03, "is_steered": False, "target_m": 400.0},
    **{"drogue_m_s": 9.0, "main_m_s": 6.0, "main_at_m": -1e9, "deploy_after_s": 1.0, "ground_m": 0.0},
}

# Supersonic to 3 km under a fast drogue; up to 900 m under two parachutes; 113 m by a motor that hardly lifts it.
FAST = {"thrust_n": 420.0, "area_m2": 0.0025, "target_m": 3000.0, "drogue_m_s": 25.0}
DUAL = {"thrust_n": 400.0, "target_m": 900.0, "drogue_m_s": 20.0, "main_m_s": 6.0, "main_at_m": 150.0}
WEAK = {"target_m": 112.7, "is_steered": True, "area_m2": 0.002, "rail_tilt": 0.01, "slope": 0.0, "drogue_m_s": 7.0}
# Times a told sigma: what a normal error exceeds once in a hundred.
SURE = 2.576


@cache
def flown(kind: str = "single", air: Air = STANDARD_AIR, **changes: float | bool) -> Flight:
    """Return the truth of a flight of the stock vehicle with some numbers changed; `kind`: single, dual or ballistic."""
    return fly(Vehicle(**{**STOCK, **changes}), air, kind, PAD_S, REST_S)


def weak(ratio: float) -> Flight:
    """Fly a vehicle that starts with a thrust of so many times its weight."""
    heavy = 1.5 * (1.1 if ratio < 1.5 else 1.08)  # with what it burns
    return flown(thrust_n=ratio * heavy * G, **WEAK)


def pressures(
    flight: Flight, air: Air = STANDARD_AIR, lag_s: float = 0.02, share: float = 0.0, noise_pa: float = 3.0, seed: int = 1
) -> Floats:
    """Return static pressure (Pa) at a port of a lag that reads `share` of the dynamic pressure too much on the way up."""
    grid = np.linspace(-60.0, float(flight.up_m.max()) + 60.0, 800)
    still = np.interp(flight.up_m, grid, [air.pressure(float(h)) for h in grid])
    density = air.pressure_pa / (287.053 * air.temperature_k) * still / air.pressure_pa
    seen = still + share * 0.5 * density * np.where(flight.climb_m_s > 0.0, flight.speed_m_s, 0.0) ** 2
    keep = exp(-STEP_S / max(lag_s, 1e-3))
    lagged = lfilter([1.0 - keep], [1.0, -keep], seen - seen[0]) + seen[0]
    return np.asarray(lagged + np.random.default_rng(seed).normal(0.0, noise_pa, len(seen)))


def standard_height(pressure_pa: Floats) -> Floats:
    """Return the height (m) over its start that the standard formula gives, as much firmware computes it."""
    first = float(np.median(pressure_pa[:1000]))
    return np.asarray(44330.77 * ((first / 101325.0) ** 0.190263 - (pressure_pa / 101325.0) ** 0.190263))


def forces(
    flight: Flight,
    hangs: tuple[float, float, float] = (0.0, 0.0, 1.0),
    lies: tuple[float, float, float] = (1.0, 0.0, 0.0),
    bias: tuple[float, float, float] = (0.0, 0.0, 0.0),
    shake: float = 0.0,
    clip_g: float = 100.0,
    noise: float = 0.08,
    seed: int = 2,
) -> Floats:
    """Return specific force in body axes (m/s2), shape (n, 3): along the nose going up, as it hangs and lies afterwards."""
    t, apogee, landing = flight.t, flight.moments["apogee_time"], flight.moments["landing"]
    along = flight.along_m_s2
    body = np.zeros((len(t), 3))
    body[:, 2] = along
    falls = (t > apogee) & (t < landing)
    body[falls] = along[falls, None] * (np.array(hangs) / np.linalg.norm(hangs))
    body[t >= landing] = G * np.array(lies) / np.linalg.norm(lies)
    rng = np.random.default_rng(seed)
    body += np.array(bias) + rng.normal(0.0, 1.0, body.shape) * (noise + shake * (flight.powered > 0.05)[:, None])
    return np.asarray(np.clip(body, -clip_g * G, clip_g * G))


def tilts(flight: Flight) -> Floats:
    """Return the nose's angle from the vertical (rad), to the east: along the flight, then upright within seconds.

    Nothing of a size to fly turns over in a hundredth: smoothed over a few tenths of a second.
    """
    apogee_s, keep = flight.moments["apogee_time"], exp(-STEP_S / 0.12)
    top = float(np.interp(apogee_s, flight.t, flight.tilt))
    lean = np.where(flight.t <= apogee_s, flight.tilt, top * np.exp(-np.clip(flight.t - apogee_s, 0.0, None) / 0.8))
    slow = lfilter([(1.0 - keep) ** 2], [1.0, -2.0 * keep, keep * keep], lean - lean[0])
    return np.asarray(slow + lean[0])


def attitudes(tilt: Floats) -> Floats:
    """Return tilts to the east (rad) as quaternions w, x, y, z from body to east, north, up, shape (n, 4)."""
    half = 0.5 * tilt
    zero = np.zeros(len(half))
    return np.column_stack([np.cos(half), zero, np.sin(half), zero])


def nose_rates(tilt: Floats) -> Floats:
    """Return the body rates (rad/s) of tilts to the east, shape (n, 3), without roll."""
    zero = np.zeros(len(tilt))
    return np.column_stack([zero, np.gradient(tilt, STEP_S), zero])


def upright(flight: Flight, noise: float = 0.08, bias: float = 0.0, seed: int = 2) -> Floats:
    """Return specific force in body axes as `tilts` has it, shape (n, 3); what is lost of the drag across is left out."""
    lean, climbs_ = tilts(flight), flight.t <= flight.moments["apogee_time"]
    across, along = -np.sin(lean) * flight.along_m_s2, np.cos(lean) * flight.along_m_s2
    body = np.column_stack([np.where(climbs_, 0.0, across), np.zeros(len(lean)), along])
    body[climbs_, 2] = flight.along_m_s2[climbs_]
    return np.asarray(body + bias + np.random.default_rng(seed).normal(0.0, noise, body.shape))


def velocities(flight: Flight) -> Floats:
    """Return the speed over ground east, north, up (m/s), shape (n, 3)."""
    east = np.sqrt(np.clip(flight.speed_m_s**2 - flight.climb_m_s**2, 0.0, None))
    return np.column_stack([east, np.zeros(len(east)), flight.climb_m_s])


@dataclass(frozen=True)
class Packet:
    """One packet: its rate, the roles it carries in order, their values on the simulator's grid, shape (n, roles)."""

    name: str
    rate_hz: float
    roles: tuple[str, ...]
    values: Floats
    until_s: float = float("inf")
    sensor_range: tuple[float, float] | None = None


STATE = (*POSITION, *VELOCITY, *QUATERNION, "body_rate.x", "body_rate.y", "body_rate.z")


def state_packet(flight: Flight, tilt: Floats, up_m: Floats | None = None, roll_rad_s: Floats | None = None) -> Packet:
    """Return a packet of a whole state vector at 20 Hz, its height `up_m` where that is not the truth.

    It trembles by a millimeter, as an estimate that runs does: one that stands still to the last bit is frozen.
    """
    zero, rates = np.zeros(len(tilt)), nose_rates(tilt)
    if roll_rad_s is not None:
        rates[:, 2] = roll_rad_s
    place = [flight.across_m, zero, flight.up_m if up_m is None else up_m]
    values = np.column_stack([*place, velocities(flight), attitudes(tilt), rates])
    return Packet("state", 20.0, STATE, values + np.random.default_rng(4).normal(0.0, 1e-3, values.shape))


def air_packet(values: Floats, rate_hz: float = 20.0, role: str = "pressure") -> Packet:
    """Return a packet of a barometer alone."""
    return Packet("air", rate_hz, (role,), values)


def unit_packet(values: Floats, rate_hz: float = 50.0, sensor_range: tuple[float, float] | None = None) -> Packet:
    """Return a packet of an accelerometer of three axes."""
    return Packet("unit", rate_hz, FORCE, values, sensor_range=sensor_range)


def _unit_of(role: str) -> str:
    return UNITS.get(role) or UNITS[role.split(".")[0]]


def _logged(flight: Flight, packets: Sequence[Packet], vehicle: Mapping[str, object], site: Mapping[str, object]) -> Logged:
    rows = []
    for one in packets:
        spread = None if one.sensor_range is None else list(one.sensor_range)
        fields = [LoggedField(role=role, unit=_unit_of(role), constant=0.0, sensor_range=spread) for role in one.roles]
        every = max(1, round(1.0 / one.rate_hz / STEP_S))
        values = one.values if one.values.ndim == 2 else one.values[:, None]
        chosen = np.arange(0, len(flight.t), every)
        chosen = chosen[flight.t[chosen] < one.until_s]
        packet = LoggedPacket(name=one.name, file="", time="", rate_hz=one.rate_hz, field=fields)
        rows.append((packet, Samples(flight.t[chosen], values[chosen])))
    packet_list = [packet for packet, _ in rows]
    return Logged(
        LoggedFlight(
            name="outside", packet=packet_list, pad_s=0.0, pad_until_s=-1.0, vehicle=dict(vehicle), site=dict(site)
        ),
        tuple(rows),
    )


def told(
    flight: Flight,
    packets: Sequence[Packet],
    *,
    vehicle: Mapping[str, object] | None = None,
    site: Mapping[str, object] | None = None,
    gaps: Iterable[tuple[float, float]] = (),
    loss: float = 0.0,
    seed: int = 1,
) -> Heard:
    """Return what the station tells of a flight sent as these packets; nothing is heard in `gaps` (log seconds)."""
    sent = _logged(flight, packets, vehicle or {}, site or {}).sent(seed)
    frames = heard(sent.frames, loss, np.random.default_rng([8, seed]))
    for start, stop in gaps:
        frames = [(t, frame) for t, frame in frames if not start <= t + sent.log_zero_s < stop]
    with TemporaryDirectory() as folder:
        return Heard.of(open_review(record(Path(folder), sent, frames)), sent.log_zero_s)


def kept(folder: Path, flight: Flight, packets: Sequence[Packet], loss: float = 0.0, seed: int = 1) -> Review:
    """Return the recording of a flight sent as these packets, in a folder that stays."""
    sent = _logged(flight, packets, {}, {}).sent(seed)
    return open_review(record(folder, sent, heard(sent.frames, loss, np.random.default_rng([8, seed]))))


def moment(heard_: Heard, key: str) -> float | None:
    """Return a moment of the summary in log seconds, or None."""
    value = heard_.summary.get(key)
    t = value.get("t") if isinstance(value, dict) else value
    return None if t is None else float(str(t)) + heard_.log_zero_s


def apogee_m(heard_: Heard) -> float | None:
    """Return the height of the apogee told, or None."""
    value = heard_.summary["apogee"]
    return None if value is None else value["height_m"]


def predicted(heard_: Heard, flight: Flight, after_s: float = 3.0) -> Told:
    """Return the apogee as it was predicted so long after burnout, with one sigma."""
    at_s = flight.moments["burnout"] + after_s
    known = Known(quantity="predicted_apogee", source="truth", value=flight.moments["apogee"], at_s=at_s)
    return QUANTITIES["predicted_apogee"].read(heard_, known)


def climbs(heard_: Heard, flight: Flight, start_s: float, stop_s: float) -> tuple[Floats, Floats]:
    """Return told and true climb rate (m/s) between two log seconds."""
    rows = heard_.review.output.rows["ground_vertical"]
    t = rows.t + heard_.log_zero_s
    chosen = (t >= start_s) & (t < stop_s)
    return rows.numbers("climb_rate")[chosen], np.interp(t[chosen], flight.t, flight.climb_m_s)


def off_lift_off(heard_: Heard, flight: Flight) -> tuple[float, float]:
    """Return error and told sigma of lift-off in seconds; both must be there."""
    at, sigma = moment(heard_, "lift_off_t"), heard_.number("lift_off", "sigma_s")
    assert at is not None, "no lift-off"
    assert sigma == sigma, f"lift-off off by {at - flight.moments['lift_off']:+.3f} s without a sigma"
    return at - flight.moments["lift_off"], sigma
