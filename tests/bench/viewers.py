"""Many viewers: `python -m tests.bench.viewers` holds 300 on loopback at 25 updates a second.

A real station on a pseudo-terminal gets a round of packets every 40 ms. Of its viewers some read slowly, some have stopped
reading, some leave in the midst of a message and come again; the others are measured: the time from the round's write to
the arrival of the message that holds it (the oldest round in it), and the station's processor time. The same viewers then
watch a bare `websockets` server that broadcasts the same bytes at the same moments, uncompressed as ours are, without
terminal, decoding, recording or page. `--viewers`, `--seconds` for shorter runs.

`--come-and-go 5 50 300` instead: an operator's page watches alone for a while at 125 updates a second, then so many viewers
come and go at random for a minute each (`--seconds`); printed are the longest times anybody was without a message,
beside how late a process was that only sleeps.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import os
import random
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from protocol.dictionary_file import load_dictionary
from protocol.vehicle import VehicleLink
from tests.bench.viewer_client import MARK, Client, Tally, Waiting
from tests.browser.station import BareProcess
from tests.traffic import KEY

ROUND_S = 0.04
ODD_ONES = {"slow": 10, "stopped": 10, "leaving": 10}  # of 300
IDLE = """
import sys, threading, time
longest = 0.0
def sleep():
    global longest
    while True:
        at = time.perf_counter()
        time.sleep(0.005)
        longest = max(longest, time.perf_counter() - at - 0.005)
threading.Thread(target=sleep, daemon=True).start()
for _ in sys.stdin:
    print(longest, flush=True)
    longest = 0.0
"""
BARE = """
import asyncio, sys
from websockets.asyncio.server import broadcast, serve
async def main():
    viewers, loop = set(), asyncio.get_running_loop()
    text = open(sys.argv[1]).read()
    async def viewer(socket):
        viewers.add(socket)
        try:
            await socket.wait_closed()
        finally:
            viewers.discard(socket)
    reader = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    async with serve(viewer, "127.0.0.1", 0, compression=None) as server:
        print("port", server.sockets[0].getsockname()[1], flush=True)
        while line := await reader.readline():
            broadcast(viewers, text.replace("MARK", line.decode().strip()))
asyncio.run(main())
"""


@dataclass(frozen=True)
class Result:
    """Delays in milliseconds, processor seconds per second, messages and mean bytes."""

    delays_ms: np.ndarray
    processor: float
    messages: int
    mean_bytes: float
    example: bytes

    @property
    def p99_ms(self) -> float:
        """99th percentile of the delay."""
        return float(np.percentile(self.delays_ms, 99))


def processor_s(pid: int) -> float:
    """Return the processor time a process has used, user and system."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def watch(address: str, path: str, pid: int, viewers: int, seconds: float, send: Callable[[int], bytes]) -> Result:
    """Connect the viewers, send rounds on time, and gather what the measured ones saw."""
    tally, loop = Tally(), asyncio.get_running_loop()
    host, port = address.split(":")
    kinds = [kind for kind, share in ODD_ONES.items() for _ in range(share * viewers // 300)]
    kinds += ["measured"] * (viewers - len(kinds))

    async def join(kind: str) -> Client:
        return (await loop.create_connection(lambda: Client(address, path, kind, tally), host, int(port)))[1]

    clients = [await join(kind) for kind in kinds]
    await asyncio.sleep(1.0)
    begun_cpu, begun = processor_s(pid), time.perf_counter()
    for number in range(int(seconds / ROUND_S)):
        await asyncio.sleep(max(0.0, begun + number * ROUND_S - time.perf_counter()))
        at = time.perf_counter()
        tally.sent[send(number)] = at
        if number % 25 == 24:  # every second the slow ones read a little, the leaving ones go and come
            for place, client in enumerate(clients):
                if client.kind == "slow":
                    client.transport.resume_reading() if number % 50 == 49 else client.transport.pause_reading()
                elif client.kind == "leaving":
                    client.transport.abort()
                    clients[place] = await join("leaving")
    await asyncio.sleep(0.5)
    used = (processor_s(pid) - begun_cpu) / (time.perf_counter() - begun)
    for client in clients:
        client.transport.abort()
    messages = max(tally.messages, 1)
    return Result(np.array(tally.delays) * 1000, used, tally.messages, tally.size / messages, tally.example)


def mark_of(vehicle_ms: int) -> bytes:
    """Return a round's time as the station writes it."""
    return repr(vehicle_ms / 1000.0).encode()


async def measure_station(folder: Path, viewers: int, seconds: float) -> Result:
    """Measure a real station."""
    master, slave = os.openpty()
    tty.setraw(slave)
    station = BareProcess(folder, "live", "--port", os.ttyname(slave), "--no-browser", "--http-port", "0")
    try:
        address = station.line(r"Page: http://(127.0.0.1:\d+)/")[1]
        station.line("^Link waiting")
        return await watch(address, "/ws/view", station.process.pid, viewers, seconds, _rounds(master))
    finally:
        station.stop()
        os.close(slave)
        os.close(master)


def _rounds(master: int) -> Callable[[int], bytes]:
    frames = _frames()

    def send(number: int) -> bytes:
        os.write(master, b"".join(frames(number)))
        return mark_of(1000 + round(number * ROUND_S * 1000))

    return send


def _frames() -> Callable[[int], list[bytes]]:
    """Return what makes the frames of a round by its number."""
    link = VehicleLink(load_dictionary(), KEY, 5)
    plain = {
        name: {c.name: 0.5 for c in link.dictionary.packets[name].channels} for name in ("navigation", "fins", "control")
    }
    imu = {c.name: 0.0 for c in link.dictionary.packets["imu_a"].channels} | {"accel_z": 9.8, "temperature": 300.0}
    # Upright, as a vehicle on the pad stands: forces of 1 g and another attitude would be one long alarm.
    upright = {link.dictionary.roles[f"attitude_quaternion.{part}"].name: float(part == "w") for part in "wxyz"}
    control = {c.name: 0 for c in link.dictionary.packets["control"].channels}
    values = {
        "barometer": {"pressure": 94000.0, "temperature": 291.0, "altitude": 0.0},
        "navigation": plain["navigation"] | upright,
        "imu_a": imu,
        "imu_b": imu,
        "control": control,
    }

    def frames(number: int) -> list[bytes]:
        ms = 1000 + round(number * ROUND_S * 1000)
        return [link.frame(name, ms, value) for name, value in values.items()]

    return frames


async def measure_bare(folder: Path, viewers: int, seconds: float, example: bytes) -> Result:
    """Measure the bare broadcast of the same bytes."""
    text = folder / "message.json"
    text.write_bytes(MARK.sub(b'"barometer":[[MARK,', example))
    process = subprocess.Popen(
        [sys.executable, "-c", BARE, str(text)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    )
    try:
        port = process.stdout.readline().split()[1]

        def send(number: int) -> bytes:
            mark = mark_of(1000 + round(number * ROUND_S * 1000))
            process.stdin.write(mark.decode() + "\n")
            process.stdin.flush()
            return mark

        return await watch(f"127.0.0.1:{port}", "/", process.pid, viewers, seconds, send)
    finally:
        process.kill()
        process.wait()
        process.stdin.close()
        process.stdout.close()


async def come_and_go(folder: Path, counts: list[int], alone_s: float, seconds: float) -> None:
    """Let viewers come and go beside an operator's page, and print the longest times without a message."""
    master, slave = os.openpty()
    tty.setraw(slave)
    idle = subprocess.Popen([sys.executable, "-c", IDLE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def late_s() -> float:
        idle.stdin.write("\n")
        idle.stdin.flush()
        return float(idle.stdout.readline())

    station = BareProcess(folder, "live", "--port", os.ttyname(slave), "--no-browser", "--http-port", "0")
    try:
        address, token = station.line(r"Operator's page.*http://([^/]+)/#operator=(\S+)").groups()
        station.line("^Link waiting")
        sending = asyncio.create_task(_steadily(master))
        page = await _come(address, f"view, operator.{token}")
        await asyncio.sleep(alone_s)
        page.look()
        print(
            f"operator's page alone for {alone_s:g} s: longest {1000 * page.longest_s:.0f} ms without a message; "
            f"a process that only sleeps was late by up to {1000 * late_s():.0f} ms"
        )
        for count in counts:
            page.longest_s, visits = 0.0, list[float]()
            tasks = [asyncio.create_task(_visits(address, visits, random.Random(place))) for place in range(count)]
            await asyncio.sleep(seconds)
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
            page.look()
            reached = "reached" if max(visits) <= 0.5 and page.longest_s <= 0.2 else "NOT reached"
            print(
                f"{count:3d} coming and going for {seconds:g} s, {len(visits)} visits: longest {1000 * max(visits):.0f} ms "
                f"(99th percentile of the visits' longest {1000 * np.percentile(visits, 99):.0f} ms), operator's page "
                f"{1000 * page.longest_s:.0f} ms (target 500 and 200: {reached}); only sleeping, late by up to "
                f"{1000 * late_s():.0f} ms, load {os.getloadavg()[0]:.1f}"
            )
        sending.cancel()
        page.transport.abort()
    finally:
        idle.communicate()
        station.stop()
        os.close(slave)
        os.close(master)


async def _come(address: str, offered: str = "") -> Waiting:
    host, port = address.split(":")
    return (await asyncio.get_running_loop().create_connection(lambda: Waiting(address, offered), host, int(port)))[1]


async def _visits(address: str, visits: list[float], rng: random.Random) -> None:
    """Come, watch for up to ten seconds, go, come again."""
    while True:
        await asyncio.sleep(rng.uniform(0.0, 2.0))
        viewer = await _come(address)
        try:
            await asyncio.sleep(rng.uniform(0.0, 10.0))
        finally:
            viewer.look()
            visits.append(viewer.longest_s)
            viewer.transport.abort()


async def _steadily(master: int) -> None:
    """Send one packet after the other, a round of them every `ROUND_S`."""
    frames, begun, sent = _frames(), time.perf_counter(), 0
    for number in itertools.count():
        for frame in frames(number):
            sent += 1
            os.write(master, frame)
            await asyncio.sleep(max(0.0, begun + sent * ROUND_S / 5 - time.perf_counter()))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--viewers", type=int, default=300)
    parser.add_argument("--seconds", type=float, help="default 10; 60 with --come-and-go")
    parser.add_argument("--turns", type=int, default=3)
    parser.add_argument("--come-and-go", type=int, nargs="+", metavar="VIEWERS")
    parser.add_argument("--alone", type=float, default=15.0, metavar="SECONDS")
    options = parser.parse_args()
    if options.come_and_go:
        with tempfile.TemporaryDirectory() as name:
            asyncio.run(come_and_go(Path(name), options.come_and_go, options.alone, options.seconds or 60.0))
        return
    options.seconds = options.seconds or 10.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        alone = asyncio.run(measure_station(folder / "alone", 1, options.seconds))
        pairs = []
        for turn in range(options.turns):  # in turns, so that what else the machine does falls on both
            ours = asyncio.run(measure_station(folder / f"crowd{turn}", options.viewers, options.seconds))
            pairs.append((ours, asyncio.run(measure_bare(folder, options.viewers, options.seconds, ours.example))))
    print(
        f"{options.viewers} viewers, {1 / ROUND_S:g} rounds/s, {options.turns} turns of {options.seconds:g} s each, "
        f"load {os.getloadavg()[0]:.1f}"
    )
    rows = [("station, 1 viewer", alone), *(row for pair in pairs for row in zip(("station", "bare"), pair, strict=True))]
    for title, result in rows:
        median = np.median(result.delays_ms)
        print(
            f"{title:18s} {result.messages:7d} messages of {result.mean_bytes:5.0f} bytes   delay ms median {median:6.2f}  "
            f"99th {result.p99_ms:6.2f}   processor {100 * result.processor:5.1f} %"
        )
    delay = float(np.median([ours.p99_ms / bare.p99_ms for ours, bare in pairs]))
    processor = float(np.median([ours.processor / bare.processor for ours, bare in pairs]))
    for what, ratio in (("99th percentile delay", delay), ("processor time", processor)):
        reached = "reached" if ratio <= 1.5 else "NOT reached"
        print(f"{what}: {ratio:.2f} times the bare one's, median of the turns (target 1.5: {reached})")


if __name__ == "__main__":
    main()
