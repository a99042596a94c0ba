"""The height of a flight in a few numbers: its top in it, its silences left open, nothing for what did not fly."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from server.review.review import open_review
from server.review.sketch import POINTS, height_sketch
from server.review.summary import summarize

SAMPLES = Path(__file__).resolve().parents[3] / "replay_samples"


@pytest.mark.parametrize("name", ["calm", "gusty-bad-number", "thin-link"])
def test_it_rises_to_the_apogee_and_comes_down(name: str) -> None:
    review = open_review(SAMPLES / f"{name}.pcapng")
    summary = summarize(review)
    begun = time.process_time()
    heights = height_sketch(review, summary)
    print(f"{name}: {1000 * (time.process_time() - begun):.1f} ms of the processor")
    assert heights is not None and len(heights) == POINTS
    told = [one for one in heights if one is not None]
    assert summary["apogee"] is not None and max(told) == pytest.approx(summary["apogee"]["height_m"], abs=2.0)
    top = heights.index(max(told))
    assert 0 < top < POINTS / 2 and abs(told[-1]) < 12, "up fast, down slowly, to the ground"


def test_what_did_not_fly_has_none() -> None:
    review = open_review(SAMPLES / "bench-trial.pcapng")
    assert height_sketch(review, summarize(review)) is None
