"""The lag of the downlink in a session: its alarm live and from a recording, restarts, formats without a time."""

from __future__ import annotations

import random

import pytest

from protocol.dictionary import Dictionary
from protocol.dictionary_file import parse_dictionary
from server.analysis.pipeline import Output, Pipeline, recorded_output
from server.recording.records import Kind, Record
from server.telemetry.journal import JournalEntry
from server.timestamps import NS_PER_S
from tests.protocol.helpers import SMALL, SMALL_VALUES, beat, telemetry

FIELDS = SMALL.packets["all"].pack(SMALL_VALUES)
NO_TIME = """
[dictionary]
format = 1
name = "lines"
version = "1"
vehicle = "Test stand"
[framing]
kind = "text"
[packet.state]
apid = 1
fields = [ { name = "n", type = "u8" } ]
"""


def session(dictionary: Dictionary, chunks: list[tuple[float, bytes]]) -> tuple[Pipeline, list[JournalEntry]]:
    """Hear chunks live; the recording must give the same entries."""
    records = [Record(Kind.RECEIVED, n, round(rx_s * NS_PER_S), data) for n, (rx_s, data) in enumerate(chunks)]
    pipeline = Pipeline(dictionary, 0)
    live: list[Output] = [pipeline.take(record) for record in records]
    entries = [entry for output in live for entry in output.entries]
    assert recorded_output(dictionary, records, 0).entries == entries
    return pipeline, entries


def alarms(entries: list[JournalEntry]) -> list[tuple[float, str, str]]:
    return [(e.rx_s, e.severity, e.text) for e in entries if (e.topic, e.key) == ("alarm", "downlink lag")]


def frames(lag_at, seconds: float = 60.0, up_s: float = 10.0) -> list[tuple[float, bytes]]:
    """Return ten frames a second; `lag_at` gives how late each arrives by its second of sending."""
    return [
        (at / 10 + lag_at(at / 10), telemetry(1, at, round((at / 10 + up_s) * 1000), FIELDS))
        for at in range(int(seconds * 10))
    ]


def test_a_lag_that_stays_is_an_alarm_and_its_end_is_told() -> None:
    pipeline, entries = session(SMALL, frames(lambda s: 0.0 if s < 10.0 else 30.0 if s < 20.0 else max(0.0, 50.0 - s)))
    begun, ended = alarms(entries)
    assert begun[0] == pytest.approx(41.0) and begun[1:] == (
        "warning",
        "the downlink lags by 30 s: what arrives is that old",
    )
    assert ended[1:] == ("info", "the downlink is in time again")
    assert pipeline.analysis.lag_s == pytest.approx(0.0, abs=0.01)


def test_a_lag_that_grows_is_told_each_time_it_has_doubled() -> None:
    _, entries = session(SMALL, frames(lambda s: s))
    told = [float(e.body["lag_s"]) for e in entries if (e.topic, e.key) == ("alarm", "downlink lag")]
    assert len(told) == 5 and 2.0 < told[0] < 3.1
    assert all(2.0 * one <= two < 2.5 * one for one, two in zip(told, told[1:], strict=False))


def test_a_moment_held_back_and_then_delivered_at_once_is_no_alarm() -> None:
    _, entries = session(SMALL, frames(lambda s: max(0.0, 22.5 - s) if s >= 20.0 else 0.0))
    assert alarms(entries) == []


def test_what_was_heard_is_older_than_its_arrival() -> None:
    pipeline, _ = session(SMALL, frames(lambda s: 0.0 if s < 10.0 else 30.0))
    assert pipeline.analysis.lag_s == pytest.approx(30.0, abs=0.1)
    assert pipeline.analysis.lag_of(69.9, 89.9) == pytest.approx(30.0, abs=0.1)
    assert pipeline.analysis.lag_of(15.0, 5.0) == pytest.approx(0.0, abs=0.1)


def test_a_restart_begins_a_reference_of_its_own() -> None:
    before = frames(lambda s: 0.0, 20.0)
    after = [(25.0 + rx_s, data) for rx_s, data in frames(lambda s: 0.0, 20.0, up_s=0.3)]
    pipeline, entries = session(SMALL, [*before, (24.99, beat(0, 290, 6)), *after])
    assert alarms(entries) == [] and pipeline.analysis.lag_s == pytest.approx(0.0, abs=0.05)


def test_a_format_without_a_time_has_no_lag() -> None:
    pipeline, entries = session(parse_dictionary(NO_TIME, "lines.toml"), [(float(s), b"%d\n" % s) for s in range(100)])
    assert alarms(entries) == [] and pipeline.analysis.lag_s == 0.0


def test_wild_arrivals_are_the_same_live_and_whole() -> None:
    for seed in range(5):
        rng = random.Random(seed)
        lags = [0.0]
        for _ in range(600):
            lags.append(max(0.0, lags[-1] + rng.choice([0.0, 0.0, 0.09, 0.3, -0.1, -5.0])))
        chunks = sorted(frames(lambda s, lags=lags: lags[round(s * 10)]), key=lambda chunk: chunk[0])
        session(SMALL, chunks)
