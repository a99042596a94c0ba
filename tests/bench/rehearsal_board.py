"""All ten scenarios in closed loop on an emulated board: `python -m tests.bench.rehearsal_board [--seed N] [SCENARIO ...]`.

The example flight computer's image (Cortex-M4F, machine mps2-an386 of qemu-system-arm, alignment traps on, serial port a
TCP socket) is flown to the landing by `blockhouse rehearse --port ... --emulated`, each scenario after another. Printed:
deployment beside that of the twin's own computer on the same sensor values, the loop's delay (median, 99th percentile,
greatest), its jitter, and the state vector against the true motion. Exit code 0 when all passed.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from server.twin.scenarios import scenario_names
from tests.server.firmware.flight_build import board_image
from tests.server.rehearsal.computers import BENCH_ACTS, on_board, rehearse

WITHIN_S = 3600.0


def main() -> int:
    """Fly and print; returns 1 when one did not pass."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", default="1", help="of each flight")
    parser.add_argument("scenarios", nargs="*", default=scenario_names())
    options = parser.parse_args()
    words = ["--emulated", "--seed", options.seed]
    every = list(options.scenarios) == scenario_names()
    worst = 0
    with tempfile.TemporaryDirectory() as folder, on_board(board_image(), Path(folder)) as port:
        for name in ["all"] if every else options.scenarios:
            count = str(len(scenario_names()) if every else 1)
            acts = (*BENCH_ACTS, "rehearse", count)
            code, out, err = rehearse(Path(folder), port, *words, "--scenario", name, acts=acts, within_s=WITHIN_S)
            print(out or err, flush=True)
            worst = max(worst, code)
    return min(worst, 1)


if __name__ == "__main__":
    sys.exit(main())
