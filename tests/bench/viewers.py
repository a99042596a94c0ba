"""Many viewers: `python -m tests.bench.viewers` holds 300 on loopback at 25 updates a second.

A real station on a pseudo-terminal gets a round of packets every 40 ms. Of its viewers some read slowly, some have stopped
reading, some leave in the midst of a message and come again; the others are measured: the time from the round's write to
the arrival of the message that holds it (the oldest round in it), and the station's processor time. The same viewers then
watch a bare `websockets` server that broadcasts the same bytes at the same moments, uncompressed as ours are, without
terminal, decoding, recording or page. `--viewers`, `--seconds` for shorter runs.

`--come-and-go 5 50 300` instead: an operator's page watches alone for a while at 125 updates a second, then so many viewers
come and go at random for a minute each (`--seconds`); printed are the longest times anybody was without a message.
"""

from __future__ import annotations

import argparse
import asyncio
import base64
import itertools
import os
import random
import re
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from protocol.dictionary_file import load_dictionary
from protocol.vehicle import VehicleLink
from tests.browser.station import Process
from tests.traffic import KEY

ROUND_S = 0.04
ODD_ONES = {"slow": 10, "stopped": 10, "leaving": 10}  # of 300
MARK = re.compile(rb'"barometer":\[\[([0-9.]+),')
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


@dataclass
class Tally:
    """What the measured viewers saw: delays in seconds, one example of a message, when each round was sent."""

    sent: dict[bytes, float] = field(default_factory=dict)
    delays: list[float] = field(default_factory=list)
    example: bytes = b""
    messages: int = 0
    size: int = 0


class Client(asyncio.Protocol):
    """A viewer as light as can be, so that the viewers' own work does not hide the server's. Kinds: see `ODD_ONES`."""

    def __init__(self, address: str, path: str, kind: str, tally: Tally, offered: str = "") -> None:
        self._address, self._path, self.kind, self._tally = address, path, kind, tally
        self._offered = f"Sec-WebSocket-Protocol: {offered}\r\n" if offered else ""
        self._data = b""
        self._open = False

    def connection_made(self, transport: asyncio.Transport) -> None:
        """Ask for the socket."""
        self.transport = transport
        key = base64.b64encode(os.urandom(16)).decode()
        transport.write(
            f"GET {self._path} HTTP/1.1\r\nHost: {self._address}\r\nOrigin: http://{self._address}\r\nUpgrade: websocket\r\n"
            f"Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {key}\r\n"
            f"{self._offered}\r\n".encode()
        )

    def data_received(self, data: bytes) -> None:
        """Take whole messages out of what came."""
        now = time.perf_counter()
        self._data += data
        if not self._open:
            head, end, rest = self._data.partition(b"\r\n\r\n")
            if not end:
                return
            assert b" 101 " in head.split(b"\r\n")[0], head
            self._open, self._data = True, rest
            if self.kind == "stopped":
                self.transport.pause_reading()
        while (frame := self._frame()) is not None:
            self._take(*frame, now)

    def _frame(self) -> tuple[int, bytes] | None:
        """Return (opcode, payload) of the next whole frame (RFC 6455 section 5.2; a server's are not masked)."""
        data = self._data
        if len(data) < 2:
            return None
        size, start = data[1] & 127, 2
        if size > 125:
            start = 4 if size == 126 else 10
            size = int.from_bytes(data[2:start], "big")
        if len(data) < start + size:
            return None
        self._data = data[start + size :]
        return data[0] & 15, data[start : start + size]

    def _take(self, opcode: int, payload: bytes, now: float) -> None:
        if opcode == 9:
            self.transport.write(b"\x8a" + bytes([0x80 | len(payload)]) + bytes(4) + payload)
        mark = MARK.search(payload)
        if opcode != 1 or mark is None or self.kind != "measured":
            return
        tally = self._tally
        at = tally.sent.get(mark[1])
        if at is not None:
            tally.delays.append(now - at)
            tally.messages += 1
            tally.size += len(payload)
            tally.example = payload


class Waiting(Client):
    """A viewer that notes its longest time without a message, in seconds, from its connection on."""

    def __init__(self, address: str, offered: str = "") -> None:
        super().__init__(address, "/ws/view", "waiting", Tally(), offered)
        self._last_s = time.perf_counter()
        self.longest_s = 0.0

    def look(self) -> None:
        """Count the time since the last message."""
        self.longest_s = max(self.longest_s, time.perf_counter() - self._last_s)

    def _take(self, opcode: int, payload: bytes, now: float) -> None:
        super()._take(opcode, payload, now)
        if opcode == 1:
            self.look()
            self._last_s = time.perf_counter()


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
    station = Process(folder, "live", "--port", os.ttyname(slave), "--no-browser", "--http-port", "0")
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
    station = Process(folder, "live", "--port", os.ttyname(slave), "--no-browser", "--http-port", "0")
    try:
        address, token = station.line(r"Operator's page.*http://([^/]+)/#operator=(\S+)").groups()
        station.line("^Link waiting")
        sending = asyncio.create_task(_steadily(master))
        page = await _come(address, f"view, operator.{token}")
        await asyncio.sleep(alone_s)
        page.look()
        print(f"operator's page alone for {alone_s:g} s: longest {1000 * page.longest_s:.0f} ms without a message")
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
                f"{1000 * page.longest_s:.0f} ms (target 500 and 200: {reached}), load {os.getloadavg()[0]:.1f}"
            )
        sending.cancel()
        page.transport.abort()
    finally:
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
