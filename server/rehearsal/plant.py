"""The vehicle around the flight computer: the twin's motion and hardware, moved by what the real computer orders.

The computer's cycle is 10 ms; each has two steps of the motion. The plant never reads what the computer believes,
only what it orders: fin angles, firings, camera power.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from protocol.dictionary import Dictionary
from protocol.fields import Packet
from protocol.rehearsal import firing_channels
from server.problems import Problem
from server.rehearsal.answers import Answer, AnswerReader
from server.twin.air import Air, Wind
from server.twin.flight_computer import Airframe, build_airframe
from server.twin.motion import GROUND, STEP_S, Motion
from server.twin.sandpiper import Vehicle
from server.twin.scenario import Scenario
from server.twin.twin import STEPS_PER_CYCLE, spread_vehicle

CYCLE_S = STEPS_PER_CYCLE * STEP_S
FIX_CYCLES = 20
SUPPLY_CYCLES = 50
FINS = 4
Reading = Callable[[], float]


class PlantProblem(Problem):
    """The dictionary's stimuli ask for what the simulated vehicle cannot sense; the text is one plain sentence."""


NO_CONTINUITY, BURNED, DUD, LIT, NOT_LIT = "no continuity", "burned before", "dud", "lit", "not lit"


class Ordered(NamedTuple):
    """A lateral motor was ordered, s; what came of it in the simulated vehicle, and since when it pushed, None if never."""

    number: int
    ordered_s: float
    came: str = NOT_LIT
    lit_s: float | None = None


class Plant:
    """One simulated vehicle without its computer. Times in s since the rehearsal began."""

    def __init__(self, scenario: Scenario, seed: int, dictionary: Dictionary, reader: AnswerReader) -> None:
        """Raises PlantProblem for a stimulus of which this vehicle has no sensor."""
        self._seed = seed
        self.vehicle: Vehicle = spread_vehicle(scenario.vehicle(), self._stream("spread"))
        self.motion = Motion(self.vehicle, Air(self.vehicle.site), Wind(self.vehicle.wind, self._stream("wind")))
        self.airframe: Airframe = build_airframe(self.vehicle, self.motion, self._stream)
        self.cycles = 0
        self._accel_a = self._gyro_a = self._accel_b = self._gyro_b = (0.0, 0.0, 0.0)
        self._pressure_pa = 0.0
        self._fix = (0.0, 0.0)
        self._plans = [
            (name, self._every(name, packet, dictionary), self._readings(packet)) for name, packet in _step_last(dictionary)
        ]
        self._reader = reader
        self._fins = [reader.places.get(f"fin[{number}].commanded") for number in range(1, FINS + 1)]
        self._ordered_place = reader.state_places["ordered"]
        self._ordered = 0
        self._lateral, self._recovery = firing_channels(dictionary.roles)
        self._due: list[tuple[float, int]] = []  # when a lateral motor that was ordered lights, and which
        self._gone: set[int] = set()  # lateral motors whose bridge is burned: a computer started anew lights none of them
        self._orders: list[Ordered] = []
        self.deployed_s: float | None = None
        self._cameras = [reader.places.get(f"camera[{n}].powered") for n in range(1, len(self.airframe.cameras) + 1)]

    def _stream(self, name: str) -> random.Random:
        return random.Random(f"{self._seed} {name}")

    @property
    def time_s(self) -> float:
        """Seconds since the rehearsal began."""
        return self.cycles * CYCLE_S

    @property
    def down(self) -> bool:
        """Whether the vehicle lies on the ground after its flight."""
        return self.motion.kind == GROUND and self.motion.milestones.landing_s is not None

    # ------------------------------------------------------------ sensing

    def sense(self) -> list[tuple[str, tuple[float, ...]]]:
        """Return the stimuli due now: name and values, the step last. Each draw belongs to its own sensor's stream."""
        frame = self.airframe
        self._accel_a, self._gyro_a = frame.imu_a.sample(self.motion)
        self._accel_b, self._gyro_b = frame.imu_b.sample(self.motion)
        self._pressure_pa = frame.barometer.sample(self.motion, CYCLE_S)
        if self.cycles % FIX_CYCLES == 0:
            self._fix = frame.satellite.sample(self.motion, FIX_CYCLES * CYCLE_S)
        return [
            (name, tuple([read() for read in readings])) for name, every, readings in self._plans if self.cycles % every == 0
        ]

    def _every(self, name: str, packet: Packet, dictionary: Dictionary) -> int:
        assert dictionary.rehearsal is not None
        if name == dictionary.rehearsal.step:
            return 1
        return (
            FIX_CYCLES if any((c.role or "").startswith(("position.", "gnss")) for c in packet.channels) else SUPPLY_CYCLES
        )

    def _readings(self, packet: Packet) -> list[Reading]:
        return [self._reading(channel.role or "") for channel in packet.channels]

    def _reading(self, role: str) -> Reading:
        axes = {"x": 0, "y": 1, "z": 2}
        kind, _, rest = role.partition(".")
        unit, _, axis = rest.partition(".")
        if kind in ("accel", "gyro") and unit in ("a", "b") and axis in axes:
            name, place = f"_{kind}_{unit}", axes[axis]
            return lambda: float(getattr(self, name)[place])
        plain: Mapping[str, Reading] = {
            "pressure": lambda: self._pressure_pa,
            "position.east": lambda: self._fix[0],
            "position.north": lambda: self._fix[1],
            "baro_temperature": lambda: self.vehicle.site.pad_temperature_k,
            "battery.voltage": lambda: self.airframe.battery.voltage_v,
            "battery.current": lambda: self.airframe.battery.current_a,
        }
        if role in plain:
            return plain[role]
        if role.startswith("rail["):
            rail = role[len("rail[") : role.index("]")]
            return lambda: self.airframe.battery.rails_a.get(rail, 0.0)
        if role.startswith("camera[") and role.endswith(".current"):
            number = int(role[len("camera[") : role.index("]")])
            return lambda: self._camera_a(number)
        raise PlantProblem(f"The simulated vehicle has no sensor for {role}, which the stimulus asks for.")

    def _camera_a(self, number: int) -> float:
        cameras = self.airframe.cameras
        return self.vehicle.battery.camera_a if number <= len(cameras) and cameras[number - 1].powered else 0.0

    # ------------------------------------------------------------ obeying and moving

    def obey(self, answer: Answer) -> None:
        """Do what the computer ordered in an answer."""
        servos = self.airframe.servos
        for fin, place in enumerate(self._fins, 1):
            packet = answer.packets[place[0]] if place is not None else None
            if packet is not None and place is not None:
                angle = float(packet[place[1]])
                if angle == angle and servos.commanded[fin - 1] != angle:  # not a number moves nothing
                    servos.command(fin, angle)
        for number, place in enumerate(self._cameras, 1):
            packet = answer.packets[place[0]] if place is not None else None
            if packet is not None and place is not None:
                camera, on = self.airframe.cameras[number - 1], bool(packet[place[1]])
                if camera.powered != on:
                    camera.switch(on, self.time_s)
        ordered = int(answer.state[self._ordered_place])
        if ordered != self._ordered:
            self._fire(ordered & ~self._ordered)
            self._ordered = ordered

    def _fire(self, bits: int) -> None:
        """Fire what was ordered, where continuity is: lateral motors after the board's delay, recovery charges at once."""
        numbers = self.vehicle.firing
        for place in range(len(self._lateral)):
            if bits >> place & 1:
                self._order(place + 1, _has(numbers.lateral_continuity, place))
        recovery = [bool(bits >> len(self._lateral) + place & 1) for place in range(len(self._recovery))]
        burns = [asked and _has(numbers.recovery_continuity, place) for place, asked in enumerate(recovery)]
        if any(recovery) and self.deployed_s is None:
            self.deployed_s = self.time_s
        if any(burns):
            self.motion.fire_recovery(*(burns + [False, False])[:2])

    def _order(self, number: int, has_continuity: bool) -> None:
        came = NO_CONTINUITY if not has_continuity else BURNED if number in self._gone else NOT_LIT
        if came == NOT_LIT:
            self._gone.add(number)
            self._due.append((self.time_s + self.vehicle.firing.fire_delay_s, number))
        self._orders.append(Ordered(number, self.time_s, came))

    def ordered(self) -> list[Ordered]:
        """Return the lateral motors that were ordered, and what has come of each."""
        lit_s, duds = self.motion.lit_s, self.vehicle.lateral.dud
        out = []
        for one in self._orders:
            if one.came == NOT_LIT and one.number in lit_s:
                out.append(one._replace(came=LIT, lit_s=lit_s[one.number]))
            else:
                is_dud = one.came == NOT_LIT and _has(duds, one.number - 1)
                out.append(one._replace(came=DUD) if is_dud else one)
        return out

    def step(self) -> None:
        """Let one cycle pass."""
        for _ in range(STEPS_PER_CYCLE):
            self.motion.step()
        self.cycles += 1
        now, frame = self.time_s, self.airframe
        while self._due and self._due[0][0] <= now + 1e-9:
            self.motion.fire_lateral(self._due.pop(0)[1])
        servos = frame.servos
        if servos.connected and self._connector_opens():
            servos.unplug()
        servos.step(CYCLE_S)
        self.motion.set_fins(servos.angles_rad)
        for camera in frame.cameras:
            camera.step(now, CYCLE_S)
        powered = sum(camera.powered for camera in frame.cameras)
        frame.battery.step(CYCLE_S, powered * self.vehicle.battery.camera_a, servos.moving, servos.connected)

    def _connector_opens(self) -> bool:
        marks = self.motion.milestones
        loose = marks.burnout_s is not None and (
            self.motion.time_s - marks.burnout_s >= self.vehicle.fins.connector_opens_after_burnout_s
        )
        return loose or marks.separation_s is not None


def _has(continuity: Sequence[bool], place: int) -> bool:
    return place < len(continuity) and continuity[place]


def _step_last(dictionary: Dictionary) -> list[tuple[str, Packet]]:
    assert dictionary.rehearsal is not None
    step = dictionary.rehearsal.step
    return sorted(dictionary.stimuli.items(), key=lambda item: item[0] == step)
