"""A small vehicle on the real wire, and the bad link to it: for the tests of the command queue.

The wire is `protocol.vehicle.VehicleLink`; what the vehicle does with an order is a plain model of its own, so that the
execution list is an oracle that shares no code with the station.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from protocol.dictionary import Dictionary
from protocol.identity import BUILDS
from protocol.vehicle import CommandMemory, Order, Rejected, Repeat, VehicleLink

ARMED_FOR_S = 60.0


@dataclass(frozen=True)
class Executed:
    """One execution: by which start of the vehicle, under which counter, of what; when, by the world's own clock.

    `vehicle_id` and `hash` tell who the vehicle was and by which dictionary it read.
    """

    boot_id: int
    counter: int
    command: str
    args: tuple[tuple[str, float], ...]
    at_s: float
    vehicle_id: int
    hash: int


@dataclass
class Vehicle:
    """Obeys, arms for a while, restarts safe. `executed` outlives restarts: it is what really happened."""

    dictionary: Dictionary
    key: bytes
    boot_id: int = 7
    executed: list[Executed] = field(default_factory=list)
    refused: list[tuple[int, str]] = field(default_factory=list)  # counter (0: of no command) and reason
    now_s: float = 0.0
    phase: str = "pad"
    silent_about: set[str] = field(default_factory=set)  # packets not sent
    built_from: Dictionary | None = None  # another dictionary than the station's, from the next start on
    vehicle_id: int | None = None  # another identity than the dictionary's, from the next start on
    build: str = "flight"
    rehearsal: str | None = None  # what the packet `rehearsal` says of itself; None where none is sent

    def __post_init__(self) -> None:
        """Prepare what every kind of telemetry packet holds before it is changed."""
        self._plain = {}
        for name, packet in self.dictionary.packets.items():
            self._plain[name] = {c.name: "" if c.kind == "text" else c.offset if c.linear else 0.0 for c in packet.channels}
        self.start(self.boot_id)

    def start(self, boot_id: int) -> list[bytes]:
        """Start anew in the safe state; returns the start-up frames."""
        self.boot_id = boot_id
        words = self.built_from or self.dictionary
        self.link = VehicleLink(
            words, self.key, boot_id, CommandMemory(words, self.key, boot_id, vehicle_id=self.vehicle_id)
        )
        self._started_s = self.now_s
        self.phase = "pad"
        self.inhibited = True
        self.armed_until = [0.0] * 4
        self.continuity = [1] * 4
        self.fired = [0] * 4
        self.recovery_armed, self.recovery_continuity = [0] * 2, [0] * 2
        self.camera = [0] * 3
        told = {"boot_id": boot_id, "dictionary_hash": self.dictionary.hash32}
        return [frame for _ in range(3) for frame in (*self._identity(), self._frame("startup", **told))]

    @property
    def ms(self) -> int:
        """Vehicle time."""
        return round((self.now_s - self._started_s) * 1000)

    def armed(self, channel: int) -> bool:
        """Whether a channel (1..4) is armed now; arming ends by itself."""
        return self.now_s < self.armed_until[channel - 1]

    def receive(self, data: bytes) -> list[bytes]:
        """Take uplink bytes; return the answer frames."""
        out: list[bytes] = []
        for judged in self.link.receive(data, self.ms):
            if isinstance(judged, Repeat):
                out += judged.frames
            elif isinstance(judged, Rejected):
                self.refused.append((0, judged.reason))
                out += [judged.answer] if judged.answer else []
            else:
                out += self._obey(judged)
        return out

    def telemetry(self) -> list[bytes]:
        """Return one round of telemetry."""
        motors = {"board_inhibited": int(self.inhibited)}
        for n in (1, 2, 3, 4):
            motors[f"channel_{n}_continuity"] = self.continuity[n - 1]
            motors[f"channel_{n}_armed"] = int(self.armed(n))
            motors[f"channel_{n}_fired"] = self.fired[n - 1]
        frames = {
            "control": {"phase": self.phase},
            "motors": motors,
            "cameras": {f"camera_{n}_powered": self.camera[n - 1] for n in (1, 2, 3)},
            "recovery": {
                f"recovery_{n}_{what}": values[n - 1]
                for what, values in (("armed", self.recovery_armed), ("continuity", self.recovery_continuity))
                for n in (1, 2)
            },
            "link": {"boot_id": self.boot_id, "last_counter": self.link.last_counter},
        }
        if self.rehearsal is not None:
            frames["rehearsal"] = {"state": self.rehearsal}
        said = [self._frame(name, **values) for name, values in frames.items() if name not in self.silent_about]
        return [*self._identity(), *said]

    def _identity(self) -> list[bytes]:
        """Who it is, on the wire that has words for it."""
        silent = not self.dictionary.is_bound or "identity" in self.silent_about
        return [] if silent else [self.link.identity_frame(self.ms, BUILDS.index(self.build))]

    def forge(self, boot_id: int, counter: int, stage: str, reason: str) -> bytes:
        """Return an answer that belongs to nothing this vehicle did."""
        return self._frame("answer", boot_id=boot_id, counter=counter, code=1, stage=stage, reason=reason)

    def _frame(self, packet: str, **values: object) -> bytes:
        return self.link.frame(packet, self.ms, {**self._plain[packet], **values})

    def _obey(self, order: Order) -> list[bytes]:
        reason = self._why_not(order)
        if reason is not None:
            self.refused.append((order.counter, reason))
            return [self.link.answer(order, "refused", reason, self.ms)]
        memory = self.link.memory
        self.executed.append(
            Executed(
                self.boot_id,
                order.counter,
                order.command,
                tuple(order.args.items()),
                self.now_s,
                memory.vehicle_id,
                memory.dictionary.hash32,
            )
        )
        self._act(order.command, {name: int(value) for name, value in order.args.items()})
        return [self.link.answer(order, stage, "none", self.ms) for stage in ("accepted", "completed")]

    def _why_not(self, order: Order) -> str | None:
        if order.command == "channel_fire" and not self.armed(int(order.args["channel"])):
            return "not armed"
        if order.command in ("channel_arm", "channel_fire") and self.inhibited:
            return "board inhibited"
        return None

    def _act(self, command: str, args: dict[str, int]) -> None:
        if command in ("safe_all", "board_inhibit"):
            self.inhibited, self.armed_until = True, [0.0] * 4
        elif command == "board_release":
            self.inhibited = False
        elif command == "ground_test":
            self.phase = "ground test" if args["on"] else "pad"
        elif command == "channel_arm":
            self.armed_until[args["channel"] - 1] = self.now_s + ARMED_FOR_S
        elif command == "channel_safe":
            self.armed_until[args["channel"] - 1] = 0.0
        elif command == "channel_fire":
            self.fired[args["channel"] - 1] = 1
            self.armed_until[args["channel"] - 1] = 0.0
        elif command in ("recovery_arm", "recovery_safe"):
            self.recovery_armed[args["channel"] - 1] = int(command == "recovery_arm")
        elif command == "camera_power" and args["camera"] <= 3:
            self.camera[args["camera"] - 1] = args["on"]


class BadLink:
    """One direction of a radio: loses, doubles, delays past others, and flips bits. Frames come out when due."""

    def __init__(self, rng: random.Random, badness: float = 0.0, late_s: tuple[float, ...] = (0.3, 1.0, 4.0)) -> None:
        """`late_s`: by how much a frame may be late; the longest of the uplink is longer than a command may be obeyed."""
        self.badness = badness
        self._late_s = late_s
        self.cut = False
        self.history: list[bytes] = []
        self._rng = rng
        self._flying: list[tuple[float, bytes]] = []

    def put(self, frame: bytes, now_s: float) -> None:
        """Take one frame."""
        self.history = [*self.history[-39:], frame]
        if self.cut or self._rng.random() < self.badness:
            return
        copies = 2 if self._rng.random() < self.badness else 1
        for _ in range(copies):
            late_s = self._rng.choice(self._late_s) if self._rng.random() < self.badness else 0.0
            sent = self._flip(frame) if self._rng.random() < self.badness / 2 else frame
            self._flying.append((now_s + late_s, sent))

    def take(self, now_s: float) -> list[bytes]:
        """Return the frames due by now, in order of their due time."""
        due = sorted((item for item in self._flying if item[0] <= now_s), key=lambda item: item[0])
        self._flying = [item for item in self._flying if item[0] > now_s]
        return [frame for _, frame in due]

    def _flip(self, frame: bytes) -> bytes:
        position = self._rng.randrange(len(frame) * 8)
        return frame[: position // 8] + bytes([frame[position // 8] ^ 1 << position % 8]) + frame[position // 8 + 1 :]
