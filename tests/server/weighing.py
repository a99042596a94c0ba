"""Recordings of a swing and of a static test for tests, written by the real recorder; everything in them is invented."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np

from protocol.arrays import Floats
from protocol.vehicle import VehicleLink
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_header import Software, make_header
from tests.server.flights import KEY, dictionary
from tests.server.recording.sessions import fixed_entropy

STAND = """
[dictionary]
format = 1
name = "stand"
version = "1"
vehicle = "Thrust stand"
description = "Invented: a load cell that sends lines of text"
modem_baud = 115200

[framing]
kind = "text"
separator = ","
start = "$"
checksum = "xor8"

[packet.cell]
apid = 1
tag = "CELL"
time = "time"
rate_hz = 500
description = "Force"
fields = [
  { name = "time", type = "f64", unit = "s", description = "Since switch-on" },
  { name = "force", type = "f32", unit = "N", role = "thrust_stand.force", description = "Load cell" },
]
"""


def stand_lines(t_s: Floats, force_n: Floats) -> list[tuple[float, bytes]]:
    """Return what the stand sends, by session second."""
    told = []
    for t, force in zip(t_s.tolist(), force_n.tolist(), strict=True):
        body = f"CELL,{t:.4f},{force:.4f}"
        sum_ = 0
        for letter in body.encode():
            sum_ ^= letter
        told.append((t, f"${body}*{sum_:02X}\r\n".encode()))
    return told


def gyro_frames(t_s: Floats, rates_rad_s: Floats) -> list[tuple[float, bytes]]:
    """Return what a Sandpiper at rest sends while it turns, (n,) and (n, 3), by session second: its first inertial unit."""
    link = VehicleLink(dictionary(), KEY, 5)
    told = []
    for t, (x, y, z) in zip(t_s.tolist(), rates_rad_s.tolist(), strict=True):
        values = {
            "accel_x": 9.8,
            "accel_y": 0.0,
            "accel_z": 0.0,
            "gyro_x": x,
            "gyro_y": y,
            "gyro_z": z,
            "temperature": 295.0,
        }
        told.append((t, link.frame("imu_a", round(1000 * t), values)))
    return told


def swung(
    seconds: float = 60.0, period_s: float = 2.3, amplitude_rad: float = 0.1, hz: float = 25.0
) -> tuple[Floats, Floats]:
    """Return times and rates of a small swing about a lateral axis that fades slowly."""
    t = np.arange(0.0, seconds, 0.04) + 1.0
    w = 2.0 * np.pi / period_s
    rate = amplitude_rad * w * np.exp(-0.006 * t) * np.cos(w * t)
    noise = np.random.default_rng(3).normal(0.0, 0.002, (len(t), 3))
    return t, rate[:, None] * np.array([0.8, 0.6, 0.0]) + noise


def session(folder: Path, name: str, chunks: Iterable[tuple[float, bytes]], text: str, vehicle: Mapping[str, object],
            site: Mapping[str, object]) -> Path:  # fmt: skip
    """Write a recording of received bytes with a dictionary and sheets; return the file."""
    clock = FakeClock()
    header = make_header(
        clock, software=Software("0.1"), dictionary=text, vehicle=vehicle, site=site, source="live", entropy=fixed_entropy
    )
    recorder = Recorder(folder, name, header, clock=clock)
    last = 0.0
    for number, (t, chunk) in enumerate(chunks, 1):
        put = recorder.append if number % 1000 else recorder.append_synced
        put(Kind.RECEIVED, header.monotonic_ns + round(t * 1e9), chunk)
        last = t
    clock.advance(last)
    return recorder.close()
