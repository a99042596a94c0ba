"""`blockhouse summary`: a session in numbers."""

from __future__ import annotations

import argparse
import atexit
import gc
from pathlib import Path

from server.cli.shared import make_progress
from server.design.next_flight import planned
from server.review.review import final_figures, measured_wind, open_review
from server.review.summary import summarize, summary_json, summary_text


def add_summary(parser: argparse.ArgumentParser) -> None:
    """Fill in `summary`."""
    parser.add_argument("file", type=Path)
    parser.add_argument("--json", action="store_true", help="for scripts")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Read, compute, print."""
    # At its end the interpreter looks through everything imported and computed for circles, several times over, a tenth of
    # the whole; nothing here waits to be closed by that, and the system takes the memory back at once.
    atexit.register(gc.freeze)
    progress = make_progress()
    progress(f"reading {options.file.name}")
    review = open_review(options.file)
    plans = planned(*review.session.header.sheets, final_figures(review), measured_wind(review))
    summary = {**summarize(review), **plans}
    progress("")
    print(summary_json(summary) if options.json else summary_text(summary))
    return 0
