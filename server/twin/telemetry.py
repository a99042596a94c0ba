"""What the vehicle sends, when, and where each value comes from: one function per packet of the dictionary."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from functools import partial

from protocol.dictionary import Dictionary
from protocol.errors import Problem
from protocol.fields import Packet, Value
from protocol.identity import IDENTITY_NAME
from server.twin.attitude import Vector
from server.twin.flight_computer import CYCLE_S, FlightComputer
from server.twin.wire import VehicleWire

FIRMWARE = "twin 1.0"
FRAME_AGE_MOST_S = 65.535  # sixteen bits of milliseconds: an older frame is told as this old

NEVER_CYCLES = 2**31  # most of a year: a rate this small sends once, if at all
_HAIR = 1e-9


class TwinProblem(Problem):
    """The dictionary asks for what a simulated vehicle does not do; the text is one plain sentence."""


def period_cycles(packet: Packet) -> int:
    """Return every how many cycles a packet with a rate is sent; raises TwinProblem for one faster than a cycle."""
    per_cycle = packet.rate_hz * CYCLE_S
    if per_cycle > 1.0 + _HAIR:
        raise TwinProblem(
            f"The packet {packet.name} is declared at {packet.rate_hz:g} Hz; "
            f"the simulated vehicle sends at most {1.0 / CYCLE_S:g} Hz."
        )
    return round(1.0 / per_cycle) if per_cycle > 1.0 / NEVER_CYCLES else NEVER_CYCLES


class LinkLevels:
    """The two radio levels of the moment, dBm, as the radio's owner keeps them up to date."""

    def __init__(self) -> None:
        self.up_dbm = -120.0
        self.down_dbm = -120.0


Values = Mapping[str, Value]
_NAVIGATION_NAMES = (
    "east", "north", "up", "vel_east", "vel_north", "vel_up",
    "q_w", "q_x", "q_y", "q_z", "rate_x", "rate_y", "rate_z",
)  # fmt: skip


def navigation(computer: FlightComputer) -> dict[str, float]:
    """Return the state vector; one frame of it is not a number when the firmware's fault says so."""
    nav = computer.nav
    attitude_and_rates = (*nav.quaternion, *nav.rates)
    if computer.bad_number_due:
        computer.bad_number_due = False
        attitude_and_rates = (math.nan,) * 7
    return dict(zip(_NAVIGATION_NAMES, (*nav.position, *nav.velocity, *attitude_and_rates), strict=True))


def _imu(accel: Vector, gyro: Vector, temperature_k: float) -> Values:
    names = ("accel_x", "accel_y", "accel_z", "gyro_x", "gyro_y", "gyro_z", "temperature")
    return dict(zip(names, (*accel, *gyro, temperature_k), strict=True))


def imu_a(computer: FlightComputer) -> Values:
    """Return unit A, the sample the navigation has just used."""
    return _imu(computer.accel, computer.gyro, computer.airframe.imu_a.temperature_k(computer.now_s))


def imu_b(computer: FlightComputer) -> Values:
    """Return a fresh sample of unit B."""
    unit = computer.airframe.imu_b
    return _imu(*unit.sample(computer.airframe.motion), unit.temperature_k(computer.now_s))


def barometer(computer: FlightComputer) -> Values:
    """Return pressure, sensor temperature and the height computed on board."""
    # The sensor sits in moving air and warms itself only a little: the ground takes the pad's air temperature from it.
    warmth = 0.2 + 0.5 * (1.0 - math.exp(-computer.now_s / 240.0))
    return {
        "pressure": computer.pressure_pa,
        "temperature": computer.vehicle.site.pad_temperature_k + warmth,
        "altitude": computer.nav.altitude_baro_m,
    }


def fins(computer: FlightComputer) -> Values:
    """Return commanded and measured fin angles and the servo bus."""
    servos, battery = computer.airframe.servos, computer.airframe.battery
    values: dict[str, Value] = {}
    for fin, (commanded, measured) in enumerate(zip(servos.commanded, servos.measured_rad(), strict=True), 1):
        values[f"fin_{fin}_commanded"] = commanded
        values[f"fin_{fin}_measured"] = measured
    current = battery.rails_a["servo"]
    values["bus_voltage"] = servos.bus_voltage_v(battery.voltage_v, current)
    values["bus_current"] = current
    values["frame_age"] = min(servos.frame_age_s(), FRAME_AGE_MOST_S)
    return values


def control(computer: FlightComputer) -> Values:
    """Return phase, mode, gate and roll command."""
    roll = computer.control
    return {
        "phase": computer.phase,
        "mode": computer.mode,
        "gate_altitude_met": int(roll.altitude_met),
        "gate_speed_met": int(roll.speed_met),
        "enabled": int(roll.enabled),
        "separated": int(computer.separated),
        "deployed": int(computer.deployed_s is not None),
        "gate_altitude": computer.numbers.gate_altitude_m,
        "gate_speed": computer.numbers.gate_speed_m_s,
        "roll_command": roll.command_rad,
    }


def power(computer: FlightComputer) -> Values:
    """Return battery and rails."""
    battery = computer.airframe.battery
    return {
        "battery_voltage": battery.voltage_v,
        "battery_current": battery.current_a,
        "charge_used": battery.used_c,
        **{f"{rail}_current": current for rail, current in battery.rails_a.items()},
    }


def cameras(computer: FlightComputer) -> Values:
    """Return the camera switch board."""
    values: dict[str, Value] = {}
    for number, camera in enumerate(computer.airframe.cameras, 1):
        values[f"camera_{number}_powered"] = int(camera.powered)
        values[f"camera_{number}_recording"] = int(camera.recording)
        values[f"camera_{number}_storage"] = camera.storage_b
        values[f"camera_{number}_current"] = computer.vehicle.battery.camera_a if camera.powered else 0.0
    return values


def motors(computer: FlightComputer) -> Values:
    """Return the lateral motor board."""
    board = computer.airframe.board
    values: dict[str, Value] = {"board_inhibited": int(board.inhibited)}
    for number, channel in enumerate(board.lateral, 1):
        values[f"channel_{number}_continuity"] = int(channel.continuity)
        values[f"channel_{number}_armed"] = int(channel.armed)
        values[f"channel_{number}_fired"] = int(channel.fired)
    return values


def recovery(computer: FlightComputer) -> Values:
    """Return the recovery channels."""
    values: dict[str, Value] = {}
    for number, channel in enumerate(computer.airframe.board.recovery, 1):
        values[f"recovery_{number}_continuity"] = int(channel.continuity)
        values[f"recovery_{number}_armed"] = int(channel.armed)
        values[f"recovery_{number}_fired"] = int(channel.fired)
    return values


SOURCES: dict[str, Callable[[FlightComputer], Values]] = {
    "navigation": navigation,
    "imu_a": imu_a,
    "imu_b": imu_b,
    "barometer": barometer,
    "fins": fins,
    "control": control,
    "power": power,
    "cameras": cameras,
    "motors": motors,
    "recovery": recovery,
}


class Telemetry:
    """The sending schedule of one start of the vehicle. Raises TwinProblem for what this vehicle cannot send."""

    def __init__(self, dictionary: Dictionary, computer: FlightComputer, link: VehicleWire, levels: LinkLevels) -> None:
        for needed in ("startup", "event"):
            if needed not in dictionary.packets:
                raise TwinProblem(
                    f"The simulated vehicle needs a packet {needed}; the dictionary {dictionary.name} has none."
                )
        self._computer, self._link, self._levels = computer, link, levels
        self._sources: dict[str, Callable[[], Values]] = {name: partial(take, computer) for name, take in SOURCES.items()}
        self._sources |= {"link": self._link_values, "navigation": self._navigation_values}
        # Spread the packets over the cycles, or all of them would queue for the radio at the same instant.
        self._plan = [
            (name, period_cycles(packet), place)
            for place, (name, packet) in enumerate(dictionary.packets.items())
            if packet.rate_hz > 0.0 and name in self._sources
        ]
        self._startup_cycles = {10, 60, 110}
        self._identity_period = period_cycles(dictionary.packets[IDENTITY_NAME]) if dictionary.is_bound else 0
        self._hash = dictionary.hash32
        self.nonfinite_frames = 0

    def frames(self, cycle: int, vehicle_ms: int) -> Iterator[tuple[bool, bytes]]:
        """Yield (periodic, frame) of everything due in a cycle; who is speaking comes first after a start."""
        if self._identity_period and cycle % self._identity_period == 1:
            yield False, self._link.identity_frame(vehicle_ms)
        if cycle in self._startup_cycles:
            values: dict[str, Value] = {"boot_id": self._link.boot_id, "dictionary_hash": self._hash, "firmware": FIRMWARE}
            yield False, self._link.frame("startup", vehicle_ms, values)
        for name in self._due(cycle):
            yield True, self._link.frame(name, vehicle_ms, self._sources[name]())

    def _due(self, cycle: int) -> list[str]:
        return [name for name, period, place in self._plan if (cycle + place) % period == 0]

    def event(self, severity: str, text: str, vehicle_ms: int) -> bytes:
        """Return the frame of an event."""
        return self._link.frame("event", vehicle_ms, {"severity": severity, "text": text})

    def _navigation_values(self) -> Values:
        values = navigation(self._computer)
        if not math.isfinite(sum(values.values())):
            self.nonfinite_frames += 1
        return values

    def _link_values(self) -> Values:
        link, levels = self._link, self._levels
        return {
            "boot_id": link.boot_id,
            "last_counter": link.last_counter,
            "level": levels.up_dbm,
            "frames_good": link.frames_good,
            "frames_bad": link.frames_bad,
            "downlink_level": levels.down_dbm,
        }
