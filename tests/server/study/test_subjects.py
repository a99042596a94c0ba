"""What a recording can be asked: the table, the command, the page's address, and a flight as it is asked."""

from __future__ import annotations

import json
import subprocess
import sys
from functools import cache

import pytest

from server.analysis.judgements.case import Case
from server.cli.study import blocks
from server.design.sheet_numbers import sheet_numbers_of
from server.review.review import Review, final_figures, open_review
from server.study.asking import whole_flight
from server.study.study import Line, Number, Picture, Study
from server.study.subjects import SUBJECTS, UnknownSubject, answered
from tests.browser.station import ROOT

SAMPLE = ROOT / "replay_samples" / "calm.pcapng"


@cache
def opened() -> tuple[Review, Case]:
    """Return a sample and its flight, once for all tests."""
    review = open_review(SAMPLE)
    return review, whole_flight(review)


def test_the_flight_is_the_one_that_was_judged_and_its_log_is_kept() -> None:
    review, case = opened()
    figures = final_figures(review)
    assert {key: case.figures.t_of(key) for key in ("rail_exit", "apogee")} == {
        key: figures[key]["t"] for key in ("rail_exit", "apogee")
    }
    lift_off, landing = case.t_of("lift_off"), case.t_of("landing")
    assert lift_off is not None and landing is not None
    flown = case.window("state", lift_off - 5.0, landing)
    assert len(flown) > 300 and flown.t[-1] > landing - 1.0
    assert case.facts == sheet_numbers_of(*review.session.header.sheets)


def test_what_nobody_knows_is_one_sentence() -> None:
    with pytest.raises(UnknownSubject, match=r"There is no study 'fate'; there are: .*\.$"):
        answered("fate", opened()[1])


def test_each_answers_and_can_be_told_in_json() -> None:
    for subject in SUBJECTS:
        told = answered(subject, opened()[1])
        assert told.subject == subject and told.title and told.said
        assert all(text[:1].isupper() and text.endswith((".", "?")) for text in (*told.said, *told.advice, *told.cautions))
        assert json.loads(json.dumps(told.body()))["title"] == told.title
        assert list(blocks(told))
        for picture in told.pictures:
            for line in picture.lines:
                assert len(line.x) == len(line.y) and len(line.low) in (0, len(line.x)) and len(line.high) == len(line.low)


def test_a_study_reads_as_sentences_and_numbers() -> None:
    line = Line("roll", (0.0, 1.0), (2.0, 3.0), (1.0, 2.0), (3.0, 4.0))
    number = Number("gust", 4.25, 3.0, 5.5, "m/s", "toward the east")
    told = Study(
        "x", "Title", ("It leaned.",), ("Wait.",), (number,), (Picture("p", "s", "deg", (line,)),), ("Stand clear.",)
    )
    texts = [block.text if hasattr(block, "text") else block.rows for block in blocks(told)]
    assert texts == [
        "Title", "CAUTION: Stand clear.", "It leaned.", "To change: Wait.",
        [("gust", "4.25", "3 to 5.5", "m/s", "toward the east")], "Pictures: on the page, place Learn.", "",
    ]  # fmt: skip


def test_nothing_that_every_start_loads_loads_scipy() -> None:
    modules = "server.app, server.cli.live, server.cli.replay, server.cli.summary, server.cli.study"
    code = f"import sys, {modules}; print('scipy' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "False"
