"""Real processes round one button: twin, radio on a pseudo-terminal, station, and eight kinds of trouble beside them.

A press is a message at the operator's socket (or a click in a Chromium page); it has left when a frame that was never seen
before, and that opens as Safe all, is at the terminal's other end. Both moments are read from one clock.
"""

from __future__ import annotations

import contextlib
import os
import random
import re
import resource
import select
import signal
import subprocess
import sys
import threading
import time
import tty
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from websockets.sync.client import connect

from protocol.bound import SafeAllFrame, open_bound_frame
from protocol.dictionary_file import load_dictionary
from protocol.framing import FrameSplitter
from server.settings import sample_folder
from server.uplink.key_file import load_or_make_key
from tests.browser.station import ROOT, Process, Relay, eventually
from tests.faults.pad import Operator, Watcher
from tests.server.live.test_closed_terminal import fill, read_lines

INJECTED = Path(__file__).with_name("injected")
PATIENCE_S = 5.0  # what has not left by then has not left
ANSWERED_WITHIN_S = 6.0
PAUSE_S = (0.02, 0.12)


class Press(NamedTuple):
    """One press: in which phase of flight, and after how many seconds it was at the port; None when it never was.

    `bare_s` is what a program needed a moment later that does nothing but write to a terminal what a message brings: what
    the machine itself was worth just then.
    """

    phase: str
    took_s: float | None
    bare_s: float


BARE = """
import asyncio, os, sys
from websockets.asyncio.server import serve
terminal = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
async def write(socket):
    async for message in socket:
        os.write(terminal, message)
async def main():
    async with serve(write, "127.0.0.1", 0) as server:
        print(server.sockets[0].getsockname()[1], flush=True)
        await asyncio.Future()
asyncio.run(main())
"""


class Bare:
    """The bare program, for comparison at the same time on the same machine."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        command = [sys.executable, "-c", BARE, os.ttyname(self._slave)]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        address = f"ws://127.0.0.1:{self._process.stdout.readline().strip()}"
        self._ending = contextlib.ExitStack()
        self._socket = self._ending.enter_context(connect(address, ping_interval=None))

    def press(self) -> float:
        """Return how many seconds a message took to the terminal's other end."""
        at_s = time.monotonic()
        self._socket.send(b"bare")
        os.read(self._master, 64)
        return time.monotonic() - at_s

    def close(self) -> None:
        """End it."""
        self._ending.close()
        self._process.kill()
        self._process.wait()
        self._process.stdout.close()
        os.close(self._slave)
        os.close(self._master)


class TimedRelay(Relay):
    """A relay that tells when each Safe all came that was none before; `frames` holds (monotonic second, frame)."""

    def __init__(self, twin_url: str, link: Path, key: bytes) -> None:
        self._key, self._dictionary = key, load_dictionary()
        self._splitter, self._seen = FrameSplitter(), set()
        self.frames: list[tuple[float, bytes]] = []
        super().__init__(twin_url, link)

    def _move_up(self, master: int) -> None:
        data = os.read(master, 65536)
        now_s = time.monotonic()
        self.up += len(data)
        self._twin.sendall(data)
        for encoded, _ in self._splitter.feed(data):
            frame = open_bound_frame(self._key, self._dictionary.uplink.vehicle_id, encoded)
            if isinstance(frame, SafeAllFrame) and encoded not in self._seen:
                self._seen.add(encoded)
                self.frames.append((now_s, encoded))


class Station:
    """`blockhouse live` with a pipe as its terminal, which can go away or stand still."""

    def __init__(self, home: Path, radio: Path, trouble: Path) -> None:
        self.lines_from, self.lines_to = os.pipe()
        paths = [str(INJECTED), *filter(None, [os.environ.get("PYTHONPATH")])]
        environment = {**os.environ, "BLOCKHOUSE_HOME": str(home), "PYTHONPATH": os.pathsep.join(paths)}
        environment["BLOCKHOUSE_TROUBLE"] = str(trouble)
        command = [sys.executable, "-m", "server", "live", "--port", str(radio), "--no-browser", "--http-port", "0"]
        to = self.lines_to
        self.process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=to, stderr=to)
        text = read_lines(self.lines_from, r"(?s)#operator=\S+\s.*Link up|Link up.*#operator=\S+\s")
        self.address, self.token = re.search(r"(http://127\.0\.0\.1:\d+/)#operator=(\S+)", text).groups()
        self._reading = threading.Event()
        self._reading.set()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while self._reading.is_set():
            if select.select([self.lines_from], [], [], 0.05)[0]:
                os.read(self.lines_from, 65536)

    def leave_terminal(self, closed: bool) -> None:
        """Read no more; the pipe is closed, or it fills up and stands still."""
        self._reading.clear()
        self._reader.join(5.0)
        if closed:
            os.close(self.lines_from)
            os.close(self.lines_to)
            self.lines_from = self.lines_to = -1
        else:
            fill(self.lines_to)

    def stop(self) -> None:
        """End it; killed where it does not end by itself."""
        self.process.terminate()
        try:
            self.process.wait(15.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self._reading.clear()
        self._reader.join(5.0)
        for descriptor in {self.lines_from, self.lines_to} - {-1}:
            os.close(descriptor)


class Field:
    """A twin before its flight, a station that hears it, an operator, and a viewer that tells what becomes of commands."""

    def __init__(self, folder: Path, ignite_after_s: float) -> None:
        self._ending = contextlib.ExitStack()
        try:
            self._set_up(folder, ignite_after_s)
        except BaseException:
            self._ending.close()
            raise

    def _set_up(self, folder: Path, ignite_after_s: float) -> None:
        self.bare = Bare()
        self._ending.callback(self.bare.close)
        self.home, self.trouble = folder / "home", folder / "trouble"
        self.trouble.mkdir(parents=True)
        keys = self.home / "keys"
        keys.mkdir(parents=True)
        key = load_or_make_key(keys, self.home / "counters")
        options = ["--keys", str(keys), "--ignite-after", str(ignite_after_s)]
        twin = Process(self.home, "twin", "--listen", "socket://127.0.0.1:0", *options)
        self._ending.callback(twin.stop)
        self.relay = TimedRelay(twin.line(r"Simulated vehicle on (\S+)")[1], folder / "radio", key)
        self._ending.callback(self.relay.close)
        self.station = Station(self.home, folder / "radio", self.trouble)
        self._ending.callback(self.station.stop)
        self.watcher = Watcher(self.station.address)
        self._ending.callback(self.watcher.close)
        self._ending.callback(self.calm)
        self.operator = Operator(self.station.address, self.station.token)
        self._ending.callback(self.operator.close)
        channel = load_dictionary().roles["vehicle_phase"]
        self._phase = channel
        self._pauses = random.Random(7)
        self._column = 2 + [c.name for c in load_dictionary().packets[channel.packet].channels].index(channel.name)

    def close(self) -> None:
        """End everything."""
        self._ending.close()

    def calm(self) -> None:
        """Take the trouble inside the station away."""
        for file in self.trouble.iterdir():
            file.unlink()

    def phase(self) -> str:
        """The vehicle's phase, as last shown."""
        rows = self.watcher.rows.get(self._phase.packet)
        return str(self._phase.text_of(rows[-1][self._column])) if rows else "startup"

    def press(self) -> Press:
        """Ask for Safe all at the operator's socket."""

        def ask() -> float:
            at_s = time.monotonic()
            self.operator.ask("safe_all")
            return at_s

        return self.timed(ask)

    def timed(self, press: Callable[[], float]) -> Press:
        """Wait until the Safe all before has been answered, press (which returns when it was), and see the frame."""
        self._settle()
        count, phase = len(self.relay.frames), self.phase()
        at_s = press()
        until_s = time.monotonic() + PATIENCE_S
        while len(self.relay.frames) == count and time.monotonic() < until_s:
            time.sleep(0.002)
        new = self.relay.frames[count:]
        return Press(phase, new[0][0] - at_s if new else None, self.bare.press())

    def _settle(self) -> None:
        """A press while Safe all is under way gives no frame of its own: wait for the answer, then a moment by chance."""
        until_s = time.monotonic() + ANSWERED_WITHIN_S
        while time.monotonic() < until_s and not self._all_answered():
            time.sleep(0.01)
        time.sleep(self._pauses.uniform(*PAUSE_S))

    def _all_answered(self) -> bool:
        states = {
            entry["key"]: entry["body"]["state"] for entry in list(self.watcher.journal) if entry["topic"] == "command"
        }
        return len(states) >= len(self.relay.frames) and not {"queued", "sent"} & set(states.values())


# ---------------------------------------------------------------- trouble


@contextlib.contextmanager
def nothing(field: Field) -> Iterator[None]:
    """For comparison."""
    yield


def injected(what: str) -> Callable[[Field], contextlib.AbstractContextManager[None]]:
    """Trouble inside the station's own process."""

    @contextlib.contextmanager
    def stands(field: Field) -> Iterator[None]:
        (field.trouble / what).touch()
        yield

    return stands


@contextlib.contextmanager
def full_disk(field: Field) -> Iterator[None]:
    """No file of the station grows any more."""
    resource.prlimit(field.station.process.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
    yield


@contextlib.contextmanager
def closed_terminal(field: Field) -> Iterator[None]:
    """As `blockhouse live | head`."""
    field.station.leave_terminal(closed=True)
    yield


@contextlib.contextmanager
def standing_terminal(field: Field) -> Iterator[None]:
    """Nobody reads the pipe; the disk is full besides, so that there is something to warn of."""
    field.station.leave_terminal(closed=False)
    with full_disk(field):
        yield


@contextlib.contextmanager
def hostile(field: Field) -> Iterator[None]:
    """A process of its own with 200 connections, so that its work is not ours."""
    command = [sys.executable, "-m", "tests.faults.hostile", field.station.address]
    other = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout.readline().strip() == "200"
        yield
    finally:
        other.kill()
        other.wait()
        other.stdout.close()


@contextlib.contextmanager
def replay_beside(field: Field) -> Iterator[None]:
    """A replay in a process of its own, and the same recordings opened again and again in the station's own page."""
    samples = sorted(sample_folder().glob("*.pcapng"))
    replay = Process(field.home, "replay", str(samples[0]), "--no-browser", "--http-port", "0")
    over = threading.Event()

    def look() -> None:
        addresses = [replay.line(r"^Page: (http://\S+)")[1], field.station.address]
        while not over.is_set():
            for what in ("columns", "summary"):
                for address in addresses:
                    for sample in samples:
                        url = f"{address}api/sessions/{sample.name.removesuffix('.pcapng')}/{what}"
                        with contextlib.suppress(OSError):
                            urllib.request.urlopen(url, timeout=30.0).read()
                        if over.wait(0.1):
                            return

    thread = threading.Thread(target=look, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(35.0)
        replay.process.send_signal(signal.SIGINT)
        replay.stop()


@dataclass(frozen=True)
class Trouble:
    """One condition of the table."""

    name: str
    how: str
    beside: Callable[[Field], contextlib.AbstractContextManager[None]]


TROUBLES = (
    Trouble("none", "for comparison", nothing),
    Trouble("hanging disk", "open, write, flush and replace do not return", injected("disk")),
    Trouble("full disk", "no file grows any more (a limit of 0 bytes)", full_disk),
    Trouble("closed terminal", "stdout and stderr: a pipe whose reader has gone", closed_terminal),
    Trouble("terminal stands still", "a full pipe that nobody reads, and a full disk to warn of", standing_terminal),
    Trouble("full thread pool", "no work given to the shared pool begins", injected("pool")),
    Trouble("200 hostile connections", "half requests, garbage, viewers that never read", hostile),
    Trouble("tracker that raises", "at every batch, and is asked again", injected("tracker")),
    Trouble("replay beside", "another process, and recordings opened in the station itself", replay_beside),
)


def ready(field: Field) -> None:
    """Wait until the vehicle is shown at the pad."""
    eventually(lambda: field.phase() == "pad", 30.0)
