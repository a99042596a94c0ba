"""How long many drawn flights take, and the same flights one by one: `python -m tests.bench.dispersion`.

Prints the seconds of 2 000 flights in every case with the demonstration's sheet, and in the same run those of one flight of
the simulated vehicle's own motion, whose steps are plain Python, up and down under its parachutes.
"""

from __future__ import annotations

import time

from server.design.dispersion import FLIGHTS, dispersion
from server.design.dispersion_basis import Day
from server.design.sheet_files import load_sheets
from server.twin.sandpiper import Vehicle
from tests.server.flight.dispersion.twins import flown

ALONE = 5


def main() -> None:
    """Time both and print them."""
    sheets = load_sheets(None, True)
    began = time.perf_counter()
    told = dispersion(sheets.vehicle, sheets.site, Day(), FLIGHTS, 1)
    many_s = time.perf_counter() - began
    ways = len(told["cases"])
    began = time.perf_counter()
    for seed in range(ALONE):
        flown(Vehicle(), seed)
    one_s = (time.perf_counter() - began) / ALONE
    each_s = many_s / (FLIGHTS * ways)
    print(f"{FLIGHTS} flights, {ways} ways down each: {many_s:.1f} s")
    print(f"one flight down one way: {1e3 * each_s:.2f} ms together, {1e3 * one_s:.0f} ms alone: {one_s / each_s:.0f} times")


if __name__ == "__main__":
    main()
