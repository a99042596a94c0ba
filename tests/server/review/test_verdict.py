"""A flight in one sentence: the findings in order of weight, in their own words, and silence said as silence."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.review.review import open_review
from server.review.verdict import by_weight, verdict, verdict_of
from server.telemetry.journal import JournalEntry

SAMPLES = Path(__file__).resolve().parents[3] / "replay_samples"
LIFT_OFF = JournalEntry(20.1, 20.1, "moment", "lift_off", "info", "lift-off", {"t": 20.0})


def finding(key: str, severity: str, text: str, t: float | None = 25.0, **body: object) -> JournalEntry:
    """A finding as the journal tells it, noted at 90 s."""
    return JournalEntry(90.0, 90.0, "finding", key, severity, text, {"t": t, "advice": "Look at the igniter.", **body})


def test_warnings_come_first_and_what_endangers_people_before_what_spoils_the_data() -> None:
    told = [
        finding("thin_link", "caution", "thin link: 27 % lost"),
        finding("bad_number", "warning", "state vector not finite in 1 frame: q_w"),
        finding("hard_landing", "caution", "hard landing: 14 m/s"),
        finding("fast_descent", "warning", "came down under one parachute: 8.9 m/s"),
        finding("pitched_over", "warning", "leaned 54 degrees"),
    ]
    wanted = ["fast_descent", "pitched_over", "bad_number", "hard_landing", "thin_link"]
    assert [one.key for one in by_weight([LIFT_OFF, *told])] == wanted
    assert [one.key for one in by_weight([LIFT_OFF, *reversed(told)])] == wanted


def test_one_that_nobody_weighed_comes_last_of_its_kind_and_is_not_lost() -> None:
    told = [finding("new_rule", "warning", "something new"), finding("bad_number", "warning", "not finite")]
    assert verdict([LIFT_OFF, *told]) == "Not finite at T+5.0 s; something new at T+5.0 s."


def test_the_gravest_brings_its_reason_and_the_rest_only_what_happened() -> None:
    entries = [
        LIFT_OFF,
        JournalEntry(24.0, 24.0, "figure", "lean", "info", "", {"azimuth_rad": 4.5}),
        finding(
            "pitched_over", "warning", "leaned 54 degrees toward 258 degrees while it should fly straight; slow; windy", 21.9
        ),
        finding("bad_number", "warning", "not finite in 2 frames: " + "q_w, " * 20, 25.0),
        finding("control_untested", "caution", "enabled for 295 ms; lower the gate", 25.3),
        finding("thin_link", "caution", "thin link: 27 % lost"),
        finding("clipped", "caution", "a sensor was at its end"),
    ]
    assert verdict(entries) == (
        "Leaned 54 degrees toward W at T+1.9 s: slow, windy; not finite in 2 frames at T+5.0 s; "
        "enabled for 295 ms at T+5.3 s; and 2 more findings."
    )


def test_no_advice_no_praise_and_what_was_taken_back_is_not_told() -> None:
    entries = [
        LIFT_OFF,
        finding("bad_number", "warning", "not finite"),
        finding("bad_number", "warning", "", withdrawn=True),
    ]
    assert verdict(entries) == "No findings. Its top is not known."
    assert "igniter" not in verdict([LIFT_OFF, finding("no_continuity", "warning", "no continuity")])
    apogee = JournalEntry(28.0, 28.0, "moment", "apogee", "info", "apogee", {"t": 28.0, "height_m": 278.9})
    assert verdict([LIFT_OFF, apogee], 3) == "No findings. It reached 279 m. 3 figures of the flight could not be told."
    assert verdict([]) == "No findings, and no lift-off was seen in this recording."
    assert verdict([finding("battery_tired", "warning", "tired battery: it sags")]) == "Tired battery: it sags."
    gone = JournalEntry(29.0, 29.0, "moment", "lift_off", "info", "", {"withdrawn": True})
    assert "no lift-off" in verdict([LIFT_OFF, gone])


@pytest.mark.parametrize(
    ("sample", "said"),
    [
        ("calm", "No findings. It reached 279 m."),
        ("thin-link", "Thin link at T+60.3 s: 27 % of the packets lost in flight."),
        ("bench-trial", "No findings, and no lift-off was seen in this recording."),
    ],
)
def test_the_samples_in_a_sentence(sample: str, said: str) -> None:
    assert verdict_of(open_review(SAMPLES / f"{sample}.pcapng")) == said


def test_the_flight_that_leaned_says_so_first() -> None:
    said = verdict_of(open_review(SAMPLES / "gusty-bad-number.pcapng"))
    clauses = said.split("; ")
    assert clauses[0].startswith("Leaned 54 degrees toward W at T+1.9 s: it left the rail at 14.6 m/s")
    assert clauses[1] == "state vector not finite in 1 frame at T+5.0 s" and clauses[2].startswith(
        "control was enabled for 2"
    )
