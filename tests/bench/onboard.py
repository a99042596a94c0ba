"""How fast an onboard log is read and aligned, against numpy.loadtxt alone.

Run as `python -m tests.bench.onboard`. The log has 40 columns at 1 kHz over 10 minutes: 600 000 rows.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from server.review.review import open_review
from server.shelf.onboard_alignment import align_log
from server.shelf.onboard_log import read_log
from tests.server.flights import flown, recorded

RATE_HZ, SECONDS, COLUMNS = 1000, 600, 40
TARGET = 3.0


def main() -> int:
    """Measure, print, and return 1 when the target is missed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        review = open_review(recorded(folder, flown("calm")))
        path = folder / "card.csv"
        _write(path, review.output.rows)
        begun = time.perf_counter()
        np.loadtxt(path, delimiter=",", skiprows=1)
        bare = time.perf_counter() - begun
        begun = time.perf_counter()
        steps: list[str] = []
        log = read_log(path, None, steps.append)
        read = time.perf_counter() - begun
        begun = time.perf_counter()
        found = align_log(review, log)
        aligned = time.perf_counter() - begun
    print(f"{len(log.t)} rows of {COLUMNS} columns: read in {read:.1f} s with {len(steps)} signs of progress")
    print(f"numpy.loadtxt alone {bare:.1f} s; ratio {read / bare:.2f} (target: at most {TARGET:g})")
    print(f"aligned in {aligned:.1f} s: offset {found.offset_s:+.4f} s (truth +5.0000), refused: {found.refused or 'no'}")
    return 0 if read / bare <= TARGET else 1


def _write(path: Path, rows: dict) -> None:
    t = np.arange(0.0, SECONDS, 1.0 / RATE_HZ)
    seen = t + 5.0
    force = np.interp(seen, rows["imu_a"].t, rows["imu_a"].columns["accel_z"])
    pressure = np.interp(seen, rows["barometer"].t, rows["barometer"].columns["pressure"])
    table = np.random.default_rng(1).normal(size=(len(t), COLUMNS))
    table[:, 0], table[:, 1], table[:, 2] = t, force, pressure
    names = ["time", "accel_z", "pressure", *[f"extra_{i}" for i in range(3, COLUMNS)]]
    with path.open("w", encoding="utf-8") as file:
        file.write(",".join(names) + "\n")
        line = ",".join(["%.3f", "%.4f", "%.2f", *["%.5f"] * (COLUMNS - 3)]) + "\n"
        for row in table.tolist():
            file.write(line % tuple(row))


if __name__ == "__main__":
    sys.exit(main())
