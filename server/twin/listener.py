"""A twin behind a real port, in real time or faster: `socket://host:port` or a pseudo-terminal.

One thread advances the twin, writes what its radio delivers and hands it what the ground sent. Like a radio it waits
for nobody: while no station is connected, or while the station does not read, the downlink is lost and counted.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

from protocol.errors import Problem

STEP_S = 0.02  # what a radio's serial adapter takes to hand on; a shorter one wakes a station for every few bytes
READ_AT_MOST = 4096


class ListenProblem(Problem):
    """The place to listen at cannot be used; the text is one plain sentence."""


class Transmitting(Protocol):
    """A vehicle as its radio shows it: time in, bytes out."""

    def advance(self, vehicle_s: float) -> bytes:
        """Run to a time in seconds since it was made; return what was received from it until then."""

    def uplink(self, data: bytes) -> None:
        """Take bytes the ground transmitted."""


class StationSide(Protocol):
    """The station's side of the radio: non-blocking, may be away."""

    url: str

    def exchange(self, downlink: bytes) -> tuple[int, bytes]:
        """Send what fits, return (bytes lost, bytes heard)."""

    def close(self) -> None:
        """Release the port."""


class SocketSide:
    """Listens on a TCP port; one station at a time, a newer one takes the place of the one before."""

    def __init__(self, host: str, port: int) -> None:
        self._listener = socket.create_server((host, port))
        self._listener.setblocking(False)
        self._peer: socket.socket | None = None
        self._unsent = b""
        self.url = f"socket://{host}:{self._listener.getsockname()[1]}"

    def exchange(self, downlink: bytes) -> tuple[int, bytes]:
        """Send what fits, return (bytes lost, bytes heard)."""
        with contextlib.suppress(BlockingIOError):
            peer, _ = self._listener.accept()
            self._drop_peer()
            peer.setblocking(False)
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._peer = peer
        if self._peer is None:
            return len(downlink), b""
        try:
            return self._send(self._peer, downlink), self._receive(self._peer)
        except OSError:
            self._drop_peer()
            return len(downlink), b""

    def _send(self, peer: socket.socket, downlink: bytes) -> int:
        """Keep at most one burst waiting; a station that does not read loses the rest, as on the air."""
        data = self._unsent or downlink
        lost = len(downlink) if self._unsent else 0
        try:
            sent = peer.send(data) if data else 0
        except BlockingIOError:
            sent = 0
        self._unsent = data[sent:]
        return lost

    def _receive(self, peer: socket.socket) -> bytes:
        try:
            heard = peer.recv(READ_AT_MOST)
        except BlockingIOError:
            return b""
        if not heard:
            self._drop_peer()
        return heard

    def _drop_peer(self) -> None:
        peer, self._peer, self._unsent = self._peer, None, b""
        if peer is not None:
            peer.close()

    def close(self) -> None:
        """Release the port."""
        self._drop_peer()
        self._listener.close()


class TerminalSide:
    """A pseudo-terminal, with an optional symbolic link to its device (POSIX only)."""

    def __init__(self, link: Path | None) -> None:
        import pty  # absent on Windows
        import tty

        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._link = link
        device = os.ttyname(self._slave)
        if link is not None:
            with contextlib.suppress(FileNotFoundError):
                link.unlink()
            link.symlink_to(device)
        self.url = str(link or device)

    def exchange(self, downlink: bytes) -> tuple[int, bytes]:
        """Send what fits, return (bytes lost, bytes heard)."""
        sent = 0
        if downlink:
            with contextlib.suppress(BlockingIOError):
                sent = os.write(self._master, downlink)
        return len(downlink) - sent, self._heard()

    def _heard(self) -> bytes:
        if not select.select([self._master], [], [], 0)[0]:
            return b""
        try:
            return os.read(self._master, READ_AT_MOST)
        except OSError as error:
            if error.errno in (errno.EIO, errno.EAGAIN):
                return b""
            raise

    def close(self) -> None:
        """Release the port: to a station this is a radio unplugged."""
        os.close(self._master)
        os.close(self._slave)
        if self._link is not None:
            with contextlib.suppress(FileNotFoundError):
                self._link.unlink()


def open_side(listen: str, link: Path | None = None) -> StationSide:
    """Open the place to listen at; raises ListenProblem."""
    if listen == "pty":
        if os.name != "posix":
            raise ListenProblem("A pseudo-terminal exists only on Linux and macOS; use socket://127.0.0.1:PORT.")
        try:
            return TerminalSide(link)
        except OSError as error:
            raise ListenProblem(f"No pseudo-terminal can be made: {error.strerror}.") from error
    place = urlsplit(listen)
    try:
        port = place.port
    except ValueError:
        port = None
    if place.scheme != "socket" or not place.hostname or port is None:
        raise ListenProblem(f"{listen} is not a place to listen at; use socket://127.0.0.1:PORT or pty.")
    try:
        return SocketSide(place.hostname, port)
    except OSError as error:
        raise ListenProblem(f"Cannot listen at {listen}: {error.strerror}.") from error


class TwinListener:
    """Runs a twin at `rate` times real time behind a port, in one thread. Raises ListenProblem when made.

    Whoever starts it must look at `failure` now and then.
    """

    def __init__(
        self,
        twin: Transmitting,
        listen: str,
        *,
        rate: float = 1.0,
        link: Path | None = None,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._twin = twin
        self._rate = rate
        self._now = now
        self._side = open_side(listen, link)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="twin", daemon=True)
        self.bytes_lost = 0
        self.failure: Exception | None = None  # what ended the thread; nothing flies and nobody listens from then on

    @property
    def url(self) -> str:
        """Where a station reaches the twin."""
        return self._side.url

    def start(self) -> None:
        """Switch the vehicle on."""
        self._thread.start()

    def stop(self) -> None:
        """Switch it off and release the port."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(5.0)
        self._side.close()

    def _run(self) -> None:
        try:
            self._fly()
        except Exception as error:  # whoever started it looks, and ends
            self.failure = error

    def _fly(self) -> None:
        begun = self._now()
        while not self._stopping.wait(STEP_S):
            downlink = self._twin.advance((self._now() - begun) * self._rate)
            lost, heard = self._side.exchange(downlink)
            self.bytes_lost += lost
            if heard:
                self._twin.uplink(heard)
