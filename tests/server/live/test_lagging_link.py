"""A downlink that lags and one that stutters, between real processes: a twin, a station, and a relay on pseudo-terminals."""

from __future__ import annotations

import os
import random
import threading
import time
import tty
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from protocol.dictionary_file import load_dictionary
from server.analysis.pipeline import recorded_output
from server.recording.session_file import open_session
from tests.browser.station import Process, eventually
from tests.faults.pad import Operator, Watcher

LAG_S = 30.0
WITHIN_S = 90.0  # processes start slowly on a busy machine
ROUND_S = 0.005


class Relay:
    """Bytes up at once, frames down `lag_s` later; while `held` is a list they wait in it, while `deaf` nothing goes up."""

    def __init__(self, vehicle: str, lag_s: float) -> None:
        self.lag_s = lag_s
        self.held: list[bytes] | None = None
        self.deaf = False
        self.is_read = False  # before a station reads, what is sent is lost, as on the air
        self._vehicle = os.open(vehicle, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._vehicle)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.url = os.ttyname(self._slave)
        self._waiting: deque[tuple[float, bytes]] = deque()
        self._rest = b""
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def release_shuffled(self) -> None:
        """Let out what was held back, in any order, behind a frame that is newer than all of it."""
        with self._lock:
            held, self.held = self.held or [], None
            newest, older = held[-1:], held[:-1]
            random.Random(1).shuffle(older)
            self._waiting += [(0.0, frame) for frame in newest + older]

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join(5.0)
        for place in (self._vehicle, self._master, self._slave):
            os.close(place)

    def _run(self) -> None:
        while not self._stopping.wait(ROUND_S):
            now_s = time.monotonic()
            heard = self._rest + self._read(self._vehicle)
            *frames, self._rest = heard.split(b"\0")
            with self._lock:
                for frame in frames:
                    if self.held is not None:
                        self.held.append(frame + b"\0")
                    elif self.is_read:
                        self._waiting.append((now_s + self.lag_s, frame + b"\0"))
                self._send(now_s)
            up = self._read(self._master)
            if up and not self.deaf:
                os.write(self._vehicle, up)

    def _send(self, now_s: float) -> None:
        while self._waiting and self._waiting[0][0] <= now_s:
            due_s, frame = self._waiting[0]
            try:
                sent = os.write(self._master, frame)
            except BlockingIOError:  # the station reads on soon
                return
            if sent < len(frame):
                self._waiting[0] = due_s, frame[sent:]
                return
            self._waiting.popleft()

    @staticmethod
    def _read(place: int) -> bytes:
        try:
            return os.read(place, 65536)
        except OSError:  # nothing there yet
            return b""


class Field:
    """Twin, relay and station, with one operator and one viewer."""

    def __init__(self, home: Path, lag_s: float) -> None:
        self.twin = Process(home, "twin", "--listen", "pty", "--link", str(home / "radio"), "--ignite-after", "5000")
        self.twin.line(r"radio")
        self.relay = Relay(str(home / "radio"), lag_s)
        self.station = Process(home, "live", "--port", self.relay.url, "--no-browser", "--http-port", "0")
        address, token = self.station.line(r"(http://127\.0\.0\.1:\d+/)#operator=(\S+)", 120).groups()
        self.relay.is_read = True
        self.watcher, self.ada = Watcher(address), Operator(address, token)

    def link(self) -> dict:
        return self.watcher.beat.get("link", {})

    def arm(self) -> dict:
        self.ada.ask("take")  # a page that was silent for some seconds holds it no longer
        return self.ada.ask("arm", command="board_release", args={})

    def check(self) -> dict:
        return self.ada.ask("check", command="board_release", args={})

    def unmet(self) -> dict[str, str]:
        return {one["name"]: one["value_text"] for one in self.check()["interlocks"] if not one["met"]}

    def end(self) -> Path:
        """Close everything; return the recording."""
        self.ada.close()
        self.watcher.close()
        path = Path(self.station.stop()[-1])
        self.relay.stop()
        self.twin.stop()
        return path


@contextmanager
def field(home: Path, lag_s: float = 0.0) -> Iterator[Field]:
    made = Field(home, lag_s)
    try:
        yield made
    except BaseException:
        for process in (made.station, made.twin):
            process.process.kill()
            process.stop()
        made.relay.stop()
        raise


def same_in_a_replay(path: Path, watcher: Watcher) -> None:
    """The recording tells of lag and restarts what the page was told."""
    session = open_session(path)
    again = recorded_output(load_dictionary(), session.records, session.header.origin_monotonic_ns).entries
    wanted = [(e.topic, e.text) for e in again if e.topic == "restart" or e.key == "downlink lag"]
    shown = [*watcher.hello.get("journal", []), *watcher.journal]
    seen = [(e["topic"], e["text"]) for e in shown if e["topic"] == "restart" or e["key"] == "downlink lag"]
    assert seen == wanted[-len(seen) :] if seen else not any(text for _, text in wanted)


def test_a_lag_that_begins_in_mid_session_is_shown_and_refuses(tmp_path: Path) -> None:
    with field(tmp_path) as pad:
        eventually(lambda: pad.check()["ready"], WITHIN_S)
        assert pad.arm()["ok"]
        pad.relay.lag_s = LAG_S
        time.sleep(LAG_S + 5.0)
        refused = pad.arm()
        assert not refused["ok"] and "heard 0." in refused["sentence"], refused
        assert "s old" in refused["sentence"]
        assert pad.link()["lag_s"] > LAG_S - 1.0
        pad.watcher.wait_for("the downlink lags by 30 s")
        assert pad.unmet()["link_lag"].startswith(("29", "30"))
        assert pad.ada.ask("safe_all")["ok"], "safe all is gated by nothing"
        path = pad.end()
        same_in_a_replay(path, pad.watcher)


def test_a_lag_from_the_first_byte_is_refused_for_want_of_a_ping(tmp_path: Path) -> None:
    with field(tmp_path, LAG_S) as pad:
        eventually(lambda: pad.link().get("state") == "up", LAG_S + WITHIN_S)
        time.sleep(2.0)
        refused = pad.arm()
        assert not refused["ok"] and "it has not answered a ping yet" in refused["sentence"], refused
        assert set(pad.unmet()) == {"round_trip"}
        eventually(lambda: "there and back" in pad.unmet().get("round_trip", ""), LAG_S + WITHIN_S)
        assert not pad.arm()["ok"]
        eventually(lambda: (pad.link()["round_trip_s"] or 0.0) > LAG_S - 1.0, WITHIN_S)
        assert pad.ada.ask("safe_all")["ok"]
        pad.end()


def test_frames_held_for_two_seconds_are_no_restart_and_safe_all_stays(tmp_path: Path) -> None:
    with field(tmp_path) as pad:
        eventually(lambda: pad.check()["ready"], WITHIN_S)
        time.sleep(3.0)  # so that what is held back lies well within one start
        pad.relay.held, pad.relay.deaf = [], True
        safing = pad.ada.ask("safe_all")
        time.sleep(2.5)
        pad.relay.release_shuffled()
        time.sleep(1.5)
        of_it = [e for e in pad.watcher.journal if e["topic"] == "command" and e["key"] == safing["id"]]
        assert of_it[-1]["body"]["state"] == "sent", of_it[-1]["text"]
        assert not [text for text in pad.watcher.texts() if "the vehicle restarted" in text]
        pad.relay.deaf = False
        eventually(lambda: states(pad, safing["id"])[-1] == "verified", WITHIN_S)
        assert "abandoned" not in states(pad, safing["id"])
        same_in_a_replay(pad.end(), pad.watcher)


def states(pad: Field, id: str) -> list[str]:
    return [e["body"]["state"] for e in pad.watcher.journal if e["topic"] == "command" and e["key"] == id]
