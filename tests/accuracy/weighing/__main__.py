"""Do the told doubts of swings, weighings and static tests hold? `python -m tests.accuracy.weighing [--runs 500]`.

Tunables were chosen on odd seeds; the table is of even ones. Coverage is the share of runs whose error is within two
standard deviations told; a normal error would give 95.4 %.
"""

from __future__ import annotations

import argparse

from tests.accuracy.weighing.table import as_markdown, rows


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=500)
    parser.add_argument("--odd", action="store_true", help="the seeds that tunables were chosen on")
    options = parser.parse_args()
    begin = 1 if options.odd else 0
    print(as_markdown(rows(range(begin, 2 * options.runs + begin, 2))))


if __name__ == "__main__":
    main()
