"""A report's events: each once, in order of the moments, with whose word it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.review.events import events_of
from server.review.report import report_html
from server.review.review import Review, open_review
from tests.server.flights import flown, recorded


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """A calm flight of the simulated vehicle, which tells of itself in words."""
    folder: Path = tmp_path_factory.mktemp("events")
    return open_review(recorded(folder, flown("calm")))


def test_each_moment_is_told_once_by_each_of_the_two_in_order_of_time(review: Review) -> None:
    """Seen: burnout three times within a second, the apogee after what followed it, and nobody's name beside them."""
    told = events_of(review.output.entries)
    assert [one.t for one in told] == sorted(one.t for one in told)
    for word in ("lift-off", "burnout at", "landed"):
        by = [one.by for one in told if one.text.startswith(word)]
        assert sorted(by) == ["station", "vehicle"], (word, by)
    (burnout,) = (one for one in told if one.text.startswith("burnout at") and one.by == "station")
    assert "\N{PLUS-MINUS SIGN}" in burnout.text
    (lift_off,) = (one for one in told if one.text == "lift-off")
    figures = {entry.key: entry.body for entry in review.output.entries if entry.topic == "figure"}
    assert lift_off.t == figures["lift_off"]["t"] and burnout.t == figures["burnout"]["t"]
    (apogee,) = (one for one in told if one.text.startswith("apogee "))
    deployed = next(one for one in told if one.text == "deployment commanded")
    assert (apogee.t < deployed.t) == (told.index(apogee) < told.index(deployed)) and deployed.by == "vehicle"


def test_the_report_says_whose_word_an_event_is(review: Review) -> None:
    html = report_html(review)
    assert "<th>By</th>" in html
    assert html.count(">burnout at ") == 2
