"""The command line's tools for afterwards: onboard log, comparison, report, exports. Each gives its result on stdout."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from server.cli.comparison import comparison_blocks
from server.cli.paper import show
from server.cli.shared import Progress, add_units, make_progress, units_of
from server.json_text import finite
from server.recording.segment import base_name
from server.review.compare import SESSIONS_AT_MOST, compare, comparison_dict
from server.review.csv_export import export_csv
from server.review.parquet_export import export_parquet
from server.review.report import report_html
from server.review.review import open_review, refuse_rehearsals
from server.review.track import track_of
from server.review.tracks import gpx, kml
from server.settings import default_folders, sample_folder
from server.shelf.onboard_alignment import align_log
from server.shelf.onboard_card import read_files
from server.shelf.onboard_log import OnboardLog, look
from server.shelf.onboard_loose import read_loosely
from server.shelf.onboard_mapping import load_mapping, mapping_text
from server.shelf.onboard_report import LogReport, first_aligned, report_text
from server.shelf.onboard_report import report as onboard_report
from server.shelf.onboard_store import OnboardStore
from server.shelf.session_notes import read_sidecar
from server.shelf.shelf import SessionPlace, Shelf

NOT_ALIGNED = 3
TABLES = {"csv": export_csv, "parquet": export_parquet}
TRACKS = {"kml": kml, "gpx": gpx}


def add_onboard(onboard: argparse.ArgumentParser) -> None:
    """Fill in `onboard`."""
    onboard.add_argument("session", type=Path, metavar="SESSION", help="the session file")
    onboard.add_argument(
        "log", type=Path, nargs="+", metavar="LOG", help="CSV files with column names, or a card in the vehicle's own format"
    )
    onboard.add_argument("--map", type=Path, metavar="FILE", help="TOML file that says what the columns are")
    onboard.add_argument("--events", type=Path, metavar="FILE", help="lines of text, each with a time at its start")
    onboard.add_argument("--show-map", action="store_true", help="only print the mapping guessed, to be changed and kept")
    onboard.add_argument("--dry-run", action="store_true", help="keep nothing beside the session")
    onboard.set_defaults(run=lambda options: _onboard(options, make_progress()))


def add_compare(compared: argparse.ArgumentParser) -> None:
    """Fill in `compare`."""
    compared.add_argument("files", type=Path, nargs="+", metavar="SESSION")
    moments = 'lift_off, apogee, ..., or "mark: TEXT"; given once for all, or once for each session'
    compared.add_argument("--at", action="append", metavar="MOMENT", help=moments)
    compared.add_argument("--json", action="store_true", help="for scripts")
    compared.add_argument("--rehearsals", action="store_true", help="take rehearsals as well")
    add_units(compared)
    compared.set_defaults(run=lambda options: _compare(options, make_progress()))


def add_export(export: argparse.ArgumentParser) -> None:
    """Fill in `export`."""
    export.add_argument("file", type=Path)
    export.add_argument("--format", choices=[*TABLES, *TRACKS], default="csv", help="csv and parquet need a folder as --out")
    where = export.add_mutually_exclusive_group(required=True)
    where.add_argument("--out", type=Path, metavar="PATH", help="folder of the tables, or the track's file")
    where.add_argument("--csv", type=Path, metavar="DIR", help="the same as --format csv --out DIR")
    export.set_defaults(run=lambda options: _export(options, make_progress()))


def add_report(report: argparse.ArgumentParser) -> None:
    """Fill in `report`."""
    report.add_argument("file", type=Path, metavar="SESSION")
    report.add_argument("out", type=Path, metavar="OUT.html")
    add_units(report)
    report.set_defaults(run=lambda options: _report(options, make_progress()))


def _onboard(options: argparse.Namespace, progress: Progress) -> int:
    mapping = load_mapping(options.map) if options.map is not None else None
    if options.show_map:
        guess = mapping or look(options.log[0]).guess
        print(mapping_text(guess) if guess is not None else "# no column looks like a time", end="")
        return 0 if guess is not None else NOT_ALIGNED
    progress(f"reading {options.session.name}")
    review = open_review(options.session)
    if options.dry_run:

        def tried(log: OnboardLog) -> LogReport:
            return onboard_report(review, log, align_log(review, log))

        attempts = [lambda: tried(read_files(options.log, review.dictionary, mapping, progress, options.events))]
        if mapping is None:
            attempts.append(lambda: tried(read_loosely(options.log)))
        told = first_aligned(attempts)
    else:
        place = place_of(options.session)
        told = OnboardStore().take_files(review, place, options.log, mapping, progress, options.events)
    progress("")
    print(report_text(told))
    return NOT_ALIGNED if told.alignment.refused else 0


def _export(options: argparse.Namespace, progress: Progress) -> int:
    progress(f"reading {options.file.name}")
    review = open_review(options.file)
    if options.csv is not None:
        written = export_csv(review, options.csv, progress)
    elif options.format in TABLES:
        written = TABLES[options.format](review, options.out, progress)
    else:
        options.out.write_bytes(TRACKS[options.format](track_of(review)))
        written = [options.out]
    for path in written:
        print(path)
    progress("")
    return 0


def _report(options: argparse.Namespace, progress: Progress) -> int:
    units = units_of(options)
    progress(f"reading {options.file.name}")
    review = open_review(options.file)
    noted = read_sidecar(place_of(options.file).noted)
    options.out.write_text(report_html(review, noted, units), "utf-8", "replace")
    progress("")
    print(options.out)
    return 0


def _compare(options: argparse.Namespace, progress: Progress) -> int:
    units = units_of(options)
    reviews = []
    for file in options.files[: SESSIONS_AT_MOST + 1]:
        progress(f"reading {file.name}")
        reviews.append(open_review(file))
    if not options.rehearsals:
        refuse_rehearsals(reviews)
    at = options.at or ["lift_off"]
    found = compare(reviews, at if len(at) > 1 else at[0])
    progress("")
    if options.json:
        print(json.dumps(finite(comparison_dict(found)), indent=2))
    else:
        show(comparison_blocks(found, units))
    return 0


def place_of(file: Path) -> SessionPlace:
    """Return where a session lies and where what is added to it is kept."""
    folder = file.resolve().parent
    samples = sample_folder().resolve()
    shelf = Shelf(default_folders()[0], samples=samples) if folder == samples else Shelf(folder)
    return shelf.place_of(base_name(file))
