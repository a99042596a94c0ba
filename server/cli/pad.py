"""`blockhouse padsheet FILE`: look a pad sheet over, or print how the one in a recording stood."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from protocol.dictionary_file import load_dictionary
from server.cli.paper import ACT, GAP, LOOK, TITLE, Block, Table, Words, show
from server.flight.units import with_signs
from server.pad.plan import load_pad_plan
from server.pad.record import RecordedSheet, blank_sheet, recorded_sheet
from server.pad.sheet import ADVICE, Standing
from server.recording.segment import SUFFIX
from server.review.review import Review, open_review
from server.review.summary import summarize

SIGNED = ("Flier", "Range safety officer", "Date")
SIGNED_LABEL, SIGNED_WIDTH = 24, 34


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
    show(sheet_blocks(sheet))
    return 0


def sheet_blocks(sheet: RecordedSheet) -> Iterator[Block]:
    """Yield a sheet with lines to sign on."""
    yield Words(sheet.title, TITLE)
    yield from (Words(with_signs(told)) for told in (sheet.note, sheet.facts, sheet.heading) if told)
    yield Words(ADVICE, TITLE)
    for title, items in sheet.groups:
        yield GAP
        yield Words(title, TITLE)
        rows, styles = [], {}
        for place, item in enumerate(items):
            standing, *cells = item.cells()
            not_met = item.line.standing is Standing.NOT_MET
            styles[place] = ACT if not_met else LOOK if item.line.standing is Standing.UNKNOWN else ""
            rows.append([standing.upper() if not_met else standing, *map(with_signs, cells)])
        yield Table(_without_empty(rows), styles=styles, indent=2)
    yield GAP
    yield from (Words("_" * SIGNED_WIDTH, label=f"{name} ", label_width=SIGNED_LABEL) for name in SIGNED)


def _without_empty(rows: list[list[str]]) -> list[list[str]]:
    """Return rows without the columns in which nobody says anything, as all are on a sheet not filled in."""
    kept = [place for place in range(len(rows[0]) if rows else 0) if any(row[place] for row in rows)]
    return [[row[place] for place in kept] for row in rows]


def _facts(review: Review) -> str:
    summary, name = summarize(review), review.session.header.site.get("name")
    parts = (
        ("Vehicle", summary["vehicle"]),
        ("Site", name),
        ("Date", str(summary["utc"])[:10]),
        ("Session", review.name),
    )
    return ", ".join(f"{key}: {value}" for key, value in parts if value)
