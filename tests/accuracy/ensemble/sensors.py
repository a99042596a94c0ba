"""What a drawn vehicle's sensors and firmware make of its flight, and the packets it sends: every number is invented.

Errors the station's own simulated vehicle has not, or has as constants: port lag and share, vibration, scale, misalignment,
a bias that wanders, clipping, roll with a memory, tip-off at the rail's end, firmware with the standard formula, layouts
with sensors missing, and rates from 10 to 200 Hz.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from math import atan2, degrees, exp, hypot, log, pi

import numpy as np
from scipy.signal import lfilter

from tests.accuracy.ensemble.extras import with_extra
from tests.accuracy.ensemble.motion import Air, DoesNotFly, Flight, Floats, G, Vehicle, draw_vehicle, fly
from tests.accuracy.recorded.description import Known, LoggedField, LoggedFlight, LoggedPacket
from tests.accuracy.recorded.log_rows import Samples
from tests.accuracy.recorded.radio import Logged

PAD_S, REST_S = 45.0, 25.0
SLOW_AFTER_APOGEE_S, SLOW_HZ = 6.0, 20.0
LAYOUTS = ("barometer", "axis", "force", "unit", "everything")


@dataclass(frozen=True)
class Drawn:
    """One vehicle: its packets as logs, what is known of it, loss, and words about it."""

    logged: Logged
    known: tuple[Known, ...]
    loss: float
    traits: dict[str, object]


def _colored(rng: np.random.Generator, count: int, memory_s: float, step_s: float, sigma: float) -> Floats:
    """Return an AR(1) series of a memory and a standard deviation."""
    keep = exp(-step_s / memory_s)
    drive = rng.normal(0.0, sigma * np.sqrt(1.0 - keep * keep), count)
    drive[0] = rng.normal(0.0, sigma)
    return np.asarray(lfilter([1.0], [1.0, -keep], drive), dtype=np.float64)


def _flicker(rng: np.random.Generator, count: int, step_s: float, sigma: float) -> Floats:
    """Return noise that wanders at every time scale: a sum of AR(1) series an order apart."""
    parts = [_colored(rng, count, memory, step_s, sigma / 2.0) for memory in (0.3, 3.0, 30.0, 300.0)]
    return np.sum(parts, axis=0)


def _pressures(air: Air, flight: Flight, lag_s: float, share: float, noise_pa: float, rng: np.random.Generator) -> Floats:
    grid = np.linspace(-60.0, float(flight.up_m.max()) + 60.0, 800)
    still = np.interp(flight.up_m, grid, [air.pressure(float(h)) for h in grid])
    density = air.pressure_pa / (287.053 * air.temperature_k) * still / air.pressure_pa
    # The port looks forward on the way up only; under a canopy the air comes from elsewhere.
    seen = still + share * 0.5 * density * np.where(flight.climb_m_s > 0.0, flight.speed_m_s, 0.0) ** 2
    keep = exp(-0.01 / max(lag_s, 1e-3))
    lagged = lfilter([1.0 - keep], [1.0, -keep], seen - seen[0]) + seen[0]
    return np.asarray(lagged + rng.normal(0.0, noise_pa, len(seen)) + _flicker(rng, len(seen), 0.01, 2.0), dtype=np.float64)


def _forces(flight: Flight, rng: np.random.Generator, draw: random.Random, traits: dict[str, object]) -> Floats:
    """Return specific force in body axes, shape (n, 3), with what a real unit adds."""
    t, count = flight.t, len(flight.t)
    lift, apogee, landing = (flight.moments[name] for name in ("lift_off", "apogee_time", "landing"))
    along = flight.along_m_s2
    hang = rng.normal(size=3)
    hang /= np.linalg.norm(hang)
    lies = rng.normal(size=3) * np.array([1.0, 1.0, 0.2])
    lies /= np.linalg.norm(lies)
    swing = _colored(rng, count, 1.5, 0.01, 0.25)
    tip = draw.uniform(0.0, 6.0) * np.exp(-np.clip(t - lift - 0.3, 0.0, None) / 0.5) * np.sin(9.0 * (t - lift - 0.3))
    tip = np.where((t > lift + 0.3) & (t < apogee), tip, 0.0)
    body = np.zeros((count, 3))
    climbs = t <= apogee
    body[climbs, 2], body[climbs, 0] = along[climbs], tip[climbs] * np.clip(flight.speed_m_s[climbs] / 60.0, 0.0, 2.0)
    side = np.where(t < lift, G * np.sin(flight.tilt), 0.0)
    body[:, 1] += np.where(climbs, side, 0.0)
    falls = (t > apogee) & (t < landing)
    turned = hang[None, :] + swing[falls, None] * np.array([1.0, -0.6, 0.3])
    body[falls] = along[falls, None] * turned / np.linalg.norm(turned, axis=1)[:, None]
    body[t >= landing] = G * lies
    turn = rng.normal(0.0, draw.uniform(0.0, 3.0) * pi / 180.0, 3)
    small = np.array([[0.0, -turn[2], turn[1]], [turn[2], 0.0, -turn[0]], [-turn[1], turn[0], 0.0]])
    bias = draw.choice((0.1, 0.3, 0.3, 0.6, 1.2))
    shake = draw.choice((0.0, 0.5, 1.5, 4.0))
    clip_g = draw.choice((16.0, 32.0, 32.0, 100.0, 100.0))
    traits |= {"bias": bias, "shake": shake, "clip_g": clip_g}
    measured = body @ (np.eye(3) + small).T * (1.0 + rng.normal(0.0, 0.015, 3)) + rng.normal(0.0, bias, 3)
    measured += np.column_stack([_flicker(rng, count, 0.01, 0.02) for _ in range(3)])
    measured += rng.normal(0.0, 1.0, (count, 3)) * (draw.uniform(0.03, 0.15) + shake * flight.powered[:, None])
    rest = measured[(t > 1.0) & (t < lift - 1.0)].mean(axis=0)
    traits |= {"rest_m_s2": float(np.linalg.norm(rest)), "clips": bool(np.abs(measured).max() >= clip_g * G)}
    return np.clip(measured, -clip_g * G, clip_g * G)


def _rates(flight: Flight, rng: np.random.Generator, draw: random.Random) -> Floats:
    """Return body rates in rad/s, shape (n, 3), a roll turned by a torque with a memory, and a gyro's floor."""
    t, count = flight.t, len(flight.t)
    flies = (t > flight.moments["lift_off"]) & (t < flight.moments["apogee_time"])
    torque = _colored(rng, count, 0.3, 0.01, draw.uniform(0.2, 4.0)) * flies
    keep = exp(-0.01 / 0.8)
    roll = lfilter([0.01], [1.0, -keep], torque)
    nose = -np.gradient(flight.tilt, t) * flies
    swung = _colored(rng, count, 0.4, 0.01, 0.6) * ((t > flight.moments["apogee_time"]) & (t < flight.moments["landing"]))
    body = np.column_stack([nose + swung, 0.7 * swung, roll + 0.5 * swung])
    wander = np.column_stack([_flicker(rng, count, 0.01, 1e-4) for _ in range(3)])
    return np.asarray(body + wander + rng.normal(0.0, 1e-3, (count, 3)) + rng.normal(0.0, 5e-3, 3), dtype=np.float64)


def _standard_height(pressure: Floats) -> Floats:
    first = float(np.median(pressure[:1000]))
    return 44330.77 * ((first / 101325.0) ** 0.190263 - (pressure / 101325.0) ** 0.190263)


def _known(flight: Flight) -> tuple[Known, ...]:
    m = flight.moments
    names = ("lift_off", "burnout", "greatest_speed", "apogee", "apogee_time", "landing", "landing_speed")
    known = [Known(quantity=name, source="truth", value=m[name]) for name in names]
    spent_s = m.get("burnout_2", m["burnout"])
    if m["apogee_time"] - spent_s > 4.5 and "opening" not in m:  # nobody foretells a canopy that opens early
        known.append(Known(quantity="predicted_apogee", source="truth", value=m["apogee"], at_s=spent_s + 3.0))
    few = ("ignition_2", "burnout_2", "opening", "opening_climb", "parted", "kept_share")
    known += [Known(quantity=name, source="truth", value=m[name]) for name in few if name in m]
    for stage in ("deployed", "main", "parted"):
        if f"{stage}_rate" in m:
            at, rate = m[f"{stage}_at"], m[f"{stage}_rate"]
            known.append(Known(quantity="descent_rate", source=stage, value=rate, at_s=at))
    return tuple(known)


def _ignited(flight: Flight) -> tuple[LoggedPacket, Samples]:
    """Return the vehicle's own word that its second motor has lit."""
    lit = (flight.t >= flight.moments["ignition_2"]).astype(np.float64)
    field = LoggedField(role="motor[2].ignited", unit="1", constant=0.0)
    return _packet("stage", 10.0, [field]), _sampled(flight, 10.0, lit[:, None])


def _packet(name: str, rate_hz: float, fields: list[LoggedField]) -> LoggedPacket:
    return LoggedPacket(name=name, file="", time="", rate_hz=rate_hz, field=fields)


def _sampled(flight: Flight, rate_hz: float, values: Floats) -> Samples:
    """Return rows at a packet's rate, slower under the canopy, as firmware does to save the radio."""
    slow_s = flight.moments["apogee_time"] + SLOW_AFTER_APOGEE_S
    fast = np.arange(0.0, min(slow_s, flight.t[-1]), 1.0 / rate_hz)
    t = np.concatenate([fast, np.arange(slow_s, flight.t[-1], 1.0 / min(rate_hz, SLOW_HZ))])
    places = np.clip(np.searchsorted(flight.t, t), 0, len(flight.t) - 1)
    return Samples(t, values[places])


def draw(seed: int, extra: str = "") -> Drawn:
    """Draw a vehicle, fly it, and return its logs with the truth; what cannot fly is drawn anew.

    With an `extra` (see `extras`) it is a vehicle of its own that the ones without know nothing of.
    """
    one = random.Random(f"ensemble {seed} {extra}".strip())
    while True:
        try:
            return _draw(seed, one, extra)
        except DoesNotFly:
            continue


def _draw(seed: int, one: random.Random, extra: str) -> Drawn:
    rng = np.random.default_rng([2026, seed])
    target = exp(one.uniform(log(50.0), log(10_000.0)))
    weak = one.random() < 0.15 and target < 1500.0
    vehicle: Vehicle = draw_vehicle(one, target, weak)
    elevation = one.choice((0.0, 0.0, one.uniform(0.0, 1500.0)))
    air = Air(
        101325.0 * exp(-elevation / 8400.0) + one.gauss(0.0, 700.0), one.uniform(258.0, 308.0), one.uniform(0.005, 0.0075)
    )
    usual = "dual" if target > 500.0 else "single"
    kind = one.choices((usual, "single" if target < 3000.0 else usual, "ballistic"), (0.8, 0.14, 0.06))[0]
    if extra:
        vehicle, kind = with_extra(vehicle, kind, target, extra, one)
    flight = fly(vehicle, air, kind, PAD_S, REST_S)
    layout = one.choices(LAYOUTS, (0.18, 0.12, 0.2, 0.25, 0.25))[0]
    rate = one.choice((10.0, 20.0, 20.0, 50.0, 100.0, 200.0))
    traits: dict[str, object] = {"layout": layout, "rate": rate, "kind": kind, "mass": vehicle.dry_kg, "weak": weak}
    more = random.Random(f"ensemble, what came later {seed}")  # so that the vehicles of before stay as they were
    if extra:
        traits["extra"] = extra
    traits |= {"air_k": air.temperature_k, "deploy_s": vehicle.deploy_after_s}
    path = _drifted(flight, more, traits)
    packets = _packets(vehicle, air, replace(flight, across_m=path[:, 0]), layout, rate, rng, one, traits)
    for packet, samples in packets:
        if packet.name == "state":  # its navigation drifts with it
            samples.values[:, 1] = np.interp(samples.t, flight.t, path[:, 1])
    known = _known(flight)
    if vehicle.second is not None and more.random() < 0.4:
        packets.append(_ignited(flight))
        traits["word"] = "motor[2].ignited"
    if more.random() < 0.35:
        packets.append(_receiver(flight, path, more, np.random.default_rng([2027, seed]), traits))
        east, north = path[-1].tolist()
        spot = {"distance_m": hypot(east, north), "bearing_deg": degrees(atan2(east, north)) % 360.0}
        known = (*known, Known(quantity="landing_spot", source="truth", **spot))
    packets = _silenced(flight, packets, more, traits)
    site: dict[str, object] = {"temperature_k": air.temperature_k} if traits["air_told"] else {}
    logged = LoggedFlight(name=f"{seed}", packet=[packet for packet, _ in packets], pad_s=0.0, pad_until_s=-1.0, site=site)
    loss = one.choice((0.0, 0.0, one.uniform(0.0, 0.2)))
    return Drawn(Logged(logged, tuple(packets)), known, loss, traits)


def _drifted(flight: Flight, draw: random.Random, traits: dict[str, object]) -> Floats:
    """Return east, north (m), shape (n, 2): across on the way up is east; on the way down the wind adds."""
    wind, toward = draw.uniform(0.0, 8.0), draw.uniform(0.0, 2.0 * pi)
    traits["wind"] = wind
    falls = np.clip(flight.t, flight.moments["apogee_time"], flight.moments["landing"])
    # It grows with height as in a surface layer, and turns with none.
    share = np.clip(flight.up_m, 2.0, 1500.0) / 10.0
    carried = np.concatenate([[0.0], np.cumsum(np.diff(falls) * (wind * share**0.18)[1:])])
    return np.column_stack([flight.across_m + carried * np.sin(toward), carried * np.cos(toward)])


def _receiver(
    flight: Flight, path: Floats, draw: random.Random, rng: np.random.Generator, traits: dict[str, object]
) -> tuple[LoggedPacket, Samples]:
    """Return a GNSS packet: fixes that scatter and wander, late by a delay, none while it pushes hard."""
    rate, delay = draw.choice((1.0, 5.0, 10.0)), draw.choice((0.0, 0.1, 0.3))
    traits |= {"gnss_hz": rate, "gnss_delay": delay}
    count = len(flight.t)
    late = np.column_stack([np.interp(flight.t - delay, flight.t, column) for column in (*path.T, flight.up_m)])
    late += np.column_stack([_colored(rng, count, 120.0, 0.01, 1.0) for _ in range(3)]) * (1.0, 1.0, 2.0)
    late += rng.normal(0.0, 1.0, (count, 3)) * (0.8, 0.8, 1.6)
    # An invented place; the radii of curvature of the WGS 84 ellipsoid there.
    radius = 6378137.0 / np.sqrt(1.0 - 0.00669437999 * np.sin(44.0 * pi / 180.0) ** 2)
    meridian = 6378137.0 * (1.0 - 0.00669437999) / (1.0 - 0.00669437999 * np.sin(44.0 * pi / 180.0) ** 2) ** 1.5
    latitude = 44.0 + late[:, 1] / meridian * 180.0 / pi
    longitude = 9.0 + late[:, 0] / (radius * np.cos(44.0 * pi / 180.0)) * 180.0 / pi
    fields = [
        LoggedField(role="gnss.latitude", unit="deg", constant=0.0, type="f64"),
        LoggedField(role="gnss.longitude", unit="deg", constant=0.0, type="f64"),
        LoggedField(role="gnss.height", unit="m", constant=0.0),
    ]
    sent = _sampled(flight, rate, np.column_stack([latitude, longitude, 120.0 + late[:, 2]]))
    pushed = np.interp(sent.t, flight.t, flight.powered) > 0.0
    return _packet("gnss", rate, fields), Samples(sent.t[~pushed], sent.values[~pushed])


def _silenced(
    flight: Flight, packets: list[tuple[LoggedPacket, Samples]], draw: random.Random, traits: dict[str, object]
) -> list[tuple[LoggedPacket, Samples]]:
    """Return the packets with one sensor, never the barometer, silent from some moment of the flight on, in one of ten."""
    others = [packet.name for packet, _ in packets if packet.name != "air"]
    if not others or draw.random() >= 0.1:
        return packets
    name, end_s = draw.choice(others), draw.uniform(flight.moments["lift_off"], flight.moments["landing"])
    traits["silent"] = f"{name} {end_s - flight.moments['lift_off']:.1f} s after lift-off"
    return [
        (
            packet,
            samples if packet.name != name else Samples(samples.t[samples.t < end_s], samples.values[samples.t < end_s]),
        )
        for packet, samples in packets
    ]


def _packets(
    vehicle: Vehicle,
    air: Air,
    flight: Flight,
    layout: str,
    rate: float,
    rng: np.random.Generator,
    one: random.Random,
    traits: dict[str, object],
) -> list[tuple[LoggedPacket, Samples]]:
    lag, share, noise = one.choice((0.0, 0.02, 0.1, 0.25)), one.gauss(0.0, 0.025), exp(one.uniform(log(1.0), log(8.0)))
    step_pa = one.choice((0.01, 1.0, 10.0))
    traits |= {"air_told": one.random() < 0.5, "lag": lag, "share": share}
    pressure = np.round(_pressures(air, flight, lag, share, noise, rng) / step_pa) * step_pa
    columns, fields = [pressure], [LoggedField(role="pressure", unit="Pa", constant=0.0)]
    if layout != "barometer" and one.random() < 0.1:
        columns, fields = [_standard_height(pressure)], [LoggedField(role="altitude_baro", unit="m", constant=0.0)]
        traits["height"] = "altitude"
    elif one.random() < 0.5:
        warm = air.temperature_k + one.uniform(0.0, 20.0)
        traits["baro_k"] = warm
        columns.append(np.full(len(pressure), warm))
        fields.append(LoggedField(role="baro_temperature", unit="K", constant=0.0))
    baro_hz = max(10.0, rate / one.choice((1.0, 2.0, 4.0)))
    out = [(_packet("air", baro_hz, fields), _sampled(flight, baro_hz, np.column_stack(columns)))]
    if layout == "barometer":
        return out
    forces = _forces(flight, rng, one, traits)
    limit = float(str(traits["clip_g"])) * G
    span = [-limit, limit] if one.random() < 0.5 else None
    axes = "z" if layout == "axis" else "xyz"
    fields = [LoggedField(role=f"accel.a.{a}", unit="m/s2", constant=0.0, sensor_range=span) for a in axes]
    values = forces[:, 2:] if layout == "axis" else forces
    if layout in ("unit", "everything"):
        fields += [LoggedField(role=f"gyro.a.{a}", unit="rad/s", constant=0.0) for a in "xyz"]
        values = np.column_stack([values, _rates(flight, rng, one)])
    out.append((_packet("unit", rate, fields), _sampled(flight, rate, values)))
    if layout == "everything":
        state_hz = min(rate, 50.0)
        out.append((_packet("state", state_hz, STATE), _sampled(flight, state_hz, _state(flight, pressure, rng))))
    return out


STATE = [
    *(LoggedField(role=f"position.{a}", unit="m", constant=0.0) for a in ("east", "north", "up")),
    *(LoggedField(role=f"velocity.{a}", unit="m/s", constant=0.0) for a in ("east", "north", "up")),
    *(LoggedField(role=f"attitude_quaternion.{a}", unit="1", constant=0.0) for a in "wxyz"),
    *(LoggedField(role=f"body_rate.{a}", unit="rad/s", constant=0.0) for a in "xyz"),
]


def _state(flight: Flight, pressure: Floats, rng: np.random.Generator) -> Floats:
    """Return a firmware's state vector: height by the standard formula, attitude a degree off, eastward in the plane."""
    count = len(flight.t)
    lean = flight.tilt + _colored(rng, count, 20.0, 0.01, 0.015)
    falls = flight.t > flight.moments["apogee_time"]
    lean = np.where(falls, _colored(rng, count, 2.0, 0.01, 0.8), lean)
    keep = exp(-0.01 / 0.3)  # nothing of a size to fly turns over in a hundredth
    lean = np.asarray(lfilter([(1.0 - keep) ** 2], [1.0, -2.0 * keep, keep * keep], lean - lean[0])) + lean[0]
    zero, half = np.zeros(count), 0.5 * lean
    east = np.sqrt(np.clip(flight.speed_m_s**2 - flight.climb_m_s**2, 0.0, None))
    height = _standard_height(np.asarray(lfilter([0.1], [1.0, -0.9], pressure - pressure[0])) + pressure[0])
    climb = flight.climb_m_s * (1.0 + rng.normal(0.0, 0.005)) + _colored(rng, count, 2.0, 0.01, 0.3)
    return np.column_stack(
        [
            flight.across_m,
            zero,
            height,
            east,
            zero,
            climb,
            np.cos(half),
            zero,
            np.sin(half),
            zero,
            zero,
            np.gradient(lean, flight.t),
            zero,
        ]
    )
