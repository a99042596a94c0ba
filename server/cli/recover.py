"""`blockhouse recover`: a clean copy of a damaged session, and what could not be saved."""

from __future__ import annotations

import argparse
from pathlib import Path

from protocol.dictionary_file import load_dictionary
from server.recording.recover import recover


def add_recover(parser: argparse.ArgumentParser) -> None:
    """Fill in `recover`."""
    parser.add_argument("file", type=Path, help="any part of the session; it is only read")
    parser.add_argument("--to", type=Path, metavar="DIR", help="folder of the copy (default: beside the file)")
    parser.add_argument(
        "--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary, if the file has lost its own"
    )
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write the copy and say in sentences what became of the session."""
    dictionary = load_dictionary(options.dictionary).text if options.dictionary else None
    print("\n".join(recover(options.file, options.to, dictionary).sentences()))
    return 0
