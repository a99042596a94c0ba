"""Does a station stay small? `python -m tests.bench.memory` stands four hours of vehicle time on the pad at a high rate.

Twin and station are real processes; the resident memory of the station is read from /proc (Linux) while one viewer
listens. Printed: memory after each half hour of vehicle time, and the growth over the second half, and whether the vehicle
kept to its rate: one that falls behind sends in lumps, which a station does not meet on the field.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import tempfile
import time
from pathlib import Path

from websockets.asyncio.client import connect

from tests.browser.station import BareProcess

TARGET_MB = 200.0


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=4.0)
    parser.add_argument("--rate", type=float, default=30.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        begun = time.monotonic()
        points, packets = asyncio.run(_stand(Path(folder), options.hours, options.rate))
        kept = points[-1][0] * 3600 / (time.monotonic() - begun)
    for hours, megabytes in points:
        print(f"{hours:5.2f} h   {megabytes:6.1f} MB")
    worst = max(megabytes for _, megabytes in points)
    half = [megabytes for hours, megabytes in points if hours >= options.hours / 2]
    verdict = "reached" if worst < TARGET_MB else "NOT reached"
    print(f"{packets} packets; greatest {worst:.1f} MB, target under {TARGET_MB:.0f} MB: {verdict}")
    print(f"last over first point of the second half: {half[-1] / half[0]:.3f}")
    print(f"{kept:.1f} times real time of the {options.rate:g} asked for")


async def _stand(folder: Path, hours: float, rate: float) -> tuple[list[tuple[float, float]], int]:
    arguments = ["--rate", str(rate), "--ignite-after", str(hours * 3600 + 3600)]
    twin = BareProcess(folder, "twin", "--listen", "socket://127.0.0.1:0", *arguments)
    station = BareProcess(folder, "live", "--port", twin.line(r"(socket://\S+)")[1], "--no-browser", "--http-port", "0")
    try:
        port = station.line(r"Page: http://127.0.0.1:(\d+)/")[1]
        return await _watch(station.process.pid, port, hours)
    finally:
        station.stop()
        twin.stop()


async def _watch(pid: int, port: str, hours: float) -> tuple[list[tuple[float, float]], int]:
    points: list[tuple[float, float]] = []
    packets, mark = 0, 0.0
    told = time.monotonic()
    async with connect(f"ws://127.0.0.1:{port}/ws/view", origin=f"http://127.0.0.1:{port}", max_size=None) as socket:
        async for text in socket:
            message = json.loads(text)
            packets = message.get("link", {}).get("packets", packets)
            vehicle_h = message["t_now"] / 3600
            if vehicle_h >= mark:
                points.append((vehicle_h, _resident_mb(pid)))
                mark += 0.5
            if time.monotonic() - told > 10:
                told = time.monotonic()
                print(f"... {vehicle_h:.2f} h", flush=True)
            if vehicle_h >= hours:
                break
    return points, packets


def _resident_mb(pid: int) -> float:
    with contextlib.suppress(StopIteration):
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("VmRSS")).split()[1]) / 1024
    raise AssertionError("resident memory can be read on Linux only")


if __name__ == "__main__":
    main()
