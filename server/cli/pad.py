"""`blockhouse padsheet FILE`: look a pad sheet over, or print how the one in a recording stood."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from protocol.dictionary_file import load_dictionary
from server.pad.plan import load_pad_plan
from server.pad.record import blank_sheet, recorded_sheet, sheet_text
from server.recording.segment import SUFFIX
from server.review.review import Review, open_review
from server.review.summary import summarize


def add_padsheet(parser: argparse.ArgumentParser) -> None:
    """Fill in `padsheet`."""
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="a sheet (TOML) or a session; a session's own sheet is printed"
    )
    parser.add_argument("--dictionary", type=Path, metavar="FILE", help="the vehicle's dictionary (default: Sandpiper)")
    parser.set_defaults(run=_run)


def _run(options: argparse.Namespace) -> int:
    if options.file.suffix == SUFFIX:
        review = open_review(options.file)
        sheet = recorded_sheet(review.output.entries)
        if sheet is None:
            print(f"No pad sheet was shown in {options.file.name}.")
            return 1
        sheet = replace(sheet, facts=_facts(review))
    else:
        sheet = blank_sheet(load_pad_plan(options.file, load_dictionary(options.dictionary)))
    print(sheet_text(sheet))
    return 0


def _facts(review: Review) -> str:
    summary, name = summarize(review), review.session.header.site.get("name")
    parts = (
        ("Vehicle", summary["vehicle"]),
        ("Site", name),
        ("Date", str(summary["utc"])[:10]),
        ("Session", review.name),
    )
    return ", ".join(f"{key}: {value}" for key, value in parts if value)
