"""A station whose terminal has gone (`| head -1`, a window closed) or stands still (a pipe that nobody reads) goes on:
silence, resends, expiry, Safe all. A real process.
"""

from __future__ import annotations

import asyncio
import json
import os
import re
import resource
import select
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest
from websockets.asyncio.client import ClientConnection, connect

from server.review.review import open_review
from server.uplink.key_file import load_or_make_key
from tests.server.uplink.queue_vehicle import Vehicle
from tests.server.uplink.queue_world import dictionary

ROOT = Path(__file__).resolve().parents[3]
RESENT_AT_LEAST = 4  # times safe all leaves while `WATCHED_S` pass; one every 0.8 s by the dictionary
WATCHED_S = 5.0


class Radio:
    """A radio behind a socket: sends telemetry until it is told to be silent, and keeps what it is sent."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._vehicle = vehicle
        self._begun = time.monotonic()
        self.silent = threading.Event()
        self._stopping = threading.Event()
        self.sent = b""
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @property
    def frames(self) -> int:
        """How many frames have been sent to it."""
        return sum(bool(frame) for frame in self.sent.split(b"\0"))

    def _run(self) -> None:
        peer, _ = self._listener.accept()
        with peer:
            while not self._stopping.wait(0.05):
                if not self.silent.is_set():
                    self._vehicle.now_s = time.monotonic() - self._begun
                    peer.sendall(b"".join(self._vehicle.telemetry()))
                if select.select([peer], [], [], 0)[0]:
                    self.sent += peer.recv(65536)

    def stop(self) -> None:
        """End it."""
        self._stopping.set()
        self._thread.join(5.0)
        self._listener.close()


def read_lines(descriptor: int, wanted: str) -> str:
    """Read what the station prints until this is in it."""
    text, end = "", time.monotonic() + 30.0
    while not re.search(wanted, text):
        assert time.monotonic() < end, text
        if select.select([descriptor], [], [], 0.1)[0]:
            text += os.read(descriptor, 65536).decode(errors="replace")
    return text


async def act(desk: ClientConnection, **request: object) -> dict:
    """Carry out one act and return the station's reply."""
    await desk.send(json.dumps(request))
    while (answer := json.loads(await desk.recv()))["type"] != "reply":
        continue
    return answer


def fill(descriptor: int) -> None:
    """Write into a pipe until it takes no more; whoever else writes into it then waits for ever."""
    ours = os.open(f"/proc/self/fd/{descriptor}", os.O_WRONLY | os.O_NONBLOCK)
    try:
        with suppress(BlockingIOError):
            while True:
                os.write(ours, b".\n")
    finally:
        os.close(ours)


def test_a_terminal_that_stands_still_holds_up_neither_safe_all_nor_the_end(tmp_path: Path) -> None:
    """The disk takes no more, so that warnings are due as well as lines; nothing of either can be written."""
    radio = Radio(Vehicle(dictionary(), load_or_make_key(tmp_path / "keys")))
    ours, theirs = os.pipe()
    command = [sys.executable, "-m", "server", "live", "--port", radio.url, "--no-browser", "--http-port", "0"]
    command += ["--keys", str(tmp_path / "keys"), "--sessions", str(tmp_path / "sessions")]
    environment = {**os.environ, "BLOCKHOUSE_HOME": str(tmp_path)}
    process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=theirs, stderr=theirs, start_new_session=True)
    try:
        text = read_lines(ours, r"(?s)#operator=\S+\s.*Link up|Link up.*#operator=\S+\s")
        fill(theirs)
        resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
        port, token = re.search(r"http://127\.0\.0\.1:(\d+)/#operator=(\S+)", text).groups()
        replies, frames = asyncio.run(silent_and_safe_all(radio, port, token))
        process.terminate()
        assert process.wait(10.0) == 0
    finally:
        process.kill()
        process.wait()
        radio.stop()
        os.close(ours)
        os.close(theirs)
    assert replies["ping"]["ok"] is False and replies["safe_all"]["ok"] and frames >= RESENT_AT_LEAST


@pytest.mark.parametrize("terminal", ["pipe", "pseudo-terminal"])
def test_a_terminal_that_is_gone_costs_nothing_but_its_lines(tmp_path: Path, terminal: str) -> None:
    radio = Radio(Vehicle(dictionary(), load_or_make_key(tmp_path / "keys")))
    ours, theirs = os.pipe() if terminal == "pipe" else os.openpty()
    command = [sys.executable, "-m", "server", "live", "--port", radio.url, "--no-browser", "--http-port", "0"]
    command += ["--keys", str(tmp_path / "keys"), "--sessions", str(tmp_path / "sessions")]
    environment = {**os.environ, "BLOCKHOUSE_HOME": str(tmp_path)}
    process = subprocess.Popen(
        command, cwd=ROOT, env=environment, stdout=theirs, stderr=subprocess.DEVNULL, start_new_session=True
    )
    os.close(theirs)
    try:
        text = read_lines(ours, r"(?s)#operator=\S+\s.*Link up|Link up.*#operator=\S+\s")
        os.close(ours)
        port, token = re.search(r"http://127\.0\.0\.1:(\d+)/#operator=(\S+)", text).groups()
        replies, frames = asyncio.run(silent_and_safe_all(radio, port, token))
        process.terminate()
        assert process.wait(10.0) == 0
    finally:
        process.kill()
        process.wait()
        radio.stop()
    assert replies["ping"]["ok"] is False, "a link that is lost takes no command"
    assert replies["safe_all"]["ok"] and frames >= RESENT_AT_LEAST
    (path,) = (tmp_path / "sessions").glob("*.pcapng")
    review = open_review(path)
    alarms = [entry.text for entry in review.output.entries if entry.topic == "alarm" and entry.key == "link lost"]
    assert review.session.closed and any(text.startswith("link lost") for text in alarms)


async def silent_and_safe_all(radio: Radio, port: str, token: str) -> tuple[dict[str, dict], int]:
    """The vehicle falls silent; then one ping and one Safe all. Return the replies, and the frames that left."""
    async with connect(f"ws://127.0.0.1:{port}/ws/desk", origin=f"http://127.0.0.1:{port}") as desk:
        await desk.send(json.dumps({"type": "sign_in", "token": token, "name": "operator"}))
        radio.silent.set()
        await asyncio.sleep(3.0)
        replies = {"ping": await asyncio.wait_for(act(desk, type="send", n=1, command="ping", args={}), 10.0)}
        radio.sent = b""
        replies["safe_all"] = await asyncio.wait_for(act(desk, type="safe_all", n=2), 10.0)
        await asyncio.sleep(WATCHED_S)
        return replies, radio.frames
