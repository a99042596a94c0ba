"""Safe all under trouble, long form: `python -m tests.faults.safe_all`.

Beside each trouble one whole flight of the twin at real time, a hundred presses through all its phases: how many left, and
the milliseconds from the press to the bytes at the port (median, 99th percentile, greatest), with the machine's load. Beside
them the same of a bare program (`safe_all_bench.Bare`) asked right after each press: what it needs is the machine's part.
Then the same presses by phase of flight. The first press comes right after the trouble has begun. `--clicks N` adds a row
in which a Chromium page shows the flight and each press is a click in it, counted from the click's own time stamp.
`--only NAME ...` runs some rows, `--presses N` so many presses. Exit code 1 when any press did not leave.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tests.browser.station import browser_page
from tests.faults.safe_all_bench import TROUBLES, Field, Press, Trouble, nothing, ready

IGNITED_AFTER_S = 22.0
PHASES = ("pad", "boost", "coast", "descent", "landed")
# Of a hundred: so many may have been pressed before the phase ends, so that each phase has its share.
SHARES = {"pad": 0.3, "boost": 0.45, "coast": 0.7, "descent": 0.9, "landed": 1.0}
FLIGHT_AT_MOST_S = 150.0
CLICKS = Trouble("none, clicked in Chromium", "a page shows the flight", nothing)
TARGET_MS = 50.0
HEAD = "left | median | 99th | greatest | bare median | 99th | greatest"


def main() -> int:
    """Press and print; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="+", metavar="NAME", help="some rows, by the beginning of their name")
    parser.add_argument("--presses", type=int, default=100, metavar="N")
    parser.add_argument("--clicks", type=int, default=0, metavar="N", help="a row of clicks")
    options = parser.parse_args()
    wanted = [t for t in TROUBLES if not options.only or t.name.startswith(tuple(options.only))]
    rows = [(trouble, options.presses) for trouble in wanted] + ([(CLICKS, options.clicks)] if options.clicks else [])
    print(f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, {os.cpu_count()} cores; milliseconds from the press to the port\n")
    print(f"| beside | how | {HEAD} | load |\n|---|---|---|---|---|---|---|---|---|---|", flush=True)
    pressed: list[Press] = []
    for trouble, count in rows:
        with tempfile.TemporaryDirectory() as folder:
            presses = flown(Path(folder), trouble, count)
        print(f"| {trouble.name} | {trouble.how} | {_numbers(presses)} | {os.getloadavg()[0]:.1f} |", flush=True)
        pressed += presses
    print(f"\n| phase | {HEAD} |\n|---|---|---|---|---|---|---|---|")
    for phase in PHASES:
        if in_it := [press for press in pressed if press.phase == phase]:
            print(f"| {phase} | {_numbers(in_it)} |")
    lost = sum(press.took_s is None for press in pressed)
    late = sum(press.took_s is not None and press.took_s * 1000 > TARGET_MS for press in pressed)
    bare = sum(press.bare_s * 1000 > TARGET_MS for press in pressed)
    print(f"\n{len(pressed)} presses, {lost} did not leave, {late} took longer than {TARGET_MS:g} ms (bare: {bare})")
    return int(lost > 0)


def flown(folder: Path, trouble: Trouble, count: int) -> list[Press]:
    """Return the presses of one flight; those that the flight leaves no time for are made after it."""
    field = Field(folder, IGNITED_AFTER_S)
    try:
        ready(field)
        if trouble is CLICKS:
            with browser_page() as page:
                click = clicking(page, field)
                return _through_the_flight(field, count, lambda: field.timed(click))
        with trouble.beside(field):
            return _through_the_flight(field, count, field.press)
    finally:
        field.close()


def _through_the_flight(field: Field, count: int, press: object) -> list[Press]:
    presses: list[Press] = []
    until_s = time.monotonic() + FLIGHT_AT_MOST_S
    while len(presses) < count:
        share = SHARES.get(field.phase(), 1.0)
        if len(presses) < share * count or time.monotonic() > until_s:
            presses.append(press())
        else:
            time.sleep(0.005)
    return presses


def clicking(page: object, field: Field) -> object:
    """Open the page and return what clicks Safe all in it, and returns the click's own moment on our clock."""
    page.goto(f"{field.station.address}#operator={field.station.token}")
    button = page.get_by_test_id("safe-all")
    page.wait_for_function("document.querySelector('[data-testid=safe-all]')?.disabled === false")
    page.evaluate(
        "window.clickedAt = []; document.addEventListener('click', "
        "(event) => clickedAt.push(performance.timeOrigin + event.timeStamp), true)"
    )
    place = button.bounding_box()
    x, y = place["x"] + place["width"] / 2, place["y"] + place["height"] / 2

    def click() -> float:
        page.mouse.click(x, y)
        ahead_s = time.time() - time.monotonic()
        return page.evaluate("clickedAt.at(-1)") / 1000 - ahead_s

    return click


def _numbers(presses: list[Press]) -> str:
    took = [press.took_s for press in presses if press.took_s is not None]
    return f"{len(took)} of {len(presses)} | {_spread(took)} | {_spread([press.bare_s for press in presses])}"


def _spread(seconds: list[float]) -> str:
    ms = 1000 * np.array(seconds or [np.nan])
    return f"{np.median(ms):.1f} | {np.percentile(ms, 99):.1f} | {ms.max():.1f}"


if __name__ == "__main__":
    sys.exit(main())
