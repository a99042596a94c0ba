"""`blockhouse summary`: a session in sentences and numbers."""

from __future__ import annotations

import argparse
import atexit
import gc
from collections.abc import Iterator, Mapping
from pathlib import Path

from server.cli.paper import ACT, GAP, LOOK, QUIET, TITLE, Block, Words, show
from server.cli.shared import add_units, make_progress, units_of
from server.design.next_flight import planned
from server.flight.units import METRIC, Units
from server.review.review import final_figures, measured_wind, open_review
from server.review.summary import summarize, summary_json
from server.review.summary_shape import Summary
from server.review.told import GRAVE, Told, ToldMoment, told_of
from server.review.verdict import verdict_of

LABEL = 15
TOLD_AT_MOST = 40  # of alarms, marks and kinds of commands; a bench trial has hundreds
STYLE_OF = {"warning": ACT, "caution": LOOK}


def add_summary(parser: argparse.ArgumentParser) -> None:
    """Fill in `summary`."""
    parser.add_argument("file", type=Path)
    parser.add_argument("--json", action="store_true", help="for scripts")
    add_units(parser)
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Read, compute, print."""
    # At its end the interpreter looks through everything imported and computed for circles, several times over, a tenth of
    # the whole; nothing here waits to be closed by that, and the system takes the memory back at once.
    atexit.register(gc.freeze)
    units = units_of(options)
    progress = make_progress()
    progress(f"reading {options.file.name}")
    review = open_review(options.file)
    plans = planned(*review.session.header.sheets, final_figures(review), measured_wind(review))
    summary: Summary = {**summarize(review), **plans}
    progress("")
    if options.json:
        print(summary_json(summary))
    else:
        show(summary_blocks(summary, review.session.header.site, units, verdict_of(review)))
    return 0


def summary_blocks(
    summary: Summary, site: Mapping[str, object], units: Units = METRIC, verdict: str = ""
) -> Iterator[Block]:
    """Yield what is printed of a session, its verdict in one sentence before all numbers."""
    told = told_of(summary, site, units)
    yield Words(told.name, TITLE)
    yield Words(told.about)
    yield Words(told.recording, LOOK if summary["damage"] else QUIET)
    yield from (Words(sentence, LOOK, 2) for sentence in summary["damage"])
    if verdict:
        yield GAP
        yield Words(units.said(verdict))
    yield from _section("Flight" if told.from_lift_off else "Moments", [_at(told, moment) for moment in told.moments])
    yield from _findings(told)
    yield from _section("In numbers", [Words(text, label=title, label_width=LABEL, indent=2) for title, text in told.facts])
    reasons = [Words(text, label=title, label_width=19, indent=2) for title, text in told.not_told]
    yield from _section("Not told", reasons)
    yield from _section("Alarms", [_at(told, alarm) for alarm in told.alarms])
    yield from _section("Marks", [_at(told, mark) for mark in told.marks])
    yield from _section("Commands", [Words(text, indent=2) for text in told.command_lines()])
    failed = [Words(fault["text"], ACT, 2) for fault in summary.get("faults", [])]
    yield from _section("What the station could not compute", failed)


def _section(title: str, blocks: list[Words]) -> Iterator[Block]:
    if blocks:
        yield GAP
        yield Words(title, TITLE)
        yield from blocks[:TOLD_AT_MOST]
        if len(blocks) > TOLD_AT_MOST:
            yield Words(f"and {len(blocks) - TOLD_AT_MOST} more (--json has all)", QUIET, 2)


def _at(told: Told, moment: ToldMoment) -> Words:
    return Words(moment.text, label=told.clock(moment.t), label_width=LABEL, indent=2)


def _findings(told: Told) -> Iterator[Block]:
    yield GAP
    yield Words("Findings", TITLE)
    if not told.findings:
        yield Words("none", indent=2)
    for finding in told.findings:
        when = "" if finding.t is None else f" at {told.clock(finding.t)}"
        style = STYLE_OF.get(finding.severity, "")
        yield Words(f"{GRAVE.get(finding.severity, finding.severity)}{when}: {finding.text}", style, 2)
        if finding.advice:
            yield Words(finding.advice, indent=6)
