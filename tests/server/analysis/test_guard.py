"""The firmware's own guard: a fallback of milliseconds is told by its count, live and recorded alike."""

from __future__ import annotations

from protocol.dictionary_file import parse_dictionary
from protocol.vehicle import VehicleLink
from server.analysis.figures.control import GuardFigure
from server.analysis.figures.figure import Figures
from server.analysis.findings.control import guard_acted
from server.analysis.pipeline import recorded_output
from server.recording.records import Kind, Record
from tests.protocol.helpers import HEAD
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output

DICTIONARY = parse_dictionary(
    HEAD
    + """
[packet.health]
apid = 1
rate_hz = 10
fields = [
  { name = "held", type = "u16", role = "guard.count" },
  { name = "first", type = "u32", unit = "ms", role = "guard.first_time" },
  { name = "part", type = "u8", values = ["none", "attitude", "velocity"], role = "guard.component" },
]
"""
)


def records_of(told: list[tuple[int, float, int]]) -> list[Record]:
    link = VehicleLink(DICTIONARY, bytes(32), 1)
    values = [dict(zip(("held", "first", "part"), one, strict=True)) for one in told]
    return [
        Record(Kind.RECEIVED, i, ORIGIN_NS + 100_000_000 * i, link.frame("health", 100 * i, one))
        for i, one in enumerate(values, start=1)
    ]


def test_each_growth_of_the_count_is_an_alarm_and_a_fresh_start_clears_it() -> None:
    records = records_of([(0, 0.0, 0), (0, 0.0, 0), (1, 12.345, 1), (1, 12.345, 1), (3, 12.345, 2), (0, 0.0, 0)])
    whole = recorded_output(DICTIONARY, records, ORIGIN_NS)
    assert_same(live_output(DICTIONARY, records), whole)
    alarms = [(entry.body["state"], entry.severity, entry.text) for entry in whole.entries if entry.topic == "alarm"]
    fell = "the firmware fell back to its last valid state"
    assert alarms == [
        ("raised", "warning", f"{fell} once (attitude), first at vehicle time 12.345 s"),
        ("raised", "warning", f"{fell} 3 times (velocity), first at vehicle time 12.345 s"),
        ("cleared", "info", "the vehicle's guard has not acted since its start"),
    ]


def test_a_guard_that_never_acted_says_nothing() -> None:
    entries = recorded_output(DICTIONARY, records_of([(0, 0.0, 0)] * 5), ORIGIN_NS).entries
    assert not [entry for entry in entries if entry.topic in ("alarm", "figure")]


def test_the_finding_tells_what_and_when() -> None:
    figures = Figures()
    assert guard_acted(figures, {}) is None
    figures.put(GuardFigure(t=3.0, count=2, first_time_s=None, component=None))
    found = guard_acted(figures, {})
    assert found is not None and (found.key, found.t) == ("guard_acted", 3.0)
    assert found.text == "the firmware fell back to its last valid state 2 times"
