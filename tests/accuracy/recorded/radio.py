"""A flight's samples as a beginner's vehicle sends them (WIRE.md), through bursts of loss, into a recording on the disk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import Software, make_header
from tests.accuracy.recorded.description import LoggedFlight, LoggedPacket
from tests.accuracy.recorded.log_rows import Samples, log_samples, with_rest

KEY = bytes(range(32))
BURST_S = 0.35  # mean length of a burst of loss
DELAY_S = 0.04  # from the vehicle to the station, always the same
SWITCH_ON_S = 3.0  # the vehicle's clock when its first packet leaves


def dictionary_text(flight: LoggedFlight) -> str:
    """Return a small dictionary of wire 2 that holds what was logged and nothing else."""
    lines = [
        "[dictionary]",
        "format = 1",
        "wire = 2",
        'name = "logged"',
        'version = "1"',
        f'vehicle = "Flight {flight.name}"',
    ]
    lines += ["", "[uplink]", "vehicle_id = 1", "answers = false"]
    for apid, packet in enumerate(flight.packet, 16):
        lines += ["", f"[packet.{packet.name}]", f"apid = {apid}", f"rate_hz = {packet.rate_hz:g}", "fields = ["]
        for one in packet.field:
            spread = "" if one.sensor_range is None else f", sensor_range = {one.sensor_range}"
            unit = f'unit = "{one.sent_unit}"'
            lines.append(f'  {{ name = "{name_of(one.role)}", type = "{one.type}", {unit}, role = "{one.role}"{spread} }},')
        lines.append("]")
    return "\n".join(lines) + "\n"


def name_of(role: str) -> str:
    """Return the channel's name for a role."""
    return "".join(letter if letter.isalnum() else "_" for letter in role).strip("_")


@dataclass(frozen=True)
class Sent:
    """What a vehicle sent: (timeline second, frame) in order, the log second of timeline second 0, dictionary and sheets."""

    frames: tuple[tuple[float, bytes], ...]
    log_zero_s: float
    text: str
    flight: LoggedFlight

    def log_s(self, t: float) -> float:
        """Return the log second of a timeline second."""
        return t + self.log_zero_s


@dataclass(frozen=True)
class Logged:
    """A flight's logs, read once."""

    flight: LoggedFlight
    rows: tuple[tuple[LoggedPacket, Samples], ...]

    @classmethod
    def read(cls, folder: Path, flight: LoggedFlight) -> Logged:
        """Read what a flight's packets are made of; raises BadDescription."""
        return cls(flight, tuple((packet, log_samples(folder, flight, packet)) for packet in flight.packet))

    def sent(self, seed: int) -> Sent:
        """Return the flight as sent, its pad and rest drawn anew from a seed."""
        rng, text = np.random.default_rng([15, seed]), dictionary_text(self.flight)
        parts = [(packet, with_rest(self.flight, packet, rows, rng)) for packet, rows in self.rows]
        zero_s = min(float(samples.t[0]) for _, samples in parts) - SWITCH_ON_S
        due = [
            (float(t) - zero_s, packet.name, dict(zip([name_of(one.role) for one in packet.field], row, strict=True)))
            for packet, samples in parts
            for t, row in zip(samples.t, samples.values.tolist(), strict=True)
        ]
        due += [(t, "", {}) for t in np.arange(SWITCH_ON_S, max(t for t, _, _ in due), 1.0).tolist()]
        due.sort(key=lambda one: one[0])
        return Sent(tuple(_frames(parse_dictionary(text, "the logged vehicle"), due)), zero_s, text, self.flight)


def _frames(dictionary: Dictionary, due: Sequence[tuple[float, str, dict[str, float]]]) -> list[tuple[float, bytes]]:
    link = VehicleLink(dictionary, KEY, 5)
    return [
        (t, link.frame(packet, round(t * 1e3), values) if packet else link.identity_frame(round(t * 1e3)))
        for t, packet, values in due
    ]


def heard(frames: Sequence[tuple[float, bytes]], loss: float, rng: np.random.Generator) -> list[tuple[float, bytes]]:
    """Return the frames that get through: all of them lost in bursts, both lengths exponential, `loss` of the time."""
    if loss <= 0.0:
        return list(frames)
    end_s, t, is_lost, edges = frames[-1][0], frames[0][0], bool(rng.random() < loss), []
    first_lost = is_lost
    while t < end_s:
        t += float(rng.exponential(BURST_S if is_lost else BURST_S * (1.0 - loss) / loss))
        edges.append(t)
        is_lost = not is_lost
    changes = np.searchsorted(np.array(edges), [t for t, _ in frames], side="right")
    lost = (changes % 2 == 0) == first_lost
    return [frame for frame, gone in zip(frames, lost.tolist(), strict=True) if not gone]


def record(folder: Path, sent: Sent, frames: Sequence[tuple[float, bytes]]) -> Path:
    """Write a session with the real recorder; return its file."""
    clock = FakeClock()
    header = make_header(
        clock,
        software=Software("logs"),
        dictionary=sent.text,
        vehicle=sent.flight.vehicle,
        site=sent.flight.site,
        source="logs",
    )
    recorder = Recorder(folder, "flight", header, clock=clock)
    for t, frame in frames:
        recorder.append(Kind.RECEIVED, header.monotonic_ns + round((t + DELAY_S) * 1e9), frame)
    clock.advance(frames[-1][0] + DELAY_S)
    return recorder.close()
