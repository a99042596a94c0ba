"""A flight computer flown by what the simulated vehicle's sensors said: the real frames, an open loop.

Nothing the flight computer does comes back to the motion; the twin's own computer flies it. So both see the same sensors,
and what they make of them can be compared.
"""

from __future__ import annotations

import os
import select
import subprocess
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Self

import numpy as np

from protocol.arrays import Floats
from protocol.events import PacketReceived
from protocol.fields import Value
from protocol.link import NEED_DATA, Link
from protocol.stimulus import StimulusEncoder
from server.twin.attitude import Vector
from server.twin.motion import Motion
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.protocol.helpers import KEY, SANDPIPER

CYCLE_US = 10_000
IGNITION_S = 6.0
AFTER_LANDING_CYCLES = 400
REHEARSAL_HEAD = b"\x0f\xfd"  # how a packet `rehearsal` begins: APID 2045
STATE = (
    "east", "north", "up", "vel_east", "vel_north", "vel_up", "q_w", "q_x", "q_y", "q_z", "rate_x", "rate_y", "rate_z",
)  # fmt: skip


@dataclass(frozen=True)
class Sensed:
    """What the sensors said in one cycle, and what was so."""

    sensors: tuple[float, ...]  # as the stimulus lists them
    fix: tuple[float, float] | None
    truth: tuple[float, ...]  # as STATE lists it


@dataclass(frozen=True)
class Recorded:
    """A flight of the twin: cycle by cycle, and when its own computer deployed."""

    cycles: tuple[Sensed, ...]
    deployment_s: float
    landing_s: float
    apogee_s: float


@cache
def recorded_flight(scenario: str = "calm", seed: int = 1) -> Recorded:
    """Fly the twin and keep what its sensors said, from switch-on until it has lain still for some seconds."""
    twin = Twin(
        scenario=load_scenario(scenario),
        seed=seed,
        dictionary=SANDPIPER,
        key=KEY,
        boot_id=5,
        ignite_after_s=IGNITION_S,
    )
    airframe = twin.computer.airframe
    fixes: list[tuple[float, float]] = []
    ask = airframe.satellite.sample

    def sample(motion: Motion, seconds: float) -> tuple[float, float]:
        fixes.append(ask(motion, seconds))
        return fixes[-1]

    airframe.satellite.sample = sample  # type: ignore[method-assign]
    cycles: list[Sensed] = []
    after = 0
    while after < AFTER_LANDING_CYCLES:
        before = len(fixes)
        twin.advance((len(cycles) + 1) * 0.01)
        after += twin.landed
        computer, motion = twin.computer, twin.motion
        force, rates = airframe.imu_b.sample(motion)
        units: tuple[Vector, ...] = (computer.accel, computer.gyro, force, rates)
        sensors = (*(part for unit in units for part in unit), computer.pressure_pa)
        truth = (*motion.position, *motion.velocity, *motion.quaternion, *motion.rates)
        cycles.append(Sensed(sensors, fixes[-1] if len(fixes) > before else None, truth))
    said = twin.truth()
    deployment_s, landing_s, apogee_s = said["deployment_s"], said["landing_s"], said["apogee_s"]
    assert deployment_s is not None and landing_s is not None and apogee_s is not None
    return Recorded(tuple(cycles), deployment_s, landing_s, apogee_s)


@dataclass
class Answers:
    """What the flight computer made of each step, by the step's place: a value of a packet, or the state vector."""

    packets: list[dict[str, Mapping[str, Value]]] = field(default_factory=list)

    def said(self, packet: str, channel: str) -> list[Value]:
        """Return a channel, step by step; an enum as its number."""
        return [packets[packet][channel] for packets in self.packets]

    def states(self) -> Floats:
        """Return the state vectors: a row a step, columns as STATE lists them."""
        rows = [[packets["navigation"][name] for name in STATE] for packets in self.packets]
        return np.array(rows, dtype=np.float64)

    def phases(self) -> list[tuple[float, str]]:
        """Return (s, phase) of every change."""
        words = SANDPIPER.packets["control"].channel("phase")
        out: list[tuple[float, str]] = []
        for step, value in enumerate(self.said("control", "phase"), 1):
            assert isinstance(value, float)
            word = words.text_of(value)
            if not out or out[-1][1] != word:
                out.append((round(step * 0.01, 2), word))
        return out

    def ordered_s(self, bits: int = 0x30) -> float | None:
        """Return when the output gate first refused a firing of one of `bits`, s; None: never."""
        for step, ordered in enumerate(self.said("rehearsal", "ordered"), 1):
            assert isinstance(ordered, float)
            if int(ordered) & bits:
                return step * 0.01
        return None


class Computer:
    """A flight computer behind two file descriptors, spoken to like a station does over a cable."""

    def __init__(self, read_fd: int, write_fd: int) -> None:
        self._read_fd, self._write_fd = read_fd, write_fd
        self.link = Link(SANDPIPER, KEY)
        self.now_ms = 0
        self.packets: dict[str, Mapping[str, Value]] = {}  # the last of each
        self.order: list[str] = []  # names as they came
        self.answers: dict[int, list[tuple[str, str]]] = {}
        self._counter = 0

    def write(self, data: bytes) -> None:
        """Send bytes up the cable."""
        while data:
            data = data[os.write(self._write_fd, data) :]

    def read(self, within_s: float) -> bytes:
        """Return what has come, waiting for something at most so long."""
        ready, _, _ = select.select([self._read_fd], [], [], within_s)
        return os.read(self._read_fd, 65536) if ready else b""

    def take(self, data: bytes) -> list[PacketReceived]:
        """Decode; remember the newest of each packet and every answer. Damage is none of this cable's business."""
        self.link.receive_data(data)
        out = []
        while (event := self.link.next_event()) is not NEED_DATA:
            if isinstance(event, PacketReceived):
                out.append(event)
                self._note(event)
        return out

    def _note(self, event: PacketReceived) -> None:
        self.now_ms = event.time_ms
        values = dict(zip(event.packet.channel_names, event.values, strict=True))
        self.packets[event.packet.name] = values
        self.order.append(event.packet.name)
        if event.packet.name == "answer":
            stage, reason = (event.packet.channel(name).text_of(float(values[name])) for name in ("stage", "reason"))
            self.answers.setdefault(int(float(values["counter"])), []).append((stage, reason))

    def wait(self, until: str, within_s: float = 5.0) -> None:
        """Listen until a packet of this name comes."""
        seen = len(self.order)
        end = time.monotonic() + within_s
        while until not in self.order[seen:]:
            assert time.monotonic() < end, f"no {until}, only {set(self.order[seen:])}"
            self.take(self.read(0.1))

    def command(self, name: str, args: Mapping[str, object] | None = None, within_s: float = 5.0) -> tuple[int, str, str]:
        """Send a command and wait for its last answer; returns counter, stage and reason."""
        self._counter += 1
        self.write(self.link.send(name, args or {}, self._counter, self.now_ms + 5000))
        end = time.monotonic() + within_s
        while not (heard := self.answers.get(self._counter)) or heard[-1][0] == "accepted":
            assert time.monotonic() < end, f"{name} was not answered but {heard}"
            self.take(self.read(0.1))
        return self._counter, *heard[-1]

    def enter(self) -> int:
        """Begin a rehearsal from the pad or the bench; returns its session."""
        while self.link.boot_id is None or self.packets.get("control", {}).get("phase") not in (1.0, 2.0):
            self.wait("control")
        assert self.command("ground_test", {"on": 1})[1:] == ("completed", "none")
        session, stage, reason = self.command("rehearsal_enter")
        assert (stage, reason) == ("completed", "none")
        return session

    def play(self, cycles: Sequence[Sensed], session: int) -> Answers:
        """Fly cycle by cycle, each answered before the next goes."""
        encoder = StimulusEncoder(SANDPIPER, SANDPIPER.uplink.vehicle_id, session)
        answers = Answers()
        for step, cycle in enumerate(cycles, 1):
            time_us = step * CYCLE_US
            frames = encoder.frame("fix", time_us, cycle.fix) if cycle.fix is not None else b""
            frames += encoder.frame("sensors", time_us, cycle.sensors)
            self.write(frames)
            while self.packets.get("rehearsal", {}).get("number") != encoder.number:  # else a change of state was told
                self.take(self.answer())
            answers.packets.append({name: self.packets[name] for name in (*ANSWERS, "rehearsal")})
        return answers

    def answer(self) -> bytes:
        """Return bytes up to the end of a packet `rehearsal`."""
        data = b""
        end = time.monotonic() + 5.0
        while not (data.endswith(b"\0") and data[data.rfind(b"\0", 0, -1) + 2 :].startswith(REHEARSAL_HEAD)):
            assert time.monotonic() < end, f"a step was not answered: {data.hex()}"
            data += self.read(1.0)
        return data


ANSWERS = SANDPIPER.rehearsal.answers if SANDPIPER.rehearsal is not None else ()


class HostComputer(Computer):
    """`fc_host` as a process of its own."""

    def __init__(self, program: Path, folder: Path, more: Sequence[str] = ()) -> None:
        key = folder / "fc.key"
        key.write_text(KEY.hex())
        command = [str(program), str(key), str(folder / "starts"), str(SANDPIPER.uplink.vehicle_id), *more]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self.process.stdin is not None and self.process.stdout is not None  # both were asked for
        super().__init__(self.process.stdout.fileno(), self.process.stdin.fileno())

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *problem: object) -> None:
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(5)
        self.process.stdout.close()
