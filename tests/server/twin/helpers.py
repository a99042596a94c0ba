"""A twin and a ground that speaks to it through the real wire: shared by the tests of this folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

from protocol.bound import build_bound_frame, build_safe_all_frame
from protocol.checksum import crc_holds
from protocol.dictionary import Dictionary
from protocol.dictionary_file import load_dictionary
from protocol.framing import FrameSplitter, decode_frame
from server.twin.scenario import Scenario
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin

KEY = bytes(range(32))
# A channel that loses nothing: most tests are about the vehicle, not about its radio.
CLEAN = {
    f"radio.{way}.{name}": 0.0
    for way in ("down", "up")
    for name in ("enter_burst", "loss_in_burst", "loss_outside", "bit_error_rate")
}


@cache
def dictionary() -> Dictionary:
    """Return the Sandpiper dictionary, read once."""
    return load_dictionary(None)


def make_twin(scenario: str | Scenario = "calm", seed: int = 7, ignite_after_s: float | None = None, **changes) -> Twin:
    """Return a twin; `changes` go over the scenario's, with __ for a dot."""
    base = load_scenario(scenario) if isinstance(scenario, str) else scenario
    over = {name.replace("__", "."): value for name, value in changes.items()}
    return Twin(
        scenario=Scenario(base.name, base.title, {**base.changes, **over}),
        seed=seed,
        dictionary=dictionary(),
        key=KEY,
        boot_id=3,
        ignite_after_s=ignite_after_s,
    )


def clean_twin(**more) -> Twin:
    """Return a calm twin behind a perfect radio."""
    return make_twin(**{name.replace(".", "__"): value for name, value in CLEAN.items()}, **more)


@dataclass
class Heard:
    """One downlink packet, decoded by the dictionary."""

    name: str
    vehicle_ms: int
    values: dict[str, object]


@dataclass
class Ground:
    """Sends commands to a twin and keeps everything it hears."""

    twin: Twin
    now_s: float = 0.0
    counter: int = 0
    heard: list[Heard] = field(default_factory=list)
    _splitter: FrameSplitter = field(default_factory=FrameSplitter)

    def run(self, seconds: float) -> list[Heard]:
        """Advance the twin and return what came down."""
        self.now_s += seconds
        new = decode(self._splitter, self.twin.advance(self.now_s))
        self.heard += new
        return new

    def frame(self, command: str, counter: int | None = None, boot_id: int | None = None, **args) -> bytes:
        """Return a command frame; the counter grows by itself."""
        if counter is None:
            self.counter += 1
            counter = self.counter
        words, described = dictionary(), dictionary().commands[command]
        vehicle_id = words.uplink.vehicle_id
        if described.safes_all:
            return build_safe_all_frame(KEY, vehicle_id, counter)
        boot = self.twin.boot_id if boot_id is None else boot_id
        until_ms, fields = self.newest_ms + 5000, described.pack_args(args)
        return build_bound_frame(KEY, vehicle_id, boot, words.hash32, counter, until_ms, described.code, fields)

    @property
    def newest_ms(self) -> int:
        """The vehicle time of the newest packet heard, 0 before any."""
        return self.heard[-1].vehicle_ms if self.heard else 0

    def order(self, command: str, wait_s: float = 1.0, **args) -> list[tuple[str, str]]:
        """Send a command and return the (stage, reason) answers heard while waiting."""
        self.twin.uplink(self.frame(command, **args))
        return answers(self.run(wait_s), self.counter)

    def last(self, packet: str) -> dict[str, object]:
        """Return the newest values of a packet."""
        return next(heard.values for heard in reversed(self.heard) if heard.name == packet)


def answers(heard: list[Heard], counter: int) -> list[tuple[str, str]]:
    """Return (stage, reason) of the answers to one counter."""
    return [(h.values["stage"], h.values["reason"]) for h in heard if h.name == "answer" and h.values["counter"] == counter]


def decode(splitter: FrameSplitter, data: bytes) -> list[Heard]:
    """Return the packets of undamaged frames, enums as text."""
    out = []
    for encoded, dropped in splitter.feed(data):
        content = None if dropped else decode_frame(encoded)
        if content is None or not crc_holds(content):
            continue
        packet = dictionary().packet_by_apid[int.from_bytes(content[0:2], "big") & 0x7FF]
        values = dict(zip([c.name for c in packet.channels], packet.unpack(content[10:-2]), strict=True))
        for channel in packet.channels:
            if channel.values:
                values[channel.name] = channel.values[int(values[channel.name])]
        out.append(Heard(packet.name, int.from_bytes(content[6:10], "big"), values))
    return out
