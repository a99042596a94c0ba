"""Goals judged on recorded flights: met, not met, and what nobody can tell from what was heard."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from server.review.compare import compare, comparison_dict
from server.review.goals import GAP_S, MET, NOT_MET, NOT_TESTED, _on_for, _on_to_landing, _seen, goals_html
from server.review.live_goals import live_card
from server.review.report import report_html
from server.review.review import Review, open_review, rows_matrix
from server.review.summary import summarize

SAMPLES = Path(__file__).resolve().parents[3] / "replay_samples"
CONTROL = {"what": "Control for 2 s", "kind": "on_for", "role": "control.enabled", "at_least_s": 2.0}
APART = {"what": "Both canopies", "kind": "seen", "roles": ["recovery[1].fired", "recovery[2].fired"]}
CAMERA = {"what": "Camera 2 to landing", "kind": "on_to_landing", "role": "camera[2].recording"}
SLOW = {"what": "Slow down", "kind": "figure", "figure": "descent", "number": "rate_m_s", "at_most": 6.0}


@pytest.fixture(scope="module")
def reviews() -> dict[str, Review]:
    return {name: open_review(SAMPLES / f"{name}.pcapng") for name in ("calm", "gusty-bad-number", "thin-link")}


def with_card(review: Review, **card: object) -> Review:
    """Return the same recording with goals on its sheet."""
    header = replace(review.session.header, vehicle={**review.session.header.vehicle, **card})
    return replace(review, session=replace(review.session, header=header))


def judged(review: Review, goal: dict) -> tuple[str, str]:
    (one,) = summarize(with_card(review, goals=[goal]))["goals"]["goals"]
    return one["outcome"], one["evidence"]


def test_a_flight_without_goals_has_none_in_its_summary(reviews: dict[str, Review]) -> None:
    assert "goals" not in summarize(reviews["calm"])


@pytest.mark.parametrize(
    ("name", "goal", "outcome", "evidence"),
    [
        ("calm", CONTROL, MET, "on for 4.2 s from T+2.2 s"),
        ("gusty-bad-number", CONTROL, NOT_MET, "on for at most"),
        ("calm", APART, MET, "recovery 1 fired: seen at T+8"),
        ("calm", APART | {"roles": ["recovery[1].fired", "wings.out"]}, NOT_TESTED, "does not tell wings.out"),
        ("calm", SLOW, MET, "5.38 (at most 6)"),
        ("calm", SLOW | {"at_most": 5.0}, NOT_MET, "5.38 (at most 5)"),
        ("calm", SLOW | {"number": "nothing"}, NOT_TESTED, "the flight has no nothing under descent"),
        ("calm", CONTROL | {"role": "wings.out"}, NOT_TESTED, "this vehicle does not tell wings.out"),
        ("calm", CONTROL | {"role": "battery.voltage"}, NOT_TESTED, "battery.voltage is no flag"),
    ],
)
def test_recorded_flights_are_judged(reviews: dict[str, Review], name: str, goal: dict, outcome: str, evidence: str) -> None:
    said, told = judged(reviews[name], goal)
    assert said == outcome and evidence in told, told


def test_the_report_tells_the_goals_and_the_parts_on_trial(reviews: dict[str, Review]) -> None:
    html = report_html(with_card(reviews["calm"], goals=[CONTROL | {"what": "<b>Control</b>"}], on_trial=["tail fins"]))
    assert "What this flight was for" in html and "On trial: tail fins." in html and "&lt;b&gt;Control" in html
    assert goals_html(None) == "" and "What this flight was for" not in report_html(reviews["calm"])


@pytest.mark.parametrize("name", ["calm", "gusty-bad-number", "thin-link"])
def test_after_the_landing_the_live_page_is_told_what_the_recording_will_tell(reviews: dict[str, Review], name: str) -> None:
    review = with_card(reviews[name], goals=[CONTROL, APART, CAMERA, SLOW], on_trial=["tail fins"])
    rows = {table: rows_matrix(spec, review.output.rows.get(table)) for table, spec in review.specs.items()}
    told = [entry.as_dict(i) for i, entry in enumerate(review.output.entries)]
    sheet = review.session.header.sheets[0]
    assert live_card(sheet, review.specs, rows, told) == summarize(review)["goals"]
    landed = next(i for i, entry in enumerate(told) if (entry["topic"], entry["key"]) == ("moment", "landing"))
    assert live_card(sheet, review.specs, rows, told[:landed]) is None, "nothing is judged before it has landed"


def test_goals_are_compared_by_their_words(reviews: dict[str, Review]) -> None:
    one = with_card(reviews["calm"], goals=[CONTROL, SLOW])
    other = with_card(reviews["gusty-bad-number"], goals=[CONTROL, CAMERA])
    rows = {goal["what"]: goal["outcomes"] for goal in comparison_dict(compare([one, other]))["goals"]}
    assert list(rows) == [CONTROL["what"], SLOW["what"], CAMERA["what"]]
    assert rows[CONTROL["what"]] == [MET, NOT_MET] and rows[SLOW["what"]] == [MET, None]
    assert rows[CAMERA["what"]][0] is None
    assert comparison_dict(compare([reviews["calm"], reviews["thin-link"]]))["goals"] == []


def test_a_card_nobody_can_read_is_not_tested_with_the_reason(reviews: dict[str, Review]) -> None:
    said, told = judged(reviews["calm"], CONTROL | {"kind": "wish"})
    assert said == NOT_TESTED and "'wish' is not known" in told


T = np.arange(0.0, 10.05, 0.1)


def test_a_flag_of_which_a_silence_hides_the_end_is_not_tested() -> None:
    on = np.where((T >= 2) & (T < 4), 1.0, 0.0)
    assert _on_for(T, on, 0.0, 10.0, 1.5)[0] == MET
    assert _on_for(T, on, 0.0, 10.0, 2.5)[0] == NOT_MET
    heard = (T < 3) | (T > 6)  # silent while it was on
    assert _on_for(T[heard], on[heard], 0.0, 10.0, 2.5)[0] == NOT_TESTED
    both = (T < 2.5) | (T > 6)
    still = np.ones_like(T)
    assert _on_for(T[both], still[both], 0.0, 10.0, 6.0)[0] == NOT_TESTED, "across a silence nobody knows"


def test_never_seen_in_what_was_heard_is_not_met_only_without_a_silence() -> None:
    off = np.zeros_like(T)
    heard = T < 10 - 2 * GAP_S
    assert _seen(T, off, 0.0, 10.0)[0] == NOT_MET
    assert _seen(T[heard], off[heard], 0.0, 10.0)[0] == NOT_TESTED


def test_on_to_landing_wants_every_moment_heard() -> None:
    on = np.ones_like(T)
    late = T < 8
    broken = np.where(T > 9, 0.0, 1.0)
    assert _on_to_landing(T, on, 0.0, 10.0)[0] == MET
    assert _on_to_landing(T[late], on[late], 0.0, 10.0)[0] == NOT_TESTED
    assert _on_to_landing(T, broken, 0.0, 10.0)[0] == NOT_MET
