"""The serial bridge: one thread owns the port, and nothing is shared with it but two callbacks and one outgoing slot.

The thread opens the port, reads what is there, stamps it and hands it to `on_chunk`; between reads it writes the one
frame that may be waiting. Any failure closes the port and is told to `on_port`; then it opens again, soon at first and
every second later. Whatever is raised by those who are told ends that round only and is told to `on_fault`. It decides
nothing about packets: whether the link is alive is for the data watchdog, because a dead network port
can read empty and accept writes for ever without any exception.

Measured (tests/SOURCES.md, reader-thread): a reader in the event loop lost bytes whenever
the loop was busy, an owning thread lost none.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from queue import Empty, Full, Queue

from serial.urlhandler.protocol_socket import Serial as SocketPort

from server.bridge.ports import READ_TIMEOUT_S, OpenPort, PortFault, explain, open_port
from server.timestamps import NS_PER_S

FIRST_RETRY_S = 0.05
LAST_RETRY_S = 1.0
# Our choice: one chunk is computed in one turn of the event loop, so after a pause it must not hold a whole backlog.
READ_AT_MOST = 1024


@dataclass(frozen=True, slots=True)
class PortState:
    """What the port is doing: "open", or a PortFault's state; with a sentence."""

    state: str
    sentence: str


def read_chunk(port: OpenPort) -> bytes:
    """Return what has arrived, waiting for the first byte at most the port's time-out.

    A device knows how much is waiting. A socket:// port does not, and a read of n bytes waits for all n; there a read
    with no time-out at all returns what one receive gives.
    """
    if not isinstance(port, SocketPort):
        chunk = port.read(1)
        waiting = port.in_waiting if chunk else 0
        return chunk + port.read(min(waiting, READ_AT_MOST)) if waiting else chunk
    chunk = port.read(1)
    if chunk:
        port.timeout = 0
        chunk += port.read(READ_AT_MOST)
        port.timeout = READ_TIMEOUT_S
    return chunk


class SerialBridge:
    """Owns one port. `on_chunk(mono_ns, bytes)`, `on_port(PortState)` and `on_fault(error)` are called from its thread."""

    def __init__(
        self,
        url: str,
        baud: int,
        *,
        monotonic_ns: Callable[[], int],
        on_chunk: Callable[[int, bytes], None],
        on_port: Callable[[PortState], None],
        on_fault: Callable[[Exception], None] = lambda error: None,
    ) -> None:
        self.url = url
        self._baud = baud
        self._monotonic_ns = monotonic_ns
        self._on_chunk = on_chunk
        self._on_port = on_port
        self._on_fault = on_fault
        self._outgoing: Queue[tuple[bytes, Callable[[str | None], None]]] = Queue(maxsize=1)
        self._stopping = threading.Event()
        self._told: PortState | None = None
        self._port: OpenPort | None = None
        self._thread = threading.Thread(target=self._run, name="serial-bridge", daemon=True)

    def start(self) -> None:
        """Start the thread; it keeps trying until `stop`."""
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end and wait for it (at most two seconds)."""
        self._stopping.set()
        self._wake_reader()
        self._thread.join(2.0)

    def send(self, frame: bytes, on_done: Callable[[str | None], None], urgent: bool = False) -> None:
        """Hand over one frame; `on_done(problem)` is called from the bridge's thread, problem None when written.

        Only one frame can wait: a second one is refused at once, so that nothing old can leave in a burst later. An
        `urgent` one (safe all) takes the place of the one that waits. While the port is not open every frame is refused
        at once.
        """
        if self._port is None:
            on_done("the port is not open")
            return
        if urgent:
            self._refuse_waiting("safe all took its place")
        try:
            self._outgoing.put_nowait((frame, on_done))
        except Full:
            on_done("the port is still busy with the frame before")
            return
        self._wake_reader()

    def _wake_reader(self) -> None:
        """End a blocking read early where the port can; elsewhere its time-out ends it."""
        cancel = getattr(self._port, "cancel_read", None)
        if cancel is not None:
            try:
                cancel()
            except Exception:  # noqa: BLE001 - a port that vanished meanwhile; the reader finds out itself
                return

    def _run(self) -> None:
        wait_s = FIRST_RETRY_S
        while not self._stopping.is_set():
            held_s = 0.0
            try:
                held_s = self._open_and_serve()
            except Exception as error:  # noqa: BLE001 - whoever was told of something raised; the port goes on without them
                self._told = None  # it may have missed what it was told last
                with suppress(Exception):
                    self._on_fault(error)
            if held_s > LAST_RETRY_S:
                wait_s = FIRST_RETRY_S  # it held; a port that opens and fails at once is not tried twenty times a second
            if not self._stopping.is_set():
                self._stopping.wait(wait_s)
                wait_s = min(wait_s * 2, LAST_RETRY_S)
        self._tell(PortState("closed", f"{self.url} is closed"))

    def _open_and_serve(self) -> float:
        """Open the port, serve it until it fails, close it; return for how many seconds it was open."""
        opened_ns = None
        try:
            self._port = open_port(self.url, self._baud)
            opened_ns = self._monotonic_ns()
            self._refuse_waiting("the port was lost")  # handed over in the moment the port was lost
            self._tell(PortState("open", f"{self.url} is open"))
            self._serve(self._port)
        except Exception as error:  # noqa: BLE001 - pyserial raises OSError, TypeError, termios.error and more
            problem: PortFault = explain(self.url, error)
            self._tell(PortState(problem.state, problem.sentence))
        finally:
            self._close()
        return 0.0 if opened_ns is None else (self._monotonic_ns() - opened_ns) / NS_PER_S

    def _serve(self, port: OpenPort) -> None:
        while not self._stopping.is_set():
            self._write_waiting(port)
            chunk = read_chunk(port)
            if chunk:
                self._on_chunk(self._monotonic_ns(), chunk)

    def _write_waiting(self, port: OpenPort) -> None:
        try:
            frame, on_done = self._outgoing.get_nowait()
        except Empty:
            return
        try:
            port.write(frame)
        except Exception as error:
            on_done(f"writing to the port failed ({error}); it may have left all the same")
            raise
        on_done(None)

    def _close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with suppress(Exception):  # it is gone either way
                port.close()
        self._refuse_waiting("the port was lost")

    def _refuse_waiting(self, why: str) -> None:
        """Take back the frame that waits, if one does: it must not leave later."""
        try:
            _, on_done = self._outgoing.get_nowait()
        except Empty:
            return
        on_done(why)

    def _tell(self, state: PortState) -> None:
        if state != self._told:
            self._told = state
            self._on_port(state)
