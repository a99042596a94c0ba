"""A real station on a real pseudo-terminal, with a scripted vehicle at the other end that counts every byte it sends.

The vehicle obeys the real rules of the wire (`queue_vehicle`), so that a command is carried out, and a frame
that must not leave is seen. What the terminal took is what was sent; all of it has to be in the recording.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import itertools
import json
import os
import struct
import threading
import time
import tty
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from protocol.bound import BoundFrame, open_bound_frame
from protocol.dictionary_file import load_dictionary
from protocol.framing import FrameSplitter
from server.recording.records import Kind
from server.recording.session_file import Session, open_session
from server.uplink.key_file import load_or_make_key
from tests.browser.station import Process, eventually
from tests.server.uplink.queue_vehicle import Vehicle

TICK_S = 0.05
PATIENCE_S = 30.0
HAZARDOUS = "hazardous"


class Watcher:
    """A viewer of the live session that remembers what it was shown."""

    def __init__(self, address: str) -> None:
        self._stack = contextlib.ExitStack()
        self._socket = self._stack.enter_context(
            connect(f"ws{address[4:]}ws/view", origin=address.rstrip("/"), max_size=None, ping_interval=None)
        )
        self.hello = json.loads(self._socket.recv(timeout=PATIENCE_S))
        self.journal: list[dict] = []
        self.rows: dict[str, list] = {}
        self.counts: dict[str, int] = {}
        self.beat: dict = {}
        self.messages = 0
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        with contextlib.suppress(ConnectionClosed, OSError):  # it ends by leaving
            for text in self._socket:
                message = json.loads(text)
                self.messages += 1
                if message["type"] == "beat":
                    self.beat = message
                    continue
                self.journal += message["journal"]
                for name, rows in message["rows"].items():
                    self.rows[name] = rows
                    self.counts[name] = self.counts.get(name, 0) + len(rows)

    def texts(self, since: int = 0) -> list[str]:
        """Return the sentences shown since so many journal entries ago."""
        return [entry["text"] for entry in self.journal[since:] if entry["text"]]

    def wait_for(self, words: str, since: int = 0) -> str:
        """Wait for a sentence that holds these words and return it."""
        eventually(lambda: any(words in text for text in self.texts(since)), PATIENCE_S)
        return next(text for text in self.texts(since) if words in text)

    def link(self) -> dict:
        """Return the downlink's totals of a heartbeat made after this call."""
        before = self.beat
        for _ in range(2):  # the one under way may have been made before what the caller did
            before = self.beat
            eventually(lambda: self.beat is not before, PATIENCE_S)  # noqa: B023 - waited for within the loop
        return self.beat["link"]

    def close(self) -> None:
        """Leave."""
        self._stack.close()
        self._thread.join(5.0)


class Operator:
    """A person at the desk socket."""

    def __init__(self, address: str, token: str, name: str = "Ada") -> None:
        self._stack = contextlib.ExitStack()
        self._socket = self._stack.enter_context(
            connect(f"ws{address[4:]}ws/desk", origin=address.rstrip("/"), ping_interval=None)
        )
        self._numbers = itertools.count(1)
        self._send({"type": "sign_in", "token": token, "name": name})
        self.name = str(self._next("signed_in")["operator"])

    def _send(self, request: dict) -> None:
        self._socket.send(json.dumps(request))

    def _next(self, kind: str) -> dict:
        while True:
            message = json.loads(self._socket.recv(timeout=PATIENCE_S))
            if message["type"] == kind:
                return message

    def ask(self, kind: str, **more: object) -> dict:
        """Make a request and return its reply."""
        number = next(self._numbers)
        self._send({"type": kind, "n": number, **more})
        while (reply := self._next("reply"))["n"] != number:
            continue
        return reply

    def say(self, text: str | bytes) -> None:
        """Send something as it is."""
        self._socket.send(text)

    def answer(self) -> dict:
        """Return the next reply."""
        return self._next("reply")

    def arm(self, command: str = "board_release") -> dict:
        """First act for a hazardous command, as soon as its interlocks hold."""
        self.ask("take")
        for _ in range(10):  # on a busy machine a value may turn old between the two requests; a person presses again
            eventually(lambda: self.ask("check", command=command, args={})["ready"], PATIENCE_S)
            if (reply := self.ask("arm", command=command, args={}))["ok"]:
                break
        return reply

    def close(self) -> None:
        """Leave."""
        self._stack.close()


class Pad:
    """Station, terminal and vehicle. `sent` holds the bytes the terminal took, one stretch for each time it was there."""

    def __init__(
        self,
        folder: Path,
        *,
        rate_hz: float = 1 / TICK_S,
        sessions: Path | None = None,
        more: tuple[str, ...] = (),
        start: bool = True,
    ) -> None:
        """Put the terminal there and start a station with `more` arguments; without `start` neither it nor telemetry."""
        self.folder, self.home = folder, folder / "home"
        self.dictionary = load_dictionary()
        (self.home / "keys").mkdir(parents=True)
        self.key = load_or_make_key(self.home / "keys", self.home / "counters")
        self.vehicle = Vehicle(self.dictionary, self.key)
        self.radio = folder / "radio"
        self.sessions = sessions or self.home / "sessions"
        self.sent: list[bytearray] = []
        self.sent_log: list[tuple[float, int]] = []
        self.heard = bytearray()
        self.allowed_hazardous = 0
        self.talking, self.listening = True, True
        self._tick_s = 1 / rate_hz
        self._lock = threading.RLock()
        self._master = -1
        self._begun = time.monotonic()
        self.worst_stall_s = 0.0
        self._insert_terminal()
        self.talking = start
        self.station = self.start_station(*more) if start else None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()

    # ------------------------------------------------------------ the station

    def start_station(self, *more: str) -> Process:
        """Start a station on this radio and wait until its page and its port are there."""
        arguments = ["live", "--port", str(self.radio), "--sessions", str(self.sessions), "--no-browser"]
        station = Process(self.home, *arguments, "--http-port", "0", *more)
        self.address = station.line(r"^Page: (http://\S+)")[1]
        self.token = station.line(r"#operator=(\S+)")[1]
        station.line("^Link waiting|^Link up")
        return station

    @property
    def pid(self) -> int:
        """The station's process."""
        return self.station.process.pid

    def watcher(self) -> Watcher:
        """Return a viewer of this station."""
        return Watcher(self.address)

    def operator(self, name: str = "Ada") -> Operator:
        """Return a signed-in operator of this station."""
        return Operator(self.address, self.token, name)

    def alive(self) -> bool:
        """Whether the station runs and answers."""
        with urllib.request.urlopen(f"{self.address}api/about", timeout=PATIENCE_S) as answer:
            return self.station.process.poll() is None and answer.status == 200

    # ------------------------------------------------------------ the terminal

    def _insert_terminal(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        with contextlib.suppress(FileNotFoundError):
            self.radio.unlink()
        self.slave = slave
        self.sent.append(bytearray())
        self._master = master
        self.radio.symlink_to(os.ttyname(slave))

    def unplug(self) -> None:
        """Pull the radio out."""
        with self._lock:
            master, self._master = self._master, -1
            if master < 0:
                return
            os.close(self.slave)
            os.close(master)
            self.radio.unlink()

    def plug(self, before: Callable[[int], None] | None = None) -> None:
        """Put it back under another device name; nothing is sent before the station has opened it."""
        lines = len(self.station.lines)
        with self._lock:
            talking, self.talking = self.talking, False
            self._insert_terminal()
        if before is not None:
            before(self.slave)
        # Opening empties the terminal, so nothing may be in it before. A slow station may tell only now of the one before,
        # "waiting" and "closed" in one breath: the last word counts, and only if it still is the last a moment later.
        eventually(self.is_open, PATIENCE_S)

        def stays_open() -> bool:
            before = self._link_lines(lines)
            time.sleep(0.2)
            return before[-1:] == ["waiting"] and self._link_lines(lines) == before

        eventually(stays_open, PATIENCE_S)
        self.talking = talking

    def is_open(self) -> bool:
        """Whether the station has opened the terminal that is there now."""
        name = os.ttyname(self.slave)  # one that was pulled out reads "... (deleted)", even where its number is taken again
        return any(opened == name for opened in _open_files(self.pid))

    def _link_lines(self, after: int) -> list[str]:
        """What the station said of its link, a word each, from a line on."""
        return [line.split()[1].strip(":;,.") for line in self.station.lines[after:] if line.startswith("Link ")]

    def send(self, data: bytes) -> None:
        """Put bytes into the terminal, all of them and nothing between them, waiting for room where there is none."""
        rest = memoryview(data)
        end = time.monotonic() + PATIENCE_S
        with self._lock:
            while rest:
                taken = self._put(rest)
                rest = rest[taken:]
                if not taken:
                    assert time.monotonic() < end, "the station does not read"
                    time.sleep(0.001)

    def _put(self, data: bytes | memoryview) -> int:
        with self._lock:
            if self._master < 0:
                return len(data)  # into the air
            try:
                taken = os.write(self._master, data)
            except OSError as error:
                if error.errno not in (errno.EAGAIN, errno.EIO):
                    raise
                return 0
            self.sent[-1] += data[:taken]
            self.sent_log.append((time.monotonic(), sum(map(len, self.sent))))
            return taken

    def _live(self) -> None:
        due = time.monotonic()
        while not self._stopping.is_set():
            due = max(due + self._tick_s, time.monotonic() - 1.0)
            self._stopping.wait(max(0.0, due - time.monotonic()))
            self.worst_stall_s = max(self.worst_stall_s, time.monotonic() - due)
            with self._lock:  # asked inside: what waits for a new terminal must not be its first word before it is opened
                if self.talking:
                    self._put(b"".join(self.telemetry()))
            if self.listening:
                self._hear()

    def telemetry(self) -> list[bytes]:
        """Return a round of frames, taking the vehicle's next sequence counts."""
        self.vehicle.now_s = time.monotonic() - self._begun
        return self.vehicle.telemetry()

    def frame(self, packet: str, **values: object) -> bytes:
        """Return one frame with the vehicle's next sequence count."""
        with self._lock:
            self.vehicle.now_s = time.monotonic() - self._begun
            return self.vehicle._frame(packet, **values)

    def _hear(self) -> None:
        with self._lock, contextlib.suppress(BlockingIOError, OSError):
            if self._master >= 0:
                data = os.read(self._master, 65536)
                self.heard += data
                answers = self.vehicle.receive(data)
                if answers and self.talking:
                    self._put(b"".join(answers))

    # ------------------------------------------------------------ what must hold

    def hazardous_frames(self) -> int:
        """Count the hazardous commands among all that left the station."""
        count = 0
        for encoded, _ in FrameSplitter().feed(bytes(self.heard)):
            frame = open_bound_frame(self.key, self.dictionary.uplink.vehicle_id, encoded)
            if isinstance(frame, BoundFrame):
                command = self.dictionary.command_by_code.get(frame.code)
                count += command is not None and command.hazard == HAZARDOUS
        return count

    def session(self) -> Session:
        """Open the newest session file, as it is at this moment."""
        newest = max(self.sessions.glob("*.pcapng"), key=lambda file: file.stat().st_mtime_ns)
        return open_session(newest)

    def recorded(self) -> bytes:
        """Return all received bytes of the recording."""
        return b"".join(record.payload for record in self.session().records.of_kind(Kind.RECEIVED))

    def lost(self) -> int:
        """Wait until all that was sent is in the file; return how many bytes are not, in their order.

        What lay unread in a terminal when it was pulled out is lost on the wire and not counted.
        """
        with self._lock:
            stretches = [bytes(stretch) for stretch in self.sent]
        end = time.monotonic() + PATIENCE_S
        while True:
            recorded = self.recorded()
            missing = _missing(stretches, recorded)
            if not missing or time.monotonic() > end:
                return missing
            time.sleep(0.2)

    def close(self) -> None:
        """End everything."""
        self._stopping.set()
        self._thread.join(5.0)
        with contextlib.ExitStack() as ending:
            ending.callback(self.unplug)
            if self.station is not None:
                ending.callback(self.station.stop)


def _missing(stretches: list[bytes], recorded: bytes) -> int:
    """Count the bytes of the stretches that the recording lacks; only a stretch before the last may lack its end."""
    place = missing = 0
    for number, stretch in enumerate(stretches):
        is_last = number == len(stretches) - 1
        if is_last:
            missing += max(0, len(stretch) - _agreement(stretch, recorded[place:]))
            break
        following = next((other for other in stretches[number + 1 :] if other), b"")
        stop = recorded.find(following[:48], place) if following else len(recorded)
        stop = len(recorded) if stop < 0 else stop
        part = recorded[place:stop]
        missing += 0 if stretch.startswith(part) else len(stretch)
        place = stop
    return missing


def _agreement(one: bytes, other: bytes) -> int:
    if other.startswith(one):
        return len(one)
    low, high = 0, min(len(one), len(other))
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if one[:middle] == other[:middle] else (low, middle - 1)
    return low


def _open_files(pid: int) -> Iterator[str]:
    """Name the files that a process has open."""
    for descriptor in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):  # closed meanwhile
            yield os.readlink(descriptor)


def hold_port(slave: int) -> None:
    """Take the terminal's lock, as another program that opened it for itself alone would."""
    fcntl.flock(slave, fcntl.LOCK_EX | fcntl.LOCK_NB)


def live_journal(address: str) -> list[dict]:
    """Return the live session's journal as the page gets it."""
    body = urllib.request.urlopen(f"{address}api/sessions/live/columns", timeout=PATIENCE_S).read()
    (size,) = struct.unpack_from("<I", body, 4)
    return json.loads(body[8 : 8 + size])["journal"]
