"""The simulated vehicle as the ground meets it: bytes down, bytes up, and the truth for tests.

One cycle is 10 ms of vehicle time: two steps of the motion, one cycle of the flight computer, what it sends, what
it hears. Whole cycles run, never parts, and every random draw belongs to a named stream, so that the same seed gives
the same bytes whatever the step of `advance`.
"""

from __future__ import annotations

import math
import random
from functools import partial

import numpy as np

from protocol.arrays import Floats
from protocol.bound import make_boot_id
from protocol.dictionary import Dictionary
from protocol.vehicle import Order, Rejected, Repeat, VehicleLink
from server.twin.air import Air, Wind
from server.twin.flight_computer import CYCLE_S, GROUND_TEST, LANDED, FlightComputer, build_airframe
from server.twin.motion import CANOPY, GROUND, STEP_S, TOPPLE, Motion
from server.twin.onboard import OnboardRecorder
from server.twin.orders import OrderDesk
from server.twin.radio import Radio
from server.twin.sandpiper import Vehicle, changed
from server.twin.scenario import Scenario
from server.twin.telemetry import LinkLevels, Telemetry
from server.twin.truth import Truth
from server.twin.wire import MakeWire, VehicleWire

STEPS_PER_CYCLE = round(CYCLE_S / STEP_S)
# The launch crew lights the motor no sooner than this after the vehicle has left ground test.
CLEAR_OF_GROUND_TEST_S = 10.0


def spread_vehicle(vehicle: Vehicle, rng: random.Random) -> Vehicle:
    """Return the vehicle of one particular day: a little different in thrust, wind and fin setting."""
    spread, wind = vehicle.spread, vehicle.wind
    return changed(
        vehicle,
        {
            "motor.thrust_factor": vehicle.motor.thrust_factor * (1.0 + spread.thrust * rng.gauss(0.0, 1.0)),
            "wind.speed_at_10_m_m_s": wind.speed_at_10_m_m_s * max(0.2, 1.0 + spread.wind_speed * rng.gauss(0.0, 1.0)),
            "wind.toward_deg": wind.toward_deg + spread.wind_direction_deg * rng.gauss(0.0, 1.0),
            "fins.misalignment_rad": vehicle.fins.misalignment_rad + spread.fin_misalignment_rad * rng.gauss(0.0, 1.0),
        },
    )


class Twin:
    """One vehicle from switch-on to the ground.

    `ignite_after_s` is when the launch crew lights the motor (None: never). The crew waits while the vehicle is in
    ground test and 10 s longer. Time in `advance` and in the truth is seconds since the twin was made, which is the
    vehicle's own clock until it is rebooted. `make_link` makes the vehicle's half of the wire anew at each start.
    """

    def __init__(
        self,
        *,
        scenario: Scenario,
        seed: int,
        dictionary: Dictionary,
        key: bytes,
        boot_id: int,
        ignite_after_s: float | None = 40.0,
        make_link: MakeWire = VehicleLink,
    ) -> None:
        self._make_link = make_link
        self.scenario = scenario
        self._seed, self._dictionary, self._key, self._boot_id = seed, dictionary, key, boot_id
        self.vehicle = spread_vehicle(scenario.vehicle(), self._stream("spread"))
        air = Air(self.vehicle.site)
        self.motion = Motion(self.vehicle, air, Wind(self.vehicle.wind, self._stream("wind")))
        self._airframe = build_airframe(self.vehicle, self.motion, self._stream)
        streams = (self._stream(f"radio {part}") for part in ("path", "down", "up"))
        self.radio = Radio(self.vehicle.radio, *streams)
        self._ignite_s = ignite_after_s
        self._starts = 0
        self._cycles = 0
        self._now_s = 0.0
        self._nonfinite_before = 0
        self._levels = LinkLevels()
        self._events: list[tuple[str, str]] = []
        self.recorder: OnboardRecorder | None = None  # writes a log on board when there is one; changes nothing else
        self._start()

    def _stream(self, name: str) -> random.Random:
        return random.Random(f"{self._seed} {name}")

    def _start(self) -> None:
        self._cycles_at_start = self._cycles
        self._events.clear()
        events = self._events
        self.computer = FlightComputer(self.vehicle, self._airframe, lambda *event: events.append(event))
        self.link: VehicleWire = self._make_link(self._dictionary, self._key, self._boot_id)
        self.orders = OrderDesk(self.computer, self.link)
        self._telemetry = Telemetry(self._dictionary, self.computer, self.link, self._levels)
        shown = f"{self._boot_id:016x}" if self._dictionary.is_bound else self._boot_id
        self.computer.say("info", f"startup, boot {shown}")

    # ------------------------------------------------------------ what the station uses

    def advance(self, vehicle_s: float) -> bytes:
        """Run to a time (seconds since the twin was made) and return what the ground modem receives until then.

        A time before the last one runs nothing. Raises ValueError for a time that is not finite.
        """
        if not math.isfinite(vehicle_s):
            raise ValueError("the twin cannot advance to a time that is not finite")
        # A hair of tolerance, so that 0.1 + 0.2 reaches the cycle at 0.3.
        while (self._cycles + 1) * CYCLE_S <= vehicle_s + 1e-9:
            self._cycle()
        self._now_s = max(self._now_s, vehicle_s)
        self.radio.down.transmit(self._now_s)
        return self.radio.down.received(self._now_s)

    def uplink(self, data: bytes) -> None:
        """Take bytes the ground transmitted at the time last advanced to; they pass the radio channel."""
        self.radio.from_ground(data, self._now_s)

    def reboot(self) -> None:
        """Restart the flight computer: next boot id, clock to zero, startup packets, everything safe."""
        self._nonfinite_before += self._telemetry.nonfinite_frames
        if self._dictionary.is_bound:
            self._starts += 1
            self._boot_id = make_boot_id(self._key, self._starts, self._boot_id.to_bytes(8, "big"))
        else:
            self._boot_id = (self._boot_id + 1) % 65536
        self._start()

    @property
    def boot_id(self) -> int:
        """Identifier of the present start."""
        return self._boot_id

    @property
    def landed(self) -> bool:
        """True once the vehicle lies on the ground after its flight and its computer has noticed.

        A computer that restarted in the air may never notice; then 15 s on the ground are enough.
        """
        if self.motion.kind != GROUND:
            return False
        landing_s = self.motion.milestones.landing_s
        return self.computer.phase == LANDED or (landing_s is not None and self.motion.time_s - landing_s > 15.0)

    @property
    def vehicle_ms(self) -> int:
        """The vehicle's own clock, ms since this start."""
        return round((self._cycles - self._cycles_at_start) * CYCLE_S * 1000.0)

    # ------------------------------------------------------------ one cycle

    def _cycle(self) -> None:
        self._light_motor()
        for _ in range(STEPS_PER_CYCLE):
            self.motion.step()
            if self.recorder is not None:
                self.recorder.step(self.motion, self.computer)
        self._cycles += 1
        now = self._cycles * CYCLE_S
        self.radio.step(now, CYCLE_S, self.motion.position)
        self._levels.up_dbm = self._levels.down_dbm = self.radio.path.level_dbm
        self.computer.cycle()
        send = partial(self.radio.down.send, now_s=now, may_drop=False)
        for frame in self._hear(now):
            send(frame)
        for frame in self.orders.cycle(self.vehicle_ms):
            send(frame)
        for severity, text in self._events:
            send(self._telemetry.event(severity, text, self.vehicle_ms))
        self._events.clear()
        for periodic, frame in self._telemetry.frames(self._cycles - self._cycles_at_start, self.vehicle_ms):
            self.radio.down.send(frame, now, periodic)

    def _hear(self, now: float) -> list[bytes]:
        data = self.radio.up.received(now)
        frames: list[bytes] = []
        for heard in self.link.receive(data, self.vehicle_ms) if data else ():
            match heard:
                case Order():
                    frames.extend(self.orders.handle(heard, self.vehicle_ms))
                case Repeat():
                    frames.extend(heard.frames)
                case Rejected(answer=bytes() as answer):
                    frames.append(answer)
        return frames

    def _light_motor(self) -> None:
        if self._ignite_s is None:
            return
        now = self._cycles * CYCLE_S
        if self.computer.phase == GROUND_TEST:
            self._ignite_s = max(self._ignite_s, now + CLEAR_OF_GROUND_TEST_S)
        if now >= self._ignite_s - 1e-9:
            self._ignite_s = None
            self.motion.ignite()

    # ------------------------------------------------------------ the truth

    def truth(self) -> Truth:
        """Return what really happened until now."""
        marks = self.motion.milestones
        east, north, _ = self.motion.position
        down = self.motion.kind in (TOPPLE, GROUND)
        body, computer = self.vehicle.body, self.computer
        return {
            "ignition_s": marks.ignition_s,
            "liftoff_s": marks.liftoff_s,
            "rail_exit_s": marks.rail_exit_s,
            "rail_exit_speed_m_s": marks.rail_exit_speed_m_s,
            "burnout_s": marks.burnout_s,
            "apogee_s": marks.apogee_s,
            "apogee_m": marks.apogee_m,
            "max_speed_m_s": marks.max_speed_m_s,
            "separation_s": marks.separation_s,
            "landing_s": marks.landing_s,
            "landing_speed_m_s": marks.landing_speed_m_s,
            "scenario": self.scenario.name,
            "seed": self._seed,
            "max_tilt_deg_before_apogee": math.degrees(marks.max_tilt_before_apogee_rad),
            "deployment_s": self._since_made(computer.deployed_s),
            "control_enabled_s": self._since_made(computer.control_started_s),
            "control_time_s": computer.control_time_s,
            "landing_east_m": east if down else None,
            "landing_north_m": north if down else None,
            "under_canopy": self.motion.kind == CANOPY,
            "phase": computer.phase,
            "servo_connector_open_s": self._connector_open_s(),
            "nonfinite_frames": self._nonfinite_before + self._telemetry.nonfinite_frames,
            "mass_liftoff_kg": body.dry_mass_kg + self.vehicle.motor.propellant_kg,
            "mass_kg": self.motion.point.mass_kg,
            "roll_authority_per_pa_rad": self.motion.aero.roll_coefficient_per_pa_rad(body.roll_inertia_kg_m2),
            "roll_authority_sign": int(math.copysign(1.0, self.motion.aero.fin_effectiveness)),
            "downlink_frames_sent": self.radio.down.frames_sent,
            "downlink_frames_lost": self.radio.down.frames_lost,
            "downlink_frames_dropped": self.radio.down.frames_dropped,
            "commands_executed": [list(item) for item in self.orders.executed],
        }

    def _connector_open_s(self) -> float | None:
        servos = self._airframe.servos
        return None if servos.connected else self.motion.time_s - servos.unplugged_s

    def _since_made(self, computer_s: float | None) -> float | None:
        return None if computer_s is None else computer_s + self._cycles_at_start * CYCLE_S

    def trajectory(self) -> dict[str, Floats]:
        """Return the true motion from ignition to rest: arrays of one length, SI units, quaternion scalar first."""
        table = np.array(self.motion.record, dtype=np.float64).reshape(-1, 16)
        return {
            "t_s": table[:, 0],
            "east": table[:, 1],
            "north": table[:, 2],
            "up_m": table[:, 3],
            "vel": table[:, 4:7],
            "quaternion": table[:, 7:11],
            "rates": table[:, 11:14],
            "tilt": table[:, 14],
            "dynamic_pressure_pa": table[:, 15],
        }
