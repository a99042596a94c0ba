"""The simulated flight computer: phases, control, deployment, and the hardware it switches.

It sees the world only through its sensors. `PHASES` and `MOVES` are its state machine: for each phase, the tests that
may end it, in order. Commands reach it through `orders.py`, telemetry reads it through `telemetry.py`.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from server.twin.firing import FiringBoard
from server.twin.motion import Motion
from server.twin.navigation import Navigation
from server.twin.power import Battery, Camera
from server.twin.roll_control import RollControl
from server.twin.sandpiper import Vehicle
from server.twin.sensors import Barometer, Imu, Satellite
from server.twin.servos import FinServos

CYCLE_S = 0.01
STARTUP, GROUND_TEST, PAD, BOOST, COAST, DESCENT, LANDED = (
    "startup", "ground test", "pad", "boost", "coast", "descent", "landed",
)  # fmt: skip
PHASES = (STARTUP, GROUND_TEST, PAD, BOOST, COAST, DESCENT, LANDED)
IN_FLIGHT = frozenset((BOOST, COAST, DESCENT))
_FIX_CYCLES = 20
_NO_PRESSURE_AFTER_CHARGE_S = 0.6


@dataclass
class Airframe:
    """The hardware that outlives a restart of the flight computer."""

    motion: Motion
    imu_a: Imu
    imu_b: Imu
    barometer: Barometer
    satellite: Satellite
    servos: FinServos
    battery: Battery
    cameras: list[Camera]
    board: FiringBoard


def build_airframe(vehicle: Vehicle, motion: Motion, rng: Callable[[str], random.Random]) -> Airframe:
    """Return the hardware of a vehicle; `rng` gives each part its own random stream by name."""
    navigation = vehicle.navigation
    return Airframe(
        motion=motion,
        imu_a=Imu(vehicle.imu_a, rng("imu_a")),
        imu_b=Imu(vehicle.imu_b, rng("imu_b")),
        barometer=Barometer(vehicle.barometer, rng("barometer")),
        satellite=Satellite(navigation.fix_error_m, navigation.fix_time_s, rng("satellite")),
        servos=FinServos(vehicle.fins, rng("servos")),
        battery=Battery(vehicle.battery),
        cameras=[Camera(vehicle.cameras, b) for b in vehicle.cameras.storage_b[: vehicle.cameras.fitted]],
        board=FiringBoard(vehicle.firing),
    )


class FlightComputer:
    """One start of the flight computer; `emit(severity, text)` takes what it has to say."""

    def __init__(self, vehicle: Vehicle, airframe: Airframe, emit: Callable[[str, str], None]) -> None:
        self.vehicle, self.airframe, self._emit = vehicle, airframe, emit
        self.numbers = vehicle.control
        self.now_s = 0.0
        self.phase = STARTUP
        self.nav = Navigation(vehicle.navigation, vehicle.site.pad_temperature_k)
        motion = airframe.motion
        authority = motion.aero.roll_coefficient_per_pa_rad(vehicle.body.roll_inertia_kg_m2)
        self.control = RollControl(vehicle.control, authority)
        self.deployed_s: float | None = None
        self.liftoff_s: float | None = None
        self.control_started_s: float | None = None
        self.control_time_s = 0.0
        self.separated = False
        self.pressure_pa = motion.air.pressure_pa(motion.position[2])
        self.accel = self.gyro = (0.0, 0.0, 0.0)
        self.bad_number_due = False
        self._held_s = 0.0
        self._cycles = 0
        self._passed_s = CYCLE_S
        self._has_fix = False
        self._still_from_s = 0.0
        self._still_height_m = 0.0
        airframe.board.restart()
        for camera in airframe.cameras:
            camera.switch(False, 0.0)
        airframe.servos.command_all(0.0)

    # ------------------------------------------------------------ one cycle

    def cycle(self, length: int = 1) -> None:
        """Run one cycle: sense, estimate, decide the phase, move fins, let hardware time pass.

        It is 10 ms long, or `length` times as long where steps came so far apart.
        """
        self._has_fix = (self._cycles + length) // _FIX_CYCLES > self._cycles // _FIX_CYCLES
        self._cycles += length
        self._passed_s = length * CYCLE_S
        self.now_s = self._cycles * CYCLE_S
        airframe = self.airframe
        self.accel, self.gyro = airframe.imu_a.sample(airframe.motion)
        self.pressure_pa = airframe.barometer.sample(airframe.motion, self._passed_s)
        self.separated = airframe.motion.milestones.separation_s is not None
        self._estimate()
        self._change_phase()
        self._move_fins()
        self._run_hardware()

    def _estimate(self) -> None:
        nav = self.nav
        nav.read_pressure(self.pressure_pa)
        falling = self.phase in (DESCENT, LANDED)
        moving = True
        if self.phase in (STARTUP, GROUND_TEST, PAD):
            moving = not nav.settle(self.accel, self.gyro, self.pressure_pa, self._passed_s)
        if moving:
            charge = self.deployed_s is not None and self.now_s - self.deployed_s < _NO_PRESSURE_AFTER_CHARGE_S
            nav.advance(self.accel, self.gyro, self._passed_s, falling, self.phase in IN_FLIGHT | {LANDED} and not charge)
        if self._has_fix:
            seconds = _FIX_CYCLES * CYCLE_S
            east, north = self.airframe.satellite.sample(self.airframe.motion, seconds)
            nav.read_fix(east, north, seconds, self.phase in IN_FLIGHT | {LANDED}, falling)

    def _change_phase(self) -> None:
        for test, new in MOVES[self.phase]:
            if test(self):
                self.enter(new)
                return

    def enter(self, phase: str) -> None:
        """Go to a phase and do what entering it means."""
        self.phase = phase
        self._held_s = 0.0
        _ON_ENTRY.get(phase, FlightComputer._announce)(self)

    def _move_fins(self) -> None:
        control, servos = self.control, self.airframe.servos
        was = control.enabled
        control.read_gate(self.nav.position[2], self.nav.speed_m_s, self.phase in IN_FLIGHT)
        may = self.phase in (BOOST, COAST) and self.deployed_s is None
        density = self.airframe.motion.air.density_kg_m3(self.nav.position[2])
        turn = control.step(may, self.nav.quaternion, self.nav.rates[2], 0.5 * density * self.nav.speed_m_s**2)
        self.control_time_s += self._passed_s * control.enabled
        if control.enabled and not was and self.control_started_s is None:
            self.control_started_s = self.now_s
            self.bad_number_due = self.numbers.bad_number_at_control
            self.say("info", f"control enabled at {self.nav.position[2]:.0f} m")
        elif was and not control.enabled and self.deployed_s is None:
            self.say("info", "control off: below gate speed")
        if self.phase != GROUND_TEST:
            servos.command_all(turn)
        if self._connector_opens():
            servos.unplug()
        servos.step(self._passed_s)
        self.airframe.motion.set_fins(servos.angles_rad)

    def _connector_opens(self) -> bool:
        """Tell whether the servo connector is pulled apart: by the bodies parting, or earlier because it was loose."""
        motion = self.airframe.motion
        burnout_s = motion.milestones.burnout_s
        loose = burnout_s is not None and motion.time_s - burnout_s >= self.vehicle.fins.connector_opens_after_burnout_s
        return self.separated or loose

    def _run_hardware(self) -> None:
        airframe = self.airframe
        for kind, number in airframe.board.step(self.now_s):
            self.say("info" if self.phase in IN_FLIGHT else "caution", f"{kind} channel {number} fired")
            if kind == "lateral":
                airframe.motion.fire_lateral(number)
        for camera in airframe.cameras:
            camera.step(self.now_s, self._passed_s)
        powered = sum(camera.powered for camera in airframe.cameras)
        servos = airframe.servos
        airframe.battery.step(self._passed_s, powered * self.vehicle.battery.camera_a, servos.moving, servos.connected)

    def say(self, severity: str, text: str) -> None:
        """Send an event."""
        self._emit(severity, text)

    @property
    def mode(self) -> str:
        """What commands the fins."""
        if self.phase == GROUND_TEST:
            return "bench"
        if self.phase in (STARTUP, LANDED):
            return "off"
        return "roll" if self.control.enabled else "centered"

    # ------------------------------------------------------------ tests that end a phase

    def _held(self, condition: bool, long_enough_s: float) -> bool:
        self._held_s = self._held_s + self._passed_s if condition else 0.0
        return self._held_s >= long_enough_s - 1e-9

    def _is_ready(self) -> bool:
        return self.now_s >= self.numbers.startup_s

    def _is_lifting_off(self) -> bool:
        return self._held(self.accel[2] > self.numbers.liftoff_accel_m_s2, self.numbers.liftoff_hold_s)

    def _is_burned_out(self) -> bool:
        return self._held(self.accel[2] < self.numbers.burnout_accel_m_s2, 0.05)

    def _is_over_the_top(self) -> bool:
        since = self.now_s - (self.liftoff_s or 0.0)
        if since < self.numbers.earliest_deployment_s:
            return False
        down = self._held(self.nav.velocity[2] < 0.0, self.numbers.apogee_hold_s)
        return down or since >= self.numbers.latest_deployment_s

    def _is_still(self) -> bool:
        """Height within 2 m and gyros quiet for 3 s."""
        quiet = max(abs(w) for w in self.nav.rates) < 0.2 and abs(self.nav.altitude_baro_m - self._still_height_m) < 2.0
        if not quiet:
            self._still_from_s, self._still_height_m = self.now_s, self.nav.altitude_baro_m
        return self.now_s - self._still_from_s >= 3.0

    # ------------------------------------------------------------ what entering a phase does

    def _announce(self) -> None:
        self.say("info", f"phase {self.phase}")

    def _enter_pad(self) -> None:
        self.airframe.board.restart()
        self.airframe.servos.command_all(0.0)
        self._announce()

    def _enter_boost(self) -> None:
        self.liftoff_s = self.now_s
        self.airframe.board.inhibit()
        for channel in self.airframe.board.recovery:
            if channel.continuity:
                channel.arm(None)
        self.say("info", "lift-off, recovery armed")

    def _enter_coast(self) -> None:
        self.say("info", f"burnout at {self.nav.position[2]:.0f} m, {self.nav.speed_m_s:.0f} m/s")

    def _enter_descent(self) -> None:
        self.deployed_s = self.now_s
        recovery = self.airframe.board.recovery
        burns = [channel.armed and channel.continuity for channel in recovery]
        for channel in recovery:
            channel.fire(self.now_s)
        self.airframe.motion.fire_recovery(*burns)
        self.say("info", f"deployment at {self.nav.position[2]:.0f} m")
        for number, burned in enumerate(burns, 1):
            if not burned:
                self.say("warning", f"recovery channel {number} did not fire")

    def _enter_landed(self) -> None:
        east, north = self.nav.position[0], self.nav.position[1]
        self.say("info", f"landed {east:+.0f} m east, {north:+.0f} m north")


MOVES: dict[str, tuple[tuple[Callable[[FlightComputer], bool], str], ...]] = {
    STARTUP: ((FlightComputer._is_ready, PAD),),
    GROUND_TEST: (),
    PAD: ((FlightComputer._is_lifting_off, BOOST),),
    BOOST: ((FlightComputer._is_burned_out, COAST),),
    COAST: ((FlightComputer._is_over_the_top, DESCENT),),
    DESCENT: ((FlightComputer._is_still, LANDED),),
    LANDED: (),
}
_ON_ENTRY: dict[str, Callable[[FlightComputer], None]] = {
    PAD: FlightComputer._enter_pad,
    BOOST: FlightComputer._enter_boost,
    COAST: FlightComputer._enter_coast,
    DESCENT: FlightComputer._enter_descent,
    LANDED: FlightComputer._enter_landed,
}
