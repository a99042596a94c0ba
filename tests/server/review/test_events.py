"""A report's events: each once, in order of the moments, with whose word it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.review.events import Event, events_of, once, told_events
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
    html = report_html(review).partition("<h2>Events</h2>")[2]
    assert "<td>station, vehicle</td><td>burnout at " in html and "; vehicle: burnout at " in html


def test_what_both_tell_is_one_line_in_order(review: Review) -> None:
    """Seen: burnout at 42 and at 40 m, landed twice, and every phase beside the moment that began it."""
    told = once(told_events(review.output.entries))
    assert [one.t for one in told] == sorted(one.t for one in told)
    for word in ("lift-off", "burnout", "apogee", "control enabled", "deployment", "landed"):
        assert len([one for one in told if one.text.startswith(word)]) == 1, word
    assert not [one for one in told if one.text.startswith("vehicle says: ")], "its phase is no event beside the moment"
    every = " ".join(one.text for one in told)
    for fired in ("recovery channel 1 fired", "recovery channel 2 fired"):
        assert fired in every, "nothing else is lost"


def test_the_same_words_later_are_another_event() -> None:
    def at(t: float, by: str, text: str) -> Event:
        return Event(t, by, "info", text)

    told = once([at(1.0, "vehicle", "control enabled"), at(1.1, "vehicle", "control disabled"),
                 at(20.0, "vehicle", "control enabled"), at(21.0, "station", "landed"),
                 at(22.5, "vehicle", "landed +4 m east"), at(22.6, "vehicle", "vehicle says: landed")])  # fmt: skip
    assert [(one.t, one.by, one.text) for one in told] == [
        (1.0, "vehicle", "control enabled"),
        (1.1, "vehicle", "control disabled"),
        (20.0, "vehicle", "control enabled"),
        (21.0, "station, vehicle", "landed; vehicle: landed +4 m east"),
    ]
