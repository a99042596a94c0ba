"""Fuzz one target with atheris: `python -m tests.fuzz.run TARGET --seconds 120` (needs `pip install atheris`).

Prints how many executions were run; a case that breaks a target is written to tests/fuzz/found/TARGET/ by hand once it is
understood, and runs with the tests from then on.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.fuzz.targets import TARGETS, seeds


def main() -> None:
    """Run; atheris ends the process itself."""
    import atheris

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("target", choices=sorted(TARGETS))
    parser.add_argument("--seconds", type=int, default=120)
    options = parser.parse_args()
    corpus = Path(tempfile.mkdtemp(prefix="corpus-"))
    for number, seed in enumerate(seeds(options.target)):
        (corpus / f"seed-{number}").write_bytes(seed)
    atheris.instrument_all()
    arguments = [sys.argv[0], f"-max_total_time={options.seconds}", "-max_len=65536", "-timeout=30", "-print_final_stats=1"]
    atheris.Setup([*arguments, str(corpus)], TARGETS[options.target])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
