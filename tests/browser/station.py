"""Real processes for browser tests: a twin, a station, and a relay that counts every byte on the wire between them."""

from __future__ import annotations

import contextlib
import os
import re
import select
import socket
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from urllib.parse import urlsplit

from protocol.bound import COMMAND_APID
from protocol.commands import open_telecommand
from protocol.dictionary_file import load_dictionary
from protocol.framing import FrameSplitter
from tests.forked import Forked
from tests.forked import possible as forking_is_possible

BUSY = 5  # so many times longer may anything take beside other tests and strange programs; it costs a red test only
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.02, 0.1
PING_CODE_AT = 26  # of the content: header 6, boot id 8, dictionary 4, counter 4, valid until 4

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM_ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


# The headless shell of the same build comes first: the same engine without a window that nobody sees, which costs one to
# two seconds of processor time for every page that is opened.
CHROMIUM_NAMES = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")


def chromium_path() -> str:
    """Return the system's Chromium; the test fails, it does not skip, where there is none."""
    for name in CHROMIUM_NAMES:
        for folder in os.environ.get("PATH", "").split(os.pathsep):
            if (Path(folder) / name).exists():
                return str(Path(folder) / name)
    raise AssertionError("the browser tests need Chromium: install your system's package 'chromium'")


def bare(module: str, arguments: Sequence[str], environment: dict[str, str]) -> subprocess.Popen[str]:
    """Start a module by an interpreter of its own."""
    command = [sys.executable, "-m", module, *arguments]
    return subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


class Process:
    """`python -m server ...` (or another module) whose lines of output can be waited for; the server's is forked."""

    def __init__(self, home: Path, *arguments: str, module: str = "server") -> None:
        environment = {**os.environ, "BLOCKHOUSE_HOME": str(home), "PYTHONUNBUFFERED": "1"}
        self.process = self._started(module, arguments, environment)
        self.lines: list[str] = []
        self._changed = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _started(self, module: str, arguments: Sequence[str], environment: dict[str, str]) -> Forked | subprocess.Popen[str]:
        if module == "server" and forking_is_possible():
            return Forked(module, arguments, ROOT, environment)
        return bare(module, arguments, environment)

    def _read(self) -> None:
        with self.process.stdout as lines:  # closed here: one that is killed and forgotten must not leave its pipe to others
            for line in lines:
                with self._changed:
                    self.lines.append(line.rstrip("\n"))
                    self._changed.notify_all()

    def line(self, pattern: str, timeout_s: float = 30.0) -> re.Match[str]:
        """Wait for a line that matches, as patiently as `eventually`; fails with everything printed so far."""
        end = time.monotonic() + timeout_s * BUSY
        with self._changed:
            while True:
                for line in self.lines:
                    match = re.search(pattern, line)
                    if match:
                        return match
                left = end - time.monotonic()
                assert left > 0, f"no line like {pattern!r} in: {self.lines}"
                self._changed.wait(left)

    def stop(self) -> list[str]:
        """End it as a person would (Ctrl-C) and return its lines; kills it when it does not end."""
        if self.process.poll() is None:
            self.process.terminate()
        try:
            self.process.wait(8.0 * BUSY)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(5.0)
            raise
        self._reader.join(2.0)
        return self.lines


class BareProcess(Process):
    """The same by an interpreter of its own, imports and all: for tests of the command line and for measuring."""

    def _started(self, module: str, arguments: Sequence[str], environment: dict[str, str]) -> subprocess.Popen[str]:
        return bare(module, arguments, environment)


class Relay:
    """A real pseudo-terminal for the station, joined to the twin's socket; counts bytes up and down."""

    def __init__(self, twin_url: str, link: Path) -> None:
        place = urlsplit(twin_url)
        self._twin = socket.create_connection((place.hostname, place.port))
        self._link = link
        self.up = 0
        self.down = 0
        self._open_terminal()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _open_terminal(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        with contextlib.suppress(FileNotFoundError):
            self._link.unlink()
        self._link.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        """Pull the radio out: the terminal goes away."""
        master, self._master = self._master, -1
        os.close(self._slave)
        os.close(master)
        self._link.unlink()

    def plug(self) -> None:
        """Put it back; it comes under another device name, the link points to it."""
        self._open_terminal()

    def _run(self) -> None:
        while not self._stopping.is_set():
            master = self._master
            watched = [self._twin] if master < 0 else [self._twin, master]
            with contextlib.suppress(OSError, ValueError):
                for ready in select.select(watched, [], [], 0.05)[0]:
                    self._move_down(master) if ready is self._twin else self._move_up(master)

    def _move_down(self, master: int) -> None:
        data = self._twin.recv(65536)
        self.down += len(data)
        if master >= 0:
            with contextlib.suppress(BlockingIOError):
                os.write(master, data)

    def _move_up(self, master: int) -> None:
        data = os.read(master, 65536)
        self.up += len(data)
        self._twin.sendall(data)

    def close(self) -> None:
        """End both sides."""
        self._stopping.set()
        self._thread.join(2.0)
        self._twin.close()
        if self._master >= 0:
            os.close(self._slave)
            os.close(self._master)


class PingFilter:
    """Counts the bytes of uplink frames but those of pings to the Sandpiper."""

    def __init__(self) -> None:
        dictionary = load_dictionary()
        self._code = dictionary.commands["ping"].code
        self._splitter = FrameSplitter()

    def others(self, data: bytes) -> int:
        """Return how many bytes of whole frames, other than pings, these complete."""
        frames = [encoded for encoded, _ in self._splitter.feed(data)]
        return sum(len(encoded) + 1 for encoded in frames if not self._is_ping(encoded))

    def _is_ping(self, encoded: bytes) -> bool:
        opened = open_telecommand(encoded, PING_CODE_AT + 1, (COMMAND_APID,))  # Safe all has another APID, and no code
        return not isinstance(opened, str) and opened[1][PING_CODE_AT] == self._code


class NetRelay:
    """A TCP port for the station, joined to the twin's socket; counts bytes up and down, and can be unplugged.

    `up` leaves out the station's own pings: it asks for a round trip while somebody gets a command ready.
    """

    def __init__(self, twin_url: str) -> None:
        place = urlsplit(twin_url)
        self._twin = socket.create_connection((place.hostname, place.port))
        self._listener: socket.socket | None = socket.create_server(("127.0.0.1", 0))
        self._port = self._listener.getsockname()[1]
        self._station: socket.socket | None = None
        self._plugged = True
        self.url = f"socket://127.0.0.1:{self._port}"
        self.up = 0
        self.down = 0
        self._pings = PingFilter()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Pull the radio out: nobody answers at the port any more."""
        self._plugged = False

    def plug(self) -> None:
        """Put it back."""
        self._plugged = True

    def _run(self) -> None:
        while not self._stopping.is_set():
            if not self._plugged:
                self._let_go()
            elif self._listener is None:
                self._listener = socket.create_server(("127.0.0.1", self._port))
            watched = [s for s in (self._twin, self._listener, self._station) if s is not None]
            for ready in select.select(watched, [], [], 0.02)[0]:
                self._move(ready)
        self._let_go()
        self._twin.close()

    def _move(self, ready: socket.socket) -> None:
        if ready is self._listener:
            self._station = ready.accept()[0]
        elif ready is self._twin:
            data = ready.recv(65536)
            self.down += len(data)
            if self._station is not None:
                with contextlib.suppress(OSError):
                    self._station.sendall(data)
        elif ready is self._station:
            try:
                data = ready.recv(65536)
            except OSError:
                data = b""
            self.up += self._pings.others(data)
            if data:
                self._twin.sendall(data)
            else:
                self._station = ready.close()

    def _let_go(self) -> None:
        for one in (self._listener, self._station):
            if one is not None:
                one.close()
        self._listener = self._station = None

    def close(self) -> None:
        """End both sides."""
        self._stopping.set()
        self._thread.join(2.0)


def eventually(condition: Callable[[], object], timeout_s: float = 10.0) -> None:
    """Wait until a condition holds; for what another process does. `timeout_s` is what a machine of its own allows.

    A look at a page costs its browser milliseconds, so they come the less often the longer it takes.
    """
    end, pause = time.monotonic() + timeout_s * BUSY, FIRST_PAUSE_S
    while not condition():
        assert time.monotonic() < end, "it did not come to hold in time"
        time.sleep(pause)
        pause = min(LONGEST_PAUSE_S, pause * 1.25)


@contextlib.contextmanager
def chromium() -> Iterator[object]:
    """Give a browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_ARGUMENTS)
        yield browser
        browser.close()


@contextlib.contextmanager
def page_of(browser: object) -> Iterator[object]:
    """Give a page of somebody who was never here before; page errors and refused loads fail the test at the end."""
    context = browser.new_context(viewport={"width": 1366, "height": 768}, color_scheme="light", reduced_motion="reduce")
    try:
        page = context.new_page()
        problems: list[str] = []
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.on("console", lambda message: problems.append(message.text) if "Content Security" in message.text else None)
        yield page
    finally:
        context.close()
    assert problems == []


@contextlib.contextmanager
def browser_page() -> Iterator[object]:
    """Give a page of a Chromium of its own, where no other is at hand."""
    with chromium() as browser, page_of(browser) as page:
        yield page
