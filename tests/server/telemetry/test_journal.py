"""The shape of a journal entry."""

from __future__ import annotations

from math import isnan

from server.telemetry.journal import SEVERITIES, JournalEntry


def test_shape_for_the_page() -> None:
    entry = JournalEntry(1.5, 0.5, "mark", "m1", "info", "<b>go</b>", {"n": 1})
    assert entry.as_dict(7) == {
        "i": 7, "rx": 1.5, "t": 0.5, "topic": "mark", "key": "m1", "severity": "info", "text": "<b>go</b>", "body": {"n": 1},
    }  # fmt: skip


def test_severities_rise() -> None:
    assert SEVERITIES == ("info", "caution", "warning")
    assert JournalEntry(0, 0, "a", "b", "info", "").body == {}


def test_a_number_of_the_body() -> None:
    entry = JournalEntry(0, 0, "moment", "apogee", "info", "", {"t": 23, "height_m": 280.5, "word": "high"})
    assert (entry.number("t"), entry.number("height_m")) == (23.0, 280.5)
    assert isnan(entry.number("word")) and isnan(entry.number("speed_m_s"))
