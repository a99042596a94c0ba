"""A compiled vehicle on the bench: commands by cable or radio, stimuli, what its board measures, and what it says of it."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from protocol.bound import build_bound_frame, build_safe_all_frame
from protocol.dictionary import Dictionary
from protocol.events import PacketReceived
from protocol.fields import Value
from protocol.stimulus import StimulusEncoder
from server.firmware.process_link import Program
from tests.protocol.helpers import heard

KEY = bytes(range(32))
BOOT = 0x5EED_0000_0000_0005
CABLE, RADIO = 0, 1
RESERVED = ("rehearsal", "identity", "answer")


@dataclass(frozen=True)
class Played:
    """A stimulus as the vehicle has it: which (by rising APID), whether it is the step, its time and values."""

    which: int
    step: bool
    time_us: int
    values: tuple[float, ...]


@dataclass
class Bench:
    """One start of a vehicle whose radio 0 is a cable; `build` has BH_REHEARSAL or not."""

    machine: Program
    dictionary: Dictionary
    rehearses: bool = True
    counter: int = 0
    now_ms: int = 0  # of the board's own clock
    continuity: int = 0
    ground_test: bool = True
    encoder: StimulusEncoder | None = field(default=None)

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        """Switch it on, or off and on."""
        vehicle_id = self.dictionary.uplink.vehicle_id
        self.machine.ask("K", KEY + struct.pack(">IQI", vehicle_id, BOOT, self.counter))
        if self.rehearses:
            self.machine.ask("M", bytes([CABLE]))

    def bench(self, after_ms: int = 0) -> tuple[bool, bool]:
        """Measure, some time later: (state changed, rehearsing)."""
        self.now_ms += after_ms
        now = struct.pack(">IBI", self.now_ms % 2**32, self.ground_test, self.continuity)
        changed, rehearsing = self.machine.ask("Y", now)
        return bool(changed), bool(rehearsing)

    def hear(self, data: bytes, radio: int = CABLE, time_ms: int = 0) -> list[Played | str]:
        """Hear bytes: what was played, "order", "safe all", "dropped", or the reason of an answer."""
        reply = self.machine.ask("X", struct.pack(">BI", radio, time_ms) + data)
        out: list[Played | str] = []
        at = 0
        while at < len(reply):
            kind, at = reply[at : at + 1], at + 1
            if kind == b"T":
                which, step, time_us, count = struct.unpack_from(">BBIB", reply, at)
                out.append(Played(which, bool(step), time_us, struct.unpack_from(f">{count}d", reply, at + 7)))
                at += 7 + 8 * count
            elif kind == b"O":
                out.append("order")
                at += 6 + 8 * reply[at + 5]
            elif kind == b"S":
                out.append("safe all")
                at += 4
            elif kind == b"A":
                (size,) = struct.unpack_from(">H", reply, at)
                out.append(str(self.said(reply[at + 2 : at + 2 + size])["reason"]))
                at += 2 + size
            else:
                out.append("dropped")
        return out

    def said(self, frame: bytes) -> dict[str, Value]:
        """Return what a frame says, enums as texts."""
        event = heard(self.dictionary, frame)[-1]
        assert isinstance(event, PacketReceived)
        return {
            channel.name: channel.text_of(float(value)) or value if channel.values else value
            for channel, value in zip(event.packet.channels, event.values, strict=True)
        }

    def order(self, kind: str, radio: int = CABLE, **args: float) -> str:
        """Send the command of a kind ("enter", "leave", "simulator"); return "none" or why it was refused."""
        (command,) = [c for c in self.dictionary.commands.values() if c.rehearsal == kind]
        self.counter += 1
        head = (self.dictionary.uplink.vehicle_id, BOOT, self.dictionary.hash32, self.counter, 5000, command.code)
        heard = self.hear(build_bound_frame(KEY, *head, command.pack_args(args)), radio)
        if heard[0] != "order":
            (reason,) = heard
            return str(reason)
        assert heard == ["order", "none", "none"]  # accepted and completed
        return "none"

    def enter(self) -> None:
        """Begin a rehearsal, which must be possible."""
        self.bench()
        assert self.order("enter") == "none"
        self.encoder = StimulusEncoder(self.dictionary, self.dictionary.uplink.vehicle_id, self.counter)
        assert self.bench() == (True, True)

    def play(self, name: str = "sensors", time_us: int = 0, value: float = 1.0, radio: int = CABLE) -> list[Played | str]:
        """Play one stimulus with every value the same."""
        return self.hear(self.stimulus(name, time_us, value), radio)

    def stimulus(self, name: str = "sensors", time_us: int = 0, value: float = 1.0) -> bytes:
        """Return the next stimulus of the rehearsal."""
        assert self.encoder is not None
        return self.encoder.frame(name, time_us, [value] * len(self.dictionary.stimuli[name].channels))

    def safe_all(self, radio: int = RADIO) -> None:
        """Send Safe all."""
        self.counter += 1
        frame = build_safe_all_frame(KEY, self.dictionary.uplink.vehicle_id, self.counter)
        assert self.hear(frame, radio)[0] == "safe all"

    def state(self) -> dict[str, Value]:
        """Return what the packet rehearsal says."""
        return self.said(self.machine.ask("Z", struct.pack(">BI", CABLE, 0)))

    def may_fire(self, channel: int) -> bool:
        """Ask the output gate."""
        return self.machine.ask("G", bytes([channel])) == b"\x01"

    def bad_frames(self) -> int:
        """Return how many frames were dropped."""
        return struct.unpack_from(">I", self.machine.ask("N", bytes([CABLE])), 8)[0]
