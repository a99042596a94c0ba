"""Faults of the process and of time: frozen, asleep, clocks set, started twice, blocked, told to end; replay, dictionary."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest
from websockets.exceptions import WebSocketException
from websockets.sync.client import connect

from server.recording.session_file import open_session
from server.timestamps import NS_PER_S
from tests.browser.station import ROOT, PingFilter, Process, eventually
from tests.faults.case import Seen, case
from tests.faults.pad import Pad
from tests.server.live.test_station_commands import Bench, run
from tests.server.recording.sessions import bytes_of


def frozen_for(number: int) -> float:
    """Return how long to freeze: once for 3 s, else 11 s, longer than anything stays ready."""
    return 3.0 if number == 0 else 11.0


@case(
    "3", "process frozen", "SIGSTOP for 3 s (long: 11 s) between arm and confirm, then SIGCONT",
    "what was ready is dropped, nothing old is sent, what the port held is recorded", long=4,
)  # fmt: skip
def frozen(folder: Path, number: int) -> Seen:
    pad = Pad(folder)
    try:
        ada = pad.operator()
        armed = ada.arm()
        assert armed["ok"], armed["sentence"]
        os.kill(pad.pid, signal.SIGSTOP)
        time.sleep(frozen_for(number))
        heard = len(pad.heard)
        os.kill(pad.pid, signal.SIGCONT)
        watcher = pad.watcher()
        eventually(lambda: watcher.beat.get("link", {}).get("state") == "up", 20)
        reply = ada.ask("confirm", id=armed["id"], command="board_release", args={})
        if number == 0 and reply["ok"]:  # 3 s are shorter than the window of ten, and the link was heard throughout
            eventually(lambda: pad.hazardous_frames() >= 1, 20)
            *complete, _ = bytes(pad.heard[heard:]).split(b"\0")  # the last may be on its way still
            assert len(set(complete) - {b""}) == 1, f"more than the one command and its repeats left: {complete}"
        else:
            assert not reply["ok"] and pad.hazardous_frames() == 0, reply["sentence"]
            left = bytes(pad.heard[heard:])  # the station asks for a round trip by itself
            assert PingFilter().others(left) == 0, f"after it was dropped there left {left!r}"
        ada.close()
        watcher.close()
        return Seen(f"confirm after it: {'taken' if reply['ok'] else reply['sentence']}", pad.lost())
    finally:
        pad.close()


def _on_bench(folder: Path, what: object) -> None:
    with pytest.MonkeyPatch.context() as patch:
        run(folder, patch, what)


@case(
    "4", "machine suspended", "the Clock seam sleeps an hour (no suspend in this process)", "disarmed at the next act, noted"
)
def suspended(folder: Path, number: int) -> Seen:
    async def what(bench: Bench) -> None:
        armed = bench.arm()
        assert armed.ok
        bench.clock.suspend(3600.0)
        bench.clock.advance(0.5)
        bench.hear()
        assert not bench.confirm(armed.id).ok
        await bench.settle()
        assert bench.sent == []
        bench.station.process()
        texts = [entry["text"] for entry in bench.station.store.journal]
        assert "the computer slept for 3600 s" in texts

    _on_bench(folder, what)
    return Seen("'the computer slept for 3600 s', confirm refused")


@case(
    "5", "wall clock set", "the Clock seam steps +1 h and -1 h (the machine's clock is not ours to set)", "noted, order kept"
)
def wall_clock(folder: Path, number: int) -> Seen:
    async def what(bench: Bench) -> None:
        armed = bench.arm()
        for step_s in (3600.0, -3600.0):
            bench.clock.step_wall(step_s)
            bench.clock.advance(0.4)
            bench.hear()
            bench.station._look_at_clocks()
        assert bench.confirm(armed.id).ok, "a wall clock's step ended what was ready"
        await bench.settle()
        bench.station.process()
        texts = [entry["text"] for entry in bench.station.store.journal]
        assert [text for text in texts if "wall clock" in text] == [
            "the wall clock was set by +3600.0 s",
            "the wall clock was set by -3600.0 s",
        ]
        session = open_session(bench.station.recorder.close())
        times = session.records.mono_ns.tolist()
        assert times == sorted(times) and times[-1] - times[0] < 10 * NS_PER_S

    _on_bench(folder, what)
    return Seen("both steps noted, order and durations unchanged")


@case(
    "11",
    "two copies started",
    "same radio, sessions and keys; then the same page port",
    "second refuses or waits, told why",
    short=0,
)
def two_copies(folder: Path, number: int) -> Seen:
    pad = Pad(folder)
    try:
        port = pad.address.rstrip("/").rpartition(":")[2]
        arguments = ["live", "--port", str(pad.radio), "--sessions", str(pad.sessions), "--no-browser", "--http-port"]
        second = Process(pad.home, *arguments, port)
        assert second.process.wait(30) == 1
        second.process.stdout.close()
        eventually(lambda: any("is Blockhouse already running?" in line for line in second.lines), 5)
        third = Process(pad.home, *arguments, "0")
        third.line("Link busy: .* is in use by another program")
        third.stop()
        assert len(list(pad.sessions.glob("*.pcapng"))) == 2  # each writes a file of its own
        return Seen("page port: refused in a sentence; radio: busy; a file each", pad.lost())
    finally:
        pad.close()


BLOCKED = """
import asyncio, sys, time
from pathlib import Path
from protocol.dictionary_file import load_dictionary
from server.app import run_live
from server.design.sheet_files import Sheets
from server.live.start import Live
from server.settings import Settings
home, radio, block_s, dictionary = Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]), load_dictionary()
begun = time.monotonic()
blocked = False
def until():
    global blocked
    if not blocked and time.monotonic() - begun > 0.5:
        blocked = True
        time.sleep(block_s)
    return time.monotonic() - begun > block_s + 1.5
live = Live(dictionary, Sheets(), radio, 57600, "live", radio)
settings = Settings(home / "sessions", home / "keys", "127.0.0.1", 0)
def say(text):
    print(text, flush=True)
print(asyncio.run(run_live(live, settings, open_browser=False, say=say, until=until)), flush=True)
"""


@case(
    "26", "event loop blocked", "time.sleep(3) (short: 1) in the loop of a real station at 20 kB/s", "no byte lost", long=5
)
def loop_blocked(folder: Path, number: int) -> Seen:
    block_s = 1.0 if number == 0 else 3.0
    pad = Pad(folder, start=False)
    try:
        child = subprocess.Popen(
            [sys.executable, "-c", BLOCKED, str(pad.home), str(pad.radio), str(block_s)],
            cwd=ROOT, stdout=subprocess.PIPE, text=True, env={**os.environ, "BLOCKHOUSE_HOME": str(pad.home)},
        )  # fmt: skip
        for line in child.stdout:
            if line.startswith("Link waiting"):
                break
        until = time.monotonic() + block_s + 1.0
        while time.monotonic() < until:
            pad._put(pad.frame("navigation") * 4)
            time.sleep(0.015)
        path = Path(child.stdout.read().splitlines()[-1])
        child.wait(20)
        child.stdout.close()
        recorded = b"".join(bytes_of(open_session(path)))
        sent = bytes(pad.sent[-1])
        return Seen(f"{len(sent)} bytes sent, {len(recorded)} recorded", len(sent) - len(recorded))
    finally:
        pad.close()


@case(
    "48",
    "told to end",
    "SIGTERM; SIGHUP; SIGINT twice",
    "session closed, last port write is safe-all or nothing",
    short=3,
    long=9,
)
def told_to_end(folder: Path, number: int) -> Seen:
    pad = Pad(folder)
    try:
        ada = pad.operator()
        assert ada.arm()["ok"]
        begun = time.monotonic()
        signals = ((signal.SIGTERM,), (signal.SIGHUP,), (signal.SIGINT, signal.SIGINT))[number % 3]
        for one in signals:
            pad.station.process.send_signal(one)
        code = pad.station.process.wait(20)
        took_s = time.monotonic() - begun
        session = pad.session()
        assert code == 0 and session.closed and not session.damage and pad.hazardous_frames() == 0
        return Seen(f"ended by {signals[0].name} in {took_s:.1f} s, session closed")
    finally:
        pad.close()


@case(
    "46", "replay while a radio is there", "replay process beside a terminal; desk and viewer asked", "0 bytes to the port"
)
def replay(folder: Path, number: int) -> Seen:
    pad = Pad(folder)
    try:
        path = max(pad.sessions.glob("*.pcapng"))
        pad.station.stop()
        heard = len(pad.heard)
        station = Process(pad.home, "replay", str(path), "--no-browser", "--http-port", "0")
        address = station.line(r"^Page: (http://\S+)")[1]
        name = path.name.removesuffix(".pcapng")
        assert urllib.request.urlopen(f"{address}api/sessions/{name}/columns").status == 200
        for socket in ("desk", "view"):
            with pytest.raises(WebSocketException):
                with connect(f"ws{address[4:]}ws/{socket}", origin=address.rstrip("/")) as open_socket:
                    open_socket.send('{"type":"safe_all","n":1}')
                    open_socket.recv(timeout=10)
        station.stop()
        pad._hear()
        assert len(pad.heard) == heard
        return Seen("0 bytes to the port; both sockets refused")
    finally:
        pad.close()


WRONG_DICTIONARIES = {
    "no TOML": "[dictionary\n",
    "two packets of one number": ("apid = 17", "apid = 16"),
    "unknown type": (
        'type = "f32", unit = "m",     role = "position.east"',
        'type = "f99", unit = "m", role = "position.east"',
    ),
    "another format": ("format = 1", "format = 99"),
    "empty": "",
}


@case(
    "45",
    "malformed dictionary",
    "5 wrong files at the start; changed under a running station",
    "refused in a sentence; own copy",
    short=0,
)
def dictionary(folder: Path, number: int) -> Seen:
    good = (ROOT / "protocol" / "sandpiper.toml").read_text("utf-8")
    file = folder / "vehicle.toml"
    for wrong in WRONG_DICTIONARIES.values():
        file.write_text(wrong if isinstance(wrong, str) else good.replace(*wrong, 1), "utf-8")
        arguments = ["live", "--port", str(folder / "radio"), "--dictionary", str(file), "--no-browser", "--http-port", "0"]
        done = subprocess.run(
            [sys.executable, "-m", "server", *arguments], cwd=ROOT, capture_output=True, text=True, timeout=60,
            env={**os.environ, "BLOCKHOUSE_HOME": str(folder / "home")},
        )  # fmt: skip
        assert done.returncode == 1 and done.stderr.count("\n") == 1 and "Traceback" not in done.stderr, done.stderr
    file.write_text(good, "utf-8")
    pad = Pad(folder / "pad", more=("--dictionary", str(file)))
    try:
        file.write_text("", "utf-8")
        assert pad.alive() and pad.session().header.dictionary == good
        return Seen(f"last refusal: {done.stderr.strip().replace(str(file), 'FILE')}", pad.lost())
    finally:
        pad.close()
