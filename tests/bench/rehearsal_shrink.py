"""Each planted mistake shrunk: `python -m tests.bench.rehearsal_shrink [--seed N] [FAULT ...]`.

For each FC_FAULT=1..8 one flight in calm air, the first thing wrong in it shrunk, and the file's frames played eight times
on the build with the mistake and on the clean one. Printed: frames up to what is wrong, frames and channels left, tries and
seconds of the search, whether no single frame of it can be left out, and how often it shows on both builds.
Exit code 1 when a case does not show 8 of 8 on the one or shows at all on the other.
"""

from __future__ import annotations

import argparse
import sys
import time

from server.firmware.flight_source import FAULTS
from server.rehearsal.cases import moments_of
from server.rehearsal.shrinking import shrunk
from tests.protocol.helpers import SANDPIPER
from tests.server.rehearsal.helpers import flight, player

TIMES = 8


def row(fault: int, seed: int) -> tuple[str, bool]:
    """Fly, shrink and play one; returns a line and whether it is as it must be."""
    flown, wrongs, _ = flight(fault, seed)
    if not wrongs:
        return f"{fault}  seed {seed}: nothing wrong in calm air", True
    wrong = wrongs[0]
    with player(fault) as faulty:
        begun_s = time.monotonic()
        case = shrunk(faulty, moments_of(flown), wrong, SANDPIPER)
        took_s, tries = time.monotonic() - begun_s, faulty.tries
        on_it = sum(
            faulty.asked_for(case.within).shows(case.moments, case.kind, case.component) is not None for _ in range(TIMES)
        )
    with player(0) as clean:
        on_clean = sum(
            clean.asked_for(case.within).shows(case.moments, case.kind, case.component) is not None for _ in range(TIMES)
        )
    line = (
        f"{fault}  seed {seed}: {wrong.kind}, {wrong.component}, {wrong.frame + 1} frames -> {case.frames} frames of "
        f"{len(case.channels)} channels; {tries} tries, {took_s:.1f} s; "
        f"{'no single frame can be left out' if case.least else 'the search ended before its end'}; "
        f"shows {on_it} of {TIMES}, on the clean build {on_clean} of {TIMES}"
    )
    return line, on_it == TIMES and on_clean == 0


def main() -> int:
    """Print a line for each mistake."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=4, help="of each flight")
    parser.add_argument("faults", nargs="*", type=int, default=list(range(1, FAULTS + 1)))
    options = parser.parse_args()
    good = True
    for fault in options.faults:
        line, as_it_must = row(fault, options.seed)
        good &= as_it_must
        print(line, flush=True)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
