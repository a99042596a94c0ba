"""`blockhouse doctor`: is this computer fit for a launch."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.settings import default_folders
from server.workbench import doctor


def add_doctor(parser: argparse.ArgumentParser) -> None:
    """Fill in `doctor`."""
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="folder of the recordings")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the findings; returns 1 when one of them is a problem."""
    sessions, keys = default_folders()
    findings = doctor.examine(options.sessions or sessions, options.keys or keys)
    for finding in findings:
        print(finding.line(), flush=True)
    return int(any(finding.state == doctor.PROBLEM for finding in findings))
