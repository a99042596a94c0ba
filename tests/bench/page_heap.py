"""Does anything grow over an afternoon? `python -m tests.bench.page_heap` soaks a demonstration with a real browser.

A vehicle that waits on the pad, many times faster than real time; at every half hour of vehicle time the page's garbage is
collected and its heap, its DOM nodes and listeners (Chromium's DevTools protocol: HeapProfiler.collectGarbage,
Performance.getMetrics) and the resident memory of the demonstration's process (station and simulated vehicle, Linux) are
printed. Page and station keep a fixed room per table, so both level off once the slower tables are full.

Choose a rate that the machine keeps up with, which is printed: a vehicle that falls behind sends in ever greater lumps, and
lumps of over a second once hid that the station forgot nothing of what came packet by packet.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import CDPSession, sync_playwright
from websockets.sync.client import connect

from tests.browser.station import CHROMIUM_ARGUMENTS, BareProcess, chromium_path

HALF_HOUR_S = 1800.0
FLAT = 1.1


@dataclass(frozen=True)
class Sample:
    """What was read at one moment; sizes in megabytes of 10^6 bytes."""

    vehicle_h: float
    wall_s: float
    server_mb: float
    heap_mb: float
    nodes: int
    listeners: int


def main() -> int:
    """Run and print; exit code 1 when page or server grew by more than a tenth over the last hour of vehicle time."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hours", type=float, default=4.0, help="of vehicle time")
    parser.add_argument("--rate", type=float, default=30.0)
    options = parser.parse_args()
    print("vehicle h    server MB  page heap MB   nodes  listeners  times real time", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        flight = ["--rate", str(options.rate), "--ignite-after", "1000000"]
        station = BareProcess(Path(folder), "demo", "--no-browser", "--http-port", "0", *flight)
        try:
            samples = _watch(station, options.hours)
        finally:
            station.stop()
    last = samples[-1]
    before = next((s for s in reversed(samples) if s.vehicle_h <= last.vehicle_h - 0.98), samples[0])
    server, heap = last.server_mb / before.server_mb, last.heap_mb / before.heap_mb
    print(f"the last hour's growth: server {server:.3f} times, page heap {heap:.3f} times (flat: under {FLAT})")
    return int(max(server, heap) > FLAT)


def _watch(station: BareProcess, hours: float) -> list[Sample]:
    address = station.line(r"^Page: (http://\S+)")[1]
    samples: list[Sample] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_ARGUMENTS)
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        problems: list[str] = []
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.goto(address)
        devtools = page.context.new_cdp_session(page)
        devtools.send("Performance.enable")
        begun, begun_s = time.monotonic(), _vehicle_s(address)
        while not samples or samples[-1].vehicle_h < hours:
            page.wait_for_timeout(1000)  # not `sleep`, so that what the browser tells is taken in meanwhile
            vehicle_s = _vehicle_s(address)
            if vehicle_s >= HALF_HOUR_S * (len(samples) + 1):
                samples.append(_sample(devtools, station.process.pid, vehicle_s / 3600, time.monotonic() - begun))
                _tell(samples[-1], begun_s)
        browser.close()
        assert problems == [], problems
    return samples


def _vehicle_s(address: str) -> float:
    """Return the vehicle's time as the station greets a viewer with it."""
    host = address.removeprefix("http://").rstrip("/")
    with connect(f"ws://{host}/ws/view", origin=f"http://{host}", max_size=None) as socket:
        return float(json.loads(socket.recv())["t_now"])


def _sample(devtools: CDPSession, pid: int, vehicle_h: float, wall_s: float) -> Sample:
    devtools.send("HeapProfiler.collectGarbage")
    metrics = {item["name"]: item["value"] for item in devtools.send("Performance.getMetrics")["metrics"]}
    heap, nodes, listeners = (metrics[name] for name in ("JSHeapUsedSize", "Nodes", "JSEventListeners"))
    return Sample(vehicle_h, wall_s, _resident_bytes(pid) / 1e6, heap / 1e6, int(nodes), int(listeners))


def _resident_bytes(pid: int) -> int:
    with open(f"/proc/{pid}/status") as status:
        return next(int(line.split()[1]) * 1024 for line in status if line.startswith("VmRSS"))


def _tell(sample: Sample, begun_s: float) -> None:
    kept_up = (sample.vehicle_h * 3600 - begun_s) / sample.wall_s
    print(
        f"{sample.vehicle_h:9.2f}    {sample.server_mb:9.1f}  {sample.heap_mb:12.2f}  {sample.nodes:6d}  "
        f"{sample.listeners:9d}  {kept_up:15.1f}",
        flush=True,
    )


if __name__ == "__main__":
    sys.exit(main())
