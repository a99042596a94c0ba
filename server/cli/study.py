"""`blockhouse study`: what a recording is asked on demand, in sentences, numbers and, for scripts, JSON."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator
from pathlib import Path

from server.cli.paper import ACT, GAP, LOOK, QUIET, TITLE, Block, Table, Words, show
from server.json_text import finite
from server.review.review import open_review
from server.study.asking import whole_flight
from server.study.study import Number, Study
from server.study.subjects import SUBJECTS, answered


def add_study(study: argparse.ArgumentParser) -> None:
    """Fill in `study`."""
    study.add_argument("session", type=Path, metavar="SESSION", help="the session file")
    listed = "; ".join(f"{name}: {subject.question}" for name, subject in SUBJECTS.items())
    study.add_argument("subjects", nargs="*", metavar="SUBJECT", help=f"all when none is named. {listed}")
    study.add_argument("--json", action="store_true", help="for scripts")
    study.set_defaults(run=_study)


def _study(options: argparse.Namespace) -> int:
    case = whole_flight(open_review(options.session))
    told = [answered(name, case) for name in options.subjects or SUBJECTS]
    if options.json:
        print(json.dumps(finite([study.body() for study in told]), indent=1))
    else:
        show([block for study in told for block in blocks(study)])
    return 0


def blocks(study: Study) -> Iterator[Block]:
    """Yield a study as it is printed."""
    yield Words(study.title, TITLE)
    yield from (Words(f"CAUTION: {text}", ACT, 2) for text in study.cautions)
    yield from (Words(text, "", 2) for text in study.said)
    yield from (Words(f"To change: {text}", LOOK, 2) for text in study.advice)
    if study.numbers:
        rows = [(one.name, figure(one.value), interval(one), one.unit, one.note) for one in study.numbers]
        yield Table(rows, ("", "value", "95 % interval", "unit", ""), frozenset({1}), indent=2)
    if study.pictures:
        yield Words("Pictures: on the page, place Learn.", QUIET, 2)
    yield GAP


def interval(number: Number) -> str:
    """Return the interval of a number, "" where there is none."""
    if number.low is None and number.high is None:
        return ""
    return f"{figure(number.low)} to {figure(number.high)}"


def figure(value: float | None) -> str:
    """Return a number in three places, or a dash where there is none."""
    if value is None or math.isnan(value):
        return "\u2013"
    return f"{value:.3g}" if abs(value) < 1000.0 else f"{value:.0f}"
