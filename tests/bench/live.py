"""Byte in to WebSocket out: `python -m tests.bench.live`.

A real station process on a real pseudo-terminal gets 100 packets a second, one viewer listens. The time from the write of
a packet's last byte to its row in a WebSocket message is printed, beside that of a bare program in the same run that only
reads the terminal, decodes, and sends one JSON text per packet with `websockets`: no recording, no computation, no page.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from pathlib import Path

import numpy as np
from websockets.asyncio.client import connect

from protocol.dictionary_file import load_dictionary
from protocol.vehicle import VehicleLink
from tests.browser.station import BareProcess
from tests.traffic import KEY

PACKETS_PER_S = 100
BARE = """
import asyncio, json, sys
import serial
from websockets.asyncio.server import serve
from protocol.dictionary_file import load_dictionary
from protocol.link import NEED_DATA, Link, PacketReceived
async def main():
    link, loop, viewers = Link(load_dictionary()), asyncio.get_running_loop(), set()
    port = serial.Serial(sys.argv[1], 57600, timeout=0.2)
    async def viewer(socket):
        viewers.add(socket)
        await socket.wait_closed()
    async def pump():
        while True:
            chunk = await asyncio.to_thread(lambda: port.read(1) + port.read(port.in_waiting))
            link.receive_data(chunk)
            while (event := link.next_event()) is not NEED_DATA:
                if isinstance(event, PacketReceived):
                    row = [event.time_ms / 1000, 0, *event.values]
                    for socket in viewers:
                        await socket.send(json.dumps({"type": "update", "rows": {event.packet.name: [row]}}))
    async with serve(viewer, "127.0.0.1", 0) as server:
        print("port", server.sockets[0].getsockname()[1], flush=True)
        await pump()
asyncio.run(main())
"""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    seconds = parser.parse_args().seconds
    with tempfile.TemporaryDirectory() as folder:
        ours = asyncio.run(_measure_station(Path(folder), seconds))
        bare = asyncio.run(_measure_bare(seconds))
    print(
        f"{PACKETS_PER_S} packets/s, one viewer, {seconds:g} s each; milliseconds from the last byte in to the message out"
    )
    for name, times in (("station", ours), ("bare", bare)):
        p50, p99, worst = np.percentile(times, 50), np.percentile(times, 99), times.max()
        print(f"{name:8s} {len(times):6d} packets   median {p50:6.2f}   99th {p99:6.2f}   worst {worst:6.2f}")
    reached = "reached" if np.percentile(ours, 99) < 5.0 else "NOT reached"
    ratio = np.percentile(ours, 99) / np.percentile(bare, 99)
    print(f"99th percentile of the station under 5 ms: {reached}; {ratio:.2f} times the bare one's")


def _terminal() -> tuple[int, int]:
    master, slave = os.openpty()
    tty.setraw(slave)
    return master, slave


async def _measure_station(folder: Path, seconds: float) -> np.ndarray:
    master, slave = _terminal()
    station = BareProcess(folder, "live", "--port", os.ttyname(slave), "--no-browser", "--http-port", "0")
    try:
        port = station.line(r"Page: http://127.0.0.1:(\d+)/")[1]
        return await _times(master, f"ws://127.0.0.1:{port}/ws/view", f"http://127.0.0.1:{port}", seconds)
    finally:
        station.stop()
        os.close(slave)
        os.close(master)


async def _measure_bare(seconds: float) -> np.ndarray:
    master, slave = _terminal()
    process = subprocess.Popen([sys.executable, "-c", BARE, os.ttyname(slave)], stdout=subprocess.PIPE, text=True)
    try:
        port = process.stdout.readline().split()[1]
        return await _times(master, f"ws://127.0.0.1:{port}", None, seconds)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        os.close(slave)
        os.close(master)


async def _times(master: int, url: str, origin: str | None, seconds: float) -> np.ndarray:
    """Write mixed packets on time; the vehicle's milliseconds, unique per packet, tell which one a row is."""
    dictionary = load_dictionary()
    link = VehicleLink(dictionary, KEY, 5)
    sent: dict[int, float] = {}
    times: list[float] = []
    async with connect(url, origin=origin) as socket:
        listening = asyncio.create_task(_listen(socket, dictionary.packets, sent, times))
        await asyncio.sleep(1.0)
        begun = time.perf_counter()
        make = _packet_maker(link)
        for i in range(int(seconds * PACKETS_PER_S)):
            await asyncio.sleep(max(0.0, begun + i / PACKETS_PER_S - time.perf_counter()))
            ms = 1000 + i * 10
            frame = make(i, ms)
            sent[ms] = time.perf_counter()
            os.write(master, frame)
        await asyncio.sleep(0.5)
        listening.cancel()
    assert len(times) > 0.99 * len(sent), f"{len(times)} of {len(sent)} packets came through"
    return np.array(times) * 1000


def _packet_maker(link: VehicleLink) -> Callable[[int, int], bytes]:
    navigation = {c.name: 0.5 for c in link.dictionary.packets["navigation"].channels}
    imu = {c.name: 0.0 for c in link.dictionary.packets["imu_a"].channels} | {"accel_z": 9.8, "temperature": 300.0}
    barometer = {"pressure": 94000.0, "temperature": 291.0, "altitude": 0.0}
    kinds = [("navigation", navigation), ("imu_a", imu), ("barometer", barometer), ("imu_b", imu)]

    def make(i: int, ms: int) -> bytes:
        name, values = kinds[i % len(kinds)]
        return link.frame(name, ms, values)

    return make


async def _listen(socket: object, packets: object, sent: dict[int, float], times: list[float]) -> None:
    async for text in socket:
        now = time.perf_counter()
        message = json.loads(text)
        for name, rows in message.get("rows", {}).items():
            if name in packets:
                times += [now - sent[ms] for row in rows if (ms := round(row[0] * 1000)) in sent]


if __name__ == "__main__":
    main()
