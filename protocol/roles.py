"""The registry of roles: what a channel may be bound to, in which unit, what it means, who uses it, what goes without it.

One table as data. From it come `blockhouse dictionary roles`, the list in `WIRE.md`, what `blockhouse dictionary check` says
of roles, and the unit in which the station has a value: one that is convertible is converted where the packet is decoded.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Literal

from protocol.units import to_unit

Shape = Literal["number", "flag", "enum", "text"]


@dataclass(frozen=True)
class Role:
    """One role, or a family of them: `pattern` may hold {a|b} for one of several words and [n] for any index.

    `unit` is the one the station computes in, "" for a plain number; `since` the version that knew it first.
    """

    pattern: str
    unit: str
    shape: Shape
    meaning: str
    used_by: str
    without: str = ""
    since: str = "0.1"

    @property
    def is_sensor(self) -> bool:
        """Whether it is what a sensor measures, so that a stimulus may carry it."""
        return self.pattern in SENSORS

    @property
    def words(self) -> str:
        """The pattern as a regular expression."""
        parts = re.split(r"(\{[^}]*\}|\[n\])", self.pattern)
        return "".join(_piece(part) for part in parts)


def _piece(part: str) -> str:
    if part == "[n]":
        return r"\[[a-z0-9_]+\]"
    return f"(?:{part[1:-1]})" if part.startswith("{") else re.escape(part)


NEW = "0.2"
# What a stimulus may carry: what the outside tells a flight computer, never what it works out, does, or can fire.
# A place counts, since some boards take it from a receiver as meters from the pad.
SENSORS = frozenset(
    "pressure baro_temperature pressure_total pressure_dynamic accel.{a|b}.{x|y|z} gyro.{a|b}.{x|y|z} imu_temperature.{a|b} "
    "magnetometer.{x|y|z} position.{east|north|up} gnss.latitude gnss.longitude gnss.height gnss.speed gnss.course gnss.fix "
    "gnss.satellites gnss.accuracy separation stage[n].separated battery.voltage battery.current battery.charge_used "
    "rail[n].current camera[n].current".split()
)
REGISTRY: tuple[Role, ...] = (
    # The air and the inertial units.
    Role("pressure", "Pa", "number", "static pressure of the air", "height, climb, phases", "no height from pressure"),
    Role("baro_temperature", "K", "number", "temperature of the barometer's board", "power, limits"),
    Role("altitude_baro", "m", "number", "height by the vehicle's own barometer", "height, comparison", "no second height"),
    Role("pressure_total", "Pa", "number", "total pressure at a probe in the nose", "recorded and shown", since=NEW),
    Role("pressure_dynamic", "Pa", "number", "total less static pressure", "recorded and shown", since=NEW),
    Role("accel.{a|b}.{x|y|z}", "m/s2", "number", "specific force of unit a or b, body axes, z to the nose",
         "lift-off, burnout, climb, drag", "no lift-off by force, no burnout, no drag"),
    Role("gyro.{a|b}.{x|y|z}", "rad/s", "number", "turn rate of unit a or b, body axes", "units, swing, roll",
         "no roll, no comparison of the units"),
    Role("imu_temperature.{a|b}", "K", "number", "temperature of an inertial unit", "recorded and shown"),
    Role("magnetometer.{x|y|z}", "T", "number", "magnetic field, body axes", "recorded and shown", since=NEW),
    # The vehicle's own state.
    Role("position.{east|north|up}", "m", "number", "place from the pad by the vehicle's navigation", "recovery, tracks",
         "no place by navigation; GNSS will do"),
    Role("velocity.{east|north|up}", "m/s", "number", "speed by the vehicle's navigation", "speed, prediction, state vector",
         "no speed across, so the prediction takes the flight for upright"),
    Role("attitude_quaternion.{w|x|y|z}", "1", "number", "turn from body to east, north, up", "tilt, swing, climb",
         "no tilt, no swing; climb after apogee from the barometer"),
    Role("body_rate.{x|y|z}", "rad/s", "number", "turn rate by the vehicle's navigation", "swing, roll, state vector",
         "no swing"),
    Role("vehicle_phase", "", "enum", "what the vehicle believes it is doing", "phase agreement, interlocks",
         "no comparison of phases"),
    # GNSS.
    Role("gnss.latitude", "deg", "number", "latitude, north positive; a 32-bit float is too coarse", "recovery",
         "no place by GNSS", NEW),
    Role("gnss.longitude", "deg", "number", "longitude, east positive", "recovery", "no place by GNSS", NEW),
    Role("gnss.height", "m", "number", "height of the receiver, over sea or ellipsoid as it counts", "recovery",
         "the GNSS place has no height", NEW),
    Role("gnss.speed", "m/s", "number", "speed over ground", "recorded and shown", since=NEW),
    Role("gnss.course", "rad", "number", "course over ground, from north clockwise", "recorded and shown", since=NEW),
    Role("gnss.fix", "", "number", "0 no fix, 1 or 2 without height, 3 and above whole", "recovery",
         "every finite place counts as a fix", NEW),
    Role("gnss.satellites", "", "number", "satellites used", "recorded and shown", since=NEW),
    Role("gnss.accuracy", "m", "number", "horizontal accuracy as the receiver tells it", "recorded and shown", since=NEW),
    # Control.
    Role("fin[n].{commanded|measured}", "rad", "number", "angle of a fin", "roll authority, interlocks",
         "no roll authority"),
    Role("vane[n].{commanded|measured}", "rad", "number", "angle of a vane in the jet", "recorded and shown", since=NEW),
    Role("gimbal.{pitch|yaw}.{commanded|measured}", "rad", "number", "angle of the motor's gimbal", "recorded and shown",
         since=NEW),
    Role("control.roll_command", "rad", "number", "what the roll loop asks of the fins", "recorded and shown"),
    Role("control.mode", "", "enum", "mode of the control", "shown"),
    Role("control.enabled", "", "flag", "control is on", "moments, gate"),
    Role("control.gate.altitude", "m", "number", "height above which control may begin", "control gate"),
    Role("control.gate.speed", "m/s", "number", "speed above which control may begin", "control gate"),
    Role("control.gate.{altitude_met|speed_met}", "", "flag", "the gate's condition is met", "control gate"),
    Role("guard.count", "", "number", "how often the firmware fell back to its last valid state", "alarm, finding",
         "a fallback of some milliseconds goes unseen", NEW),
    Role("guard.first_time", "s", "number", "vehicle time at which it did so first", "alarm, finding", since=NEW),
    Role("guard.component", "", "enum", "what was no longer valid", "alarm, finding", since=NEW),
    # Recovery, staging, firing.
    Role("deployment", "", "flag", "deployment was commanded", "recovery", "deployment only by what the flight shows"),
    Role("separation", "", "flag", "the separation switch is open", "recovery"),
    Role("stage[n].separated", "", "flag", "a stage has left", "moments", since=NEW),
    Role("motor[n].ignited", "", "flag", "a motor has lit, the second one in the air", "moments, prediction",
         "a second thrust only by the force", NEW),
    Role("{channel|recovery}[n].{armed|fired}", "", "flag", "a firing channel is armed, has fired", "desk, interlocks"),
    Role("{channel|recovery}[n].continuity", "", "number", "a firing channel's igniter is whole, a flag or ohms",
         "desk, pad sheet"),
    Role("board.inhibited", "", "flag", "the firing board refuses to fire", "desk, interlocks"),
    # Power, cameras, servos.
    Role("battery.voltage", "V", "number", "battery voltage under load", "power", "no state of the battery"),
    Role("battery.current", "A", "number", "battery current", "power", "no minutes left"),
    Role("battery.charge_used", "C", "number", "charge drawn since the start", "power"),
    Role("rail[n].current", "A", "number", "current of a supply rail", "power"),
    Role("servo_bus.voltage", "V", "number", "voltage at the servos", "servo cable"),
    Role("servo_bus.current", "A", "number", "current of the servos", "servo cable"),
    Role("servo_bus.frame_age", "s", "number", "age of the last frame from the servos", "servo cable"),
    Role("camera[n].{powered|recording}", "", "flag", "a camera is on, records", "cameras, interlocks"),
    Role("camera[n].current", "A", "number", "current of a camera", "cameras"),
    Role("camera[n].storage_left", "B", "number", "storage left in a camera", "cameras"),
    # The link and what belongs to the wire.
    Role("{downlink|uplink}.level", "dBm", "number", "strength of what was received", "link"),
    Role("uplink.{frames_good|frames_bad}", "", "number", "frames the vehicle took, dropped", "link"),
    Role("uplink.last_counter", "", "number", "counter of the last command taken", "commands"),
    Role("event.text", "", "text", "what the vehicle says in words", "event list"),
    Role("event.severity", "", "number", "0 info, 1 caution, 2 warning", "event list"),
    Role("startup.{boot_id|dictionary_hash}", "", "number", "of this start, on wire version 1", "commands"),
    Role("startup.firmware", "", "text", "version of the firmware", "shown"),
    Role("boot_id", "", "number", "of this start, on wire version 1", "commands"),
    Role("answer.{boot_id|counter|code}", "", "number", "which command is answered", "commands"),
    Role("answer.{stage|reason}", "", "enum", "the answer, and why", "commands"),
    Role("identity.{wire|build|vehicle|dictionary_hash|boot_high|boot_low|last_counter|safed_counter|tag_high|tag_low}", "",
         "number", "of the identity packet, which belongs to the wire", "commands"),
    Role("rehearsal.{state|ended}", "", "enum", "of the packet rehearsal, which belongs to the wire", "rehearsal",
         since=NEW),
    Role("rehearsal.{session|number|time_us|missed|refused|ordered|orders|simulators|cycle_us}", "", "number",
         "of the packet rehearsal, which belongs to the wire", "rehearsal", since=NEW),
)  # fmt: skip


@cache
def entry_of(role: str) -> Role | None:
    """Return the registry's entry of a role, or None when it knows none."""
    return next((entry for entry in REGISTRY if re.fullmatch(entry.words, role)), None)


def spelled(pattern: str) -> list[str]:
    """Return every role of a pattern, its [n] left as it is."""
    choice = re.search(r"\{([^}]*)\}", pattern)
    if choice is None:
        return [pattern]
    return [
        one for word in choice[1].split("|") for one in spelled(pattern[: choice.start()] + word + pattern[choice.end() :])
    ]


def to_role_unit(role: str | None, unit: str) -> tuple[float, float] | None:
    """Return (scale, offset) from a declared unit to the one the station has this role in, or None for no such way.

    A role that the registry does not know, or a value without a unit, is as it is.
    """
    entry = entry_of(role) if role is not None else None
    if entry is None or not unit or unit == entry.unit or not entry.unit:
        return (1.0, 0.0)
    return to_unit(unit, entry.unit)


def role_unit(role: str | None) -> str:
    """Return the unit the station has a role in, "" for a plain number or a role that the registry does not know."""
    entry = entry_of(role) if role is not None else None
    return entry.unit if entry is not None else ""


def registry_lines() -> list[str]:
    """Return the registry as a table of text, as `WIRE.md` has it."""
    lines = [
        "| role | unit | shape | meaning | used by | without it | played | since |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for one in REGISTRY:
        pattern = one.pattern.replace("|", " or ")
        said = (one.meaning, one.used_by, one.without, "yes" * one.is_sensor, one.since)
        cells = (f"`{pattern}`", one.unit, one.shape, *said)
        lines.append("| " + " | ".join(cells) + " |")
    return lines
