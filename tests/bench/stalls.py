"""The longest stall of the event loop over a whole flight: `python -m tests.bench.stalls`.

A station process hears a flight in real time from a pseudo-terminal, with navigation at 20, 100 and 200 Hz: as it is, with a
judgement that burns 2 s of pure Python in the flight, and with a page opened anew and recordings looked at meanwhile. A
Chromium page is open on it, and another process writes to the same disk and syncs without a pause. Beside it, in the same
run, an idle event loop has the same probe; printed are both loops' longest stalls and their difference, the same without the
time in which the machine had no processor for the thread, the processor time that the loop's longest turn took, and where it
was in long ones. Shorter: `--rates 100`, `--kinds burns`, `--from -6 --to 60` (seconds from ignition).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
import tty
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.analysis.pipeline import recorded_output
from server.recording.records import Kind, Record
from server.twin.scenarios import load_scenario
from server.twin.twin import Twin
from tests.browser.station import browser_page, eventually
from tests.kept import kept
from tests.traffic import KEY

TARGET_MS = 25.0
TOLD = {"as": "as it is", "burns": "burns 2 s", "review": "reviews"}
LOOKED_AT = ("/api/sessions", "/api/sessions/{}/summary", "/api/sessions/{}/columns")
IGNITE_S = 20.0
AFTER_LANDING_S = 6.0
TWIN_HZ = 100  # the vehicle's own cycle; beyond it the state is put between
STATE_Q = ("q_w", "q_x", "q_y", "q_z")
ROOT = Path(__file__).resolve().parents[2]
SAMPLES = sorted((ROOT / "replay_samples").glob("*.pcapng"))
DISK = """
import os, sys
block = os.urandom(1 << 22)
with open(sys.argv[1], "wb") as file:
    while True:
        file.seek(0)
        file.write(block)
        file.flush()
        os.fsync(file.fileno())
"""


def dictionary_at(rate_hz: int) -> Dictionary:
    """Return the Sandpiper dictionary with that rate of navigation, and a modem that carries it."""
    text = (ROOT / "protocol" / "sandpiper.toml").read_text("utf-8")
    text = text.replace("rate_hz = 20\n", f"rate_hz = {rate_hz}\n", 1).replace("modem_baud = 57600", "modem_baud = 921600")
    return parse_dictionary(text, f"{rate_hz} Hz")


def _flown(scenario: str) -> list[Record]:
    told = dictionary_at(TWIN_HZ)
    twin = Twin(scenario=load_scenario(scenario), seed=1, dictionary=told, key=KEY, boot_id=3, ignite_after_s=IGNITE_S)
    records, step, end = [], 0, None
    while end is None or step < end:
        step += 1
        if chunk := twin.advance(step * 0.02):
            records.append(Record(Kind.RECEIVED, len(records), step * 20_000_000, chunk))
        if end is None and twin.landed:
            end = step + round(AFTER_LANDING_S / 0.02)
    return records


def frames_at(rate_hz: int, scenario: str) -> list[tuple[float, bytes]]:
    """Return (second of the vehicle's clock, frame) of a whole flight with navigation at a rate, in order."""
    records = kept(("stalls", scenario, IGNITE_S, AFTER_LANDING_S), lambda: _flown(scenario))
    rows_of = recorded_output(dictionary_at(TWIN_HZ), records, 0).rows
    told = dictionary_at(rate_hz)
    link, packets = VehicleLink(told, KEY, 3), []
    for name in told.packets:
        if name not in rows_of:
            continue
        t, columns = rows_of[name].t, dict(rows_of[name].columns)
        if name == "navigation":
            at = np.arange(t[0], t[-1], 1.0 / rate_hz)
            columns = {column: np.interp(at, t, values) for column, values in columns.items()}
            norm = np.sqrt(sum(columns[q] ** 2 for q in STATE_Q))
            columns, t = {c: v / norm if c in STATE_Q else v for c, v in columns.items()}, at
        for row, when in enumerate(t):
            packets.append((float(when), name, {c: v[row] for c, v in columns.items()}))
    packets.sort(key=lambda packet: packet[0])
    return [(when, link.frame(name, round(when * 1000), values)) for when, name, values in packets]


class Probed:
    """A process with a probe in its event loop."""

    def __init__(self, home: Path, *arguments: str, burn: bool = False) -> None:
        environment = {**os.environ, "BLOCKHOUSE_HOME": str(home), "PYTHONUNBUFFERED": "1", "BURN": "1" if burn else ""}
        command = [sys.executable, "-m", "tests.bench.stall_probe", *arguments]
        self._process = subprocess.Popen(
            command, cwd=ROOT, env=environment, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )

    def line(self, beginning: str) -> str:
        """Wait for a line and return the rest of it."""
        for line in self._process.stdout:
            if line.startswith(beginning):
                return line.removeprefix(beginning).strip()
        raise AssertionError(f"ended without {beginning!r}")

    def stalls(self) -> dict[str, object]:
        """Return the longest stalls since last asked."""
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        return json.loads(self.line("stalls "))

    def stop(self) -> None:
        """End it."""
        self._process.terminate()
        try:
            self._process.communicate(timeout=10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.communicate()


@contextmanager
def loaded_disk(folder: Path) -> Iterator[None]:
    """Write to the disk and sync without a pause."""
    process = subprocess.Popen([sys.executable, "-c", DISK, str(folder / "load")])
    try:
        yield
    finally:
        process.kill()
        process.wait()


def feed(master: int, frames: list[tuple[float, bytes]]) -> None:
    """Write frames at the moments their times tell, from now on."""
    begun = time.perf_counter() - frames[0][0]
    for when, frame in frames:
        wait_s = begun + when - time.perf_counter()
        if wait_s > 0.001:
            time.sleep(wait_s)
        os.write(master, frame)


@dataclass(frozen=True)
class Stalls:
    """What one flight led to, of the station's loop and of the idle one; milliseconds."""

    station: dict[str, object]
    idle: dict[str, object]

    def more_ms(self, which: str) -> float:
        """By how much the station's longest stall was longer."""
        return self.station[which] - self.idle[which]


def look_at_recordings(address: str) -> None:
    """Ask for the shelf and for every sample on it, one after another."""
    site = address.rstrip("/").partition("#")[0].rstrip("/")
    for path in [LOOKED_AT[0], *(path.format(sample.stem) for sample in SAMPLES for path in LOOKED_AT[1:])]:
        with urllib.request.urlopen(site + path) as answer:
            answer.read()


def fly(folder: Path, rate_hz: int, frames: list[tuple[float, bytes]], kind: str) -> Stalls:
    """Fly once."""
    described = folder / "dictionary.toml"
    described.write_text(dictionary_at(rate_hz).text, "utf-8")
    sheet = str(ROOT / "server" / "design" / "sheets" / "sandpiper.toml")
    master, slave = os.openpty()
    tty.setraw(slave)
    place = ("--port", os.ttyname(slave), "--no-browser", "--http-port", "0")
    idle = Probed(folder, "idle")
    station = Probed(folder, "live", *place, "--dictionary", str(described), "--sheet", sheet, burn=kind == "burns")
    try:
        address = station.line("Page: ")
        with loaded_disk(folder), browser_page() as page:
            page.goto(address)
            page.locator('[data-testid="place-watch"]:visible').first.click()
            page.wait_for_timeout(2000)
            station.stalls(), idle.stalls()
            feeder = threading.Thread(target=feed, args=(master, frames), daemon=True)
            feeder.start()
            link = page.locator('[data-testid="status-link"]:visible').first
            eventually(lambda: link.inner_text() == "Up", 20)
            if kind == "review":
                page.wait_for_timeout(8000)
                page.reload()
                asking = threading.Thread(target=look_at_recordings, args=(address,))
                asking.start()
                while asking.is_alive():
                    page.wait_for_timeout(200)
            while feeder.is_alive():
                page.wait_for_timeout(500)
            return Stalls(station.stalls(), idle.stalls())
    finally:
        station.stop()
        idle.stop()
        os.close(slave)
        os.close(master)


def main() -> int:
    """Measure and print; exit code 1 when a flight stalls the loop for longer than the target."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rates", type=int, nargs="+", default=[20, 100, 200])
    parser.add_argument("--kinds", nargs="+", choices=TOLD, default=list(TOLD))
    parser.add_argument("--from", type=float, default=-6.0, dest="first")
    parser.add_argument("--to", type=float, default=1e9)
    parser.add_argument("--scenario", default="calm")
    options = parser.parse_args()
    worst = held = 0.0
    print("            longest stall, ms                    the same without waiting for a processor")
    print("navigation  with         station      idle      more   station      idle      more  own turn   garbage   load")
    for rate_hz in options.rates:
        first, last = IGNITE_S + options.first, IGNITE_S + options.to
        frames = [frame for frame in frames_at(rate_hz, options.scenario) if first <= frame[0] <= last]
        for kind in options.kinds:
            with tempfile.TemporaryDirectory() as folder:
                found = fly(Path(folder), rate_hz, frames, kind)
            worst, held = max(worst, found.more_ms("late_ms")), max(held, found.more_ms("held_ms"))
            both = [found.station["late_ms"], found.idle["late_ms"], found.more_ms("late_ms")]
            both += [found.station["held_ms"], found.idle["held_ms"], found.more_ms("held_ms")]
            both += [found.station["own_ms"], found.station["collecting_ms"]]
            numbers = " ".join(f"{number:9.1f}" for number in both)
            print(f"{rate_hz:7d} Hz  {TOLD[kind]:10s} {numbers} {os.getloadavg()[0]:6.1f}", flush=True)
            for where, used_ms in found.station["where"]:
                print(f"            {used_ms:6.1f} ms of a turn were used at {where}", flush=True)
    print(f"the longest stall is {worst:.1f} ms longer than an idle loop's, {held:.1f} ms without waiting for a processor")
    print(f"target: at most {TARGET_MS:g} ms longer")
    return int(worst > TARGET_MS)


if __name__ == "__main__":
    sys.exit(main())
