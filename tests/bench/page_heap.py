"""Does the page grow? `python -m tests.bench.page_heap` watches a raised-rate demonstration in a real browser.

A vehicle that waits on the pad, so many times faster than real time; every few seconds the page's garbage is collected and
its heap, its DOM nodes and the server's memory are read (Chromium's DevTools protocol: HeapProfiler.collectGarbage,
Performance.getMetrics). Printed is how much the last quarter holds more than the quarter before it. The store keeps a fixed
room per table, so both level off once that is full.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from playwright.sync_api import sync_playwright

from tests.browser.station import CHROMIUM_ARGUMENTS, Process, chromium_path

MEASURES = ("JSHeapUsedSize", "Nodes", "JSEventListeners")


def main() -> int:
    """Run and print; exit code 1 when the page's heap grew by more than a tenth in the last quarter."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--rate", type=float, default=30.0)
    parser.add_argument("--every", type=float, default=5.0, metavar="S")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        flight = ["--rate", str(options.rate), "--ignite-after", "1000000"]
        station = Process(Path(folder), "demo", "--no-browser", "--http-port", "0", *flight)
        try:
            samples = _watch(station, options.minutes * 60.0, options.every)
        finally:
            station.stop()
    hours = options.minutes * options.rate / 60
    print(f"{options.minutes:g} min at {options.rate:g} times real time: {hours:.1f} vehicle hours")
    growth = _report(samples)
    return int(growth > 1.1)


def _watch(station: Process, seconds: float, every_s: float) -> list[tuple[float, ...]]:
    address = station.line(r"^Page: (http://\S+)")[1]
    samples = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=CHROMIUM_ARGUMENTS)
        page = browser.new_page(viewport={"width": 1366, "height": 768})
        problems: list[str] = []
        page.on("pageerror", lambda error: problems.append(str(error)))
        page.goto(address)
        devtools = page.context.new_cdp_session(page)
        devtools.send("Performance.enable")
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            page.wait_for_timeout(every_s * 1000)
            devtools.send("HeapProfiler.collectGarbage")
            metrics = {item["name"]: item["value"] for item in devtools.send("Performance.getMetrics")["metrics"]}
            samples.append((*(metrics[name] for name in MEASURES), _resident_bytes(station.process.pid)))
        browser.close()
        assert problems == [], problems
    return samples


def _resident_bytes(pid: int) -> int:
    with open(f"/proc/{pid}/status") as status:
        return next(int(line.split()[1]) * 1024 for line in status if line.startswith("VmRSS"))


def _report(samples: list[tuple[float, ...]]) -> float:
    """Print each measure's medians by quarter; return the heap's growth over the last."""
    size, growths = max(1, len(samples) // 4), []
    for place, name in enumerate((*MEASURES, "server memory")):
        scale, unit = (1e6, "MB") if place in (0, 3) else (1, "")
        quarters = [median(sample[place] for sample in samples[n * size : (n + 1) * size]) / scale for n in range(4)]
        growths.append(quarters[3] / quarters[2])
        shown = "  ".join(f"{value:8.1f}" for value in quarters)
        print(f"{name:18s} by quarter: {shown} {unit:3s} last over third: {growths[-1]:.3f}")
    return growths[0]


if __name__ == "__main__":
    sys.exit(main())
