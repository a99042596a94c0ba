"""How fast a long shelf is listed.

Run as `python -m tests.bench.shelf`. 2000 small recordings are written, half of them with notes; then the shelf is listed
as the page does it (each answer after about a second, the rest "pending") until nothing is pending, and listed again. The
second listing is printed as a ratio to nothing but stat() of the same files.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from server.shelf.session_notes import sidecar_path, write_sidecar
from server.shelf.shelf import Shelf
from tests.server.flights import Flight, dictionary, recorded
from tests.traffic import mixed_frames

FILES = 2000
REPEATS = 5
ANSWER_WITHIN_S = 1.0
TARGET_STAT = 20.0


def fill(folder: Path) -> None:
    """Write the recordings: one by the recorder, the others its copies under names of their own."""
    frames = mixed_frames(dictionary(), 200)
    flight = Flight(tuple((0.1 * i, frame) for i, frame in enumerate(frames, start=1)), {})
    first = recorded(folder, flight, "session-0000")
    for number in range(1, FILES):
        name = f"session-{number:04d}"
        shutil.copy(first, folder / f"{name}.pcapng")
        if number % 2:
            write_sidecar(sidecar_path(folder, name), {"label": f"Flight {number}"})


def listed(folder: Path) -> tuple[float, int, int]:
    """List once as the page does; return (seconds, items, how many are pending)."""
    begun = time.perf_counter()
    items = Shelf(folder).items(None, lambda: time.perf_counter() - begun > ANSWER_WITHIN_S)
    return time.perf_counter() - begun, len(items), sum(bool(item["pending"]) for item in items)


def fastest(act: Callable[[], object]) -> float:
    """Return the shortest of some runs in seconds."""
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        act()
        times.append(time.perf_counter() - begun)
    return min(times)


def main() -> int:
    """Measure, print, and return 1 when the target is missed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder)
        seconds, items, pending = listed(folder)
        print(f"{items} files: first answer after {seconds:.2f} s, {pending} of them by header alone")
        total, answers = seconds, 1
        while pending:
            seconds, _, pending = listed(folder)
            total, answers = total + seconds, answers + 1
        print(f"all computed after {answers} answers, {total:.1f} s ({1000 * total / items:.1f} ms each)")
        files = [entry.path for entry in os.scandir(folder)]
        bare = fastest(lambda: [os.stat(path) for path in files])
        again = fastest(lambda: Shelf(folder).items())
        print(f"listed again: {1000 * again:.1f} ms, stat of the {len(files)} files {1000 * bare:.1f} ms")
        print(f"ratio {again / bare:.1f} (target: at most {TARGET_STAT:g})")
    return 0 if again / bare <= TARGET_STAT else 1


if __name__ == "__main__":
    sys.exit(main())
