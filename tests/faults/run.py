"""The long form of the fault bench: `python -m tests.faults.run` injects every fault so many times and prints the table.

`--short` is what the tests run, `--only 1 6 12a` some rows, `--times N` so many tries of each. Exit code 1 when any row
shows anything else than expected. It wants about half an hour, Linux, and for three rows the right to mount.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
import time
import traceback
from datetime import UTC, datetime
from pathlib import Path

from tests.faults.all import CASES
from tests.faults.case import Case
from tests.faults.pad import Pad
from tests.faults.row import run_case


def main() -> int:
    """Run and print; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="as in the tests")
    parser.add_argument("--only", nargs="+", metavar="ROW", help="some rows")
    parser.add_argument("--times", type=int, metavar="N", help="tries of each row")
    options = parser.parse_args()
    cases = [case for case in CASES if not options.only or case.number in options.only]
    if options.short:
        cases = [case for case in cases if case.short]
    print(f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, {platform.system()} {platform.release()}\n")
    print("| # | fault | injected by | expected | tried | seen | lost bytes |\n|---|---|---|---|---|---|---|", flush=True)
    failed = 0
    with tempfile.TemporaryDirectory() as folder:
        for case in cases:
            times = options.times or (case.short if options.short else case.long)
            failed += not _print_row(case, times, Path(folder))
    print(f"\n{len(cases)} rows, {failed} not as expected")
    return min(failed, 1)


def _print_row(case: Case, times: int, folder: Path) -> bool:
    """Each row has a station of its own, so that one row's trouble is not another's."""
    begun = time.monotonic()
    what = f"| {case.number} | {case.fault} | {case.how} | {case.expected}"
    try:
        pad = Pad(folder / f"pad-{case.number}") if case.on_pad else None
        try:
            row = run_case(case, times, folder / case.number, pad)
        finally:
            if pad is not None:
                pad.close()
    except Exception as error:  # noqa: BLE001 - whatever it was, the other rows are still to be tried
        traceback.print_exc()
        print(f"{what} | {times} | **NOT AS EXPECTED**: {type(error).__name__}: {str(error)[:200]} | ? |", flush=True)
        return False
    print(f"{what} | {row.tried} | {row.seen} | {row.lost_bytes} |", flush=True)
    print(f"{case.number}: {time.monotonic() - begun:.0f} s", file=sys.stderr, flush=True)
    return True


if __name__ == "__main__":
    sys.exit(main())
