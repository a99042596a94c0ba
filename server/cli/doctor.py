"""`blockhouse doctor`: is this computer fit for a launch."""

from __future__ import annotations

import argparse
from pathlib import Path

from server.cli.paper import ACT, LOOK, Table, show
from server.settings import default_folders
from server.workbench import doctor

STYLE_OF = {doctor.PROBLEM: ACT, doctor.UNKNOWN: LOOK}


def add_doctor(parser: argparse.ArgumentParser) -> None:
    """Fill in `doctor`."""
    parser.add_argument("--sessions", type=Path, metavar="DIR", help="folder of the recordings")
    parser.add_argument("--keys", type=Path, metavar="DIR", help="folder of the command key")
    parser.add_argument("--all", action="store_true", help="also built-in ports that name no hardware")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the findings; returns 1 when one of them is a problem."""
    sessions, keys = default_folders()
    findings = doctor.examine(options.sessions or sessions, options.keys or keys, options.all)
    rows = [(finding.state, finding.what, f"{finding.found} {finding.fix}".rstrip()) for finding in findings]
    styles = {place: STYLE_OF[one.state] for place, one in enumerate(findings) if one.state in STYLE_OF}
    show([Table(rows, styles=styles)])
    return int(any(finding.state == doctor.PROBLEM for finding in findings))
