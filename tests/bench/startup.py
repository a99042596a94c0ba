"""What a command costs before it does anything, as ratios measured in one run.

    python -m tests.bench.startup [--runs N]

Processor time (user and system) of child processes, each kind run in turn so that a busy machine slows all of them,
and the median of each. Asked: `--version` at most 5 times a bare interpreter; `summary` of a sample at most 1.5 times
importing numpy plus the computation alone, which a process measures that has imported everything before.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "replay_samples" / "calm.pcapng"
PYTHON = (sys.executable,)
HOUSE = (*PYTHON, "-m", "server")
# As for a person at a terminal: byte code is kept, whatever this process was told.
ENVIRONMENT = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
# Prints the processor seconds of the computation in a process that has everything imported; its own run is not measured.
# Then the modules that came only with it, which the next such process is told to import before.
ALONE = f"""
import io, sys, time
from contextlib import redirect_stdout
from importlib import import_module
from server.cli import summary
from server.cli.cli import main
for name in sys.argv[1:]:
    import_module(name)
imported, before = set(sys.modules), time.process_time()
with redirect_stdout(io.StringIO()):
    main(["summary", {str(SAMPLE)!r}])
print(time.process_time() - before, *sorted(set(sys.modules) - imported))
"""
COMMANDS: Mapping[str, Sequence[str]] = {
    "python -c pass": (*PYTHON, "-c", "pass"),
    "import numpy": (*PYTHON, "-c", "import numpy"),
    "--version": (*HOUSE, "--version"),
    "--help": (*HOUSE, "--help"),
    "ports": (*HOUSE, "ports"),
    "firmware --help": (*HOUSE, "firmware", "--help"),
    "demo --help": (*HOUSE, "demo", "--help"),
    "summary": (*HOUSE, "summary", str(SAMPLE)),
}
VERSION_AT_MOST = 5.0
SUMMARY_AT_MOST = 1.5


def processor_s(command: Sequence[str]) -> float:
    """Run a command to its end; return its processor time in s. Raises RuntimeError when it fails."""
    process = subprocess.Popen(command, cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} ended with {process.returncode}")
    return used.ru_utime + used.ru_stime


def computation_s(before: Sequence[str]) -> tuple[float, list[str]]:
    """Return the processor time in s of reading and computing the sample, and what it imported but for those `before`."""
    command = (*PYTHON, "-c", ALONE, *before)
    told = subprocess.run(command, cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.PIPE, text=True, check=True)
    time_s, *late = told.stdout.split()
    return float(time_s), late


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=9, metavar="N", help="runs of each, in turn")
    runs = parser.parse_args().runs
    measured: dict[str, list[float]] = {name: [] for name in COMMANDS}
    alone: list[float] = []
    late: list[str] = []
    for _ in range(runs + 1):
        for name, command in COMMANDS.items():
            measured[name].append(processor_s(command))
        computing, came = computation_s(late)
        alone.append(computing)
        late += came
    # The first round writes byte code, fills the disk's cache and finds what is imported late.
    typical = {name: statistics.median(times[1:]) for name, times in measured.items()}
    computing = statistics.median(alone[1:])
    bare = typical["python -c pass"]
    print(f"processor time, median of {runs} runs in turn")
    for name, time_s in typical.items():
        print(f"  {name:16} {1000 * time_s:6.0f} ms  {time_s / bare:5.1f} x a bare interpreter")
    print(f"  {'computing alone':16} {1000 * computing:6.0f} ms")
    print(f"--version is {typical['--version'] / bare:.1f} x a bare interpreter; asked: at most {VERSION_AT_MOST:g}")
    ratio = typical["summary"] / (typical["import numpy"] + computing)
    print(f"summary is {ratio:.2f} x importing numpy plus computing alone; asked: at most {SUMMARY_AT_MOST:g}")


if __name__ == "__main__":
    main()
