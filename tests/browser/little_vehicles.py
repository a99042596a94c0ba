"""Three invented vehicles that tell little, behind a port or as a recording: a barometer alone, one axis more, GNSS more."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from protocol.dictionary_file import parse_dictionary
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import Software, make_header
from server.twin.hop import HopVehicle
from server.twin.listener import TwinListener

IGNITE_S, STEP_S = 20.0, 0.1
SITE_DEG = (39.4321, -8.1234)
DRIFT_M_S = (1.5, -0.8)  # east and north, from lift-off until it lies
M_PER_DEG = 111_195.0  # of a great circle on a sphere of 6371 km

HEAD = """[dictionary]
format = 1
name = "little"
version = "1"
vehicle = "Little"
description = "Invented sample of a vehicle that tells little"
modem_baud = 9600

[framing]
kind = "text"
separator = ","
start = "$"
checksum = "xor8"
"""
PACKET = """
[packet.{name}]
apid = {apid}
tag = "{tag}"
time = "time"
rate_hz = {rate}
fields = [
  {{ name = "time", type = "f64", unit = "s" }},
{fields}
]
"""
ONE = '  {{ name = "{0}", type = "{1}", unit = "{2}", role = "{3}" }},'
PRESSURE = ("pressure", "f32", "Pa", "pressure")
FORCE = [(f"accel_{axis}", "f32", "m/s2", f"accel.a.{axis}") for axis in "xyz"]
TURN = [(f"gyro_{axis}", "f32", "rad/s", f"gyro.a.{axis}") for axis in "xyz"]
PLACE = [
    ("latitude", "f64", "deg", "gnss.latitude"),
    ("longitude", "f64", "deg", "gnss.longitude"),
    ("height", "f32", "m", "gnss.height"),
]
KINDS = {
    "barometer": [("air", 10, [PRESSURE])],
    "one-axis": [("air", 10, [PRESSURE, FORCE[2]])],
    "unit-and-gnss": [("state", 10, [PRESSURE, *FORCE, *TURN]), ("gnss", 5, PLACE)],
}


def dictionary_text(kind: str) -> str:
    """Return the dictionary of one of the three."""
    packets = [
        PACKET.format(
            name=name, apid=apid, tag=name.upper(), rate=rate, fields="\n".join(ONE.format(*one) for one in fields)
        )
        for apid, (name, rate, fields) in enumerate(KINDS[kind], 1)
    ]
    return HEAD + "".join(packets)


class LittleVehicle(HopVehicle):
    """The hop of the small sample vehicle, over a field where GNSS is heard."""

    def values(self, packet: str) -> dict[str, float]:
        """Return a packet's values by channel name, with a place where the packet has one."""
        values = super().values(packet)
        if "latitude" in values:
            _, height, _ = self._motion()
            since = 0.0 if self.phase() == "pad" else min(values["time"] - self._ignite_s, 40.0)
            east, north = (speed * since for speed in DRIFT_M_S)
            values["latitude"] = SITE_DEG[0] + north / M_PER_DEG
            values["longitude"] = SITE_DEG[1] + east / M_PER_DEG / math.cos(math.radians(SITE_DEG[0]))
            values["height"] = 240.0 + height
        return values


@contextmanager
def transmitting(kind: str, rate: float = 1.0, ignite_s: float = IGNITE_S) -> Iterator[TwinListener]:
    """Give a vehicle behind a port of this computer, switched on; stopped earlier, it is out of range."""
    dictionary = parse_dictionary(dictionary_text(kind), kind)
    listener = TwinListener(LittleVehicle(dictionary, ignite_s), "socket://127.0.0.1:0", rate=rate)
    listener.start()
    try:
        yield listener
    finally:
        listener.stop()


def recorded(folder: Path, kind: str, seconds: float = 120.0, site: dict[str, object] | None = None) -> Path:
    """Write what a station hears of one of the three as a recording, flight and all; return its file."""
    clock, text = FakeClock(), dictionary_text(kind)
    header = make_header(clock, software=Software("t"), dictionary=text, vehicle={}, site=site or {}, source="t")
    recorder = Recorder(folder, kind, header, clock=clock)
    vehicle = LittleVehicle(parse_dictionary(text, kind), IGNITE_S)
    for step in range(1, round(seconds / STEP_S)):
        if chunk := vehicle.advance(STEP_S * step):
            recorder.append(Kind.RECEIVED, header.monotonic_ns + round((STEP_S * step + 0.03) * 1e9), chunk)
    clock.advance(seconds)
    return recorder.close()
