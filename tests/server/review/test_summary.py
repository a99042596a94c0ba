"""A session in numbers: what the twin really did, within what the ground can know."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from protocol.vehicle import VehicleLink
from server.cli.paper import plain_lines
from server.cli.summary import summary_blocks
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.review.report import report_html
from server.review.review import Review, open_review
from server.review.summary import summarize, summary_json
from server.telemetry.journal import JournalEntry
from tests.server.flights import KEY, Flight, dictionary, flown, recorded
from tests.server.recording.sessions import header_for


def summary_of(folder: Path, flight: Flight, **options: object) -> dict:
    return summarize(open_review(recorded(folder, flight, **options)))


def noted(folder: Path, *notes: tuple[int, dict]) -> Review:
    """A session of notes alone."""
    clock = FakeClock()
    recorder = Recorder(folder, "notes", header_for(clock, dictionary().text), clock=clock)
    for kind, note in notes:
        clock.advance(1)
        recorder.append(kind, clock.monotonic_ns(), note)
    return open_review(recorder.close())


@pytest.mark.parametrize(
    ("scenario", "seed"), [("calm", 1), ("calm", 2), ("thin-link", 1), ("bad-number", 1), ("gusty-rail", 1)]
)
def test_agrees_with_the_truth(tmp_path: Path, scenario: str, seed: int) -> None:
    flight = flown(scenario, seed)
    summary, truth = summary_of(tmp_path, flight), flight.truth
    thin_s = 0.6 if scenario == "thin-link" else 0.0
    assert summary["apogee"]["height_m"] == pytest.approx(truth["apogee_m"], rel=0.01)
    assert summary["apogee"]["t"] == pytest.approx(truth["apogee_s"], abs=0.15)
    assert summary["lift_off_t"] == pytest.approx(truth["liftoff_s"], abs=0.1 + thin_s)
    assert summary["burnout"]["t"] == pytest.approx(truth["burnout_s"], abs=0.1 + thin_s)
    assert summary["deployment_t"] == pytest.approx(truth["deployment_s"], abs=0.2 + thin_s)
    assert summary["control_enabled_t"] == pytest.approx(truth["control_enabled_s"], abs=0.2 + thin_s)
    assert summary["landing_t"] == pytest.approx(truth["landing_s"], abs=2.0)
    assert summary["greatest_speed_m_s"] == pytest.approx(truth["max_speed_m_s"], rel=0.05)
    assert summary["greatest_tilt_deg"] == pytest.approx(truth["max_tilt_deg_before_apogee"], abs=6.0)
    assert summary["nonfinite_frames"] == truth["nonfinite_frames"] == len(summary["nonfinite"])
    # A gap shows only when a later packet of its type is heard, so what was lost at the very end stays unknown.
    unheard = truth["downlink_frames_sent"] - sum(summary["packets"].values()) - summary["lost"]
    assert 0 <= unheard <= 40 and summary["lost"] <= truth["downlink_frames_lost"] + summary["damaged"]
    assert [p["phase"] for p in summary["phases"]][-4:] == ["boost", "coast", "descent", "landed"]
    assert summary["vehicle_phases"][-1]["phase"] == truth["phase"] == "landed"
    assert (summary["vehicle"], summary["restarts"], summary["closed"]) == ("Sandpiper", 0, True)
    assert summary["marks"] == [{"t": pytest.approx(flight.chunks[-1][0] / 2, abs=2.0), "text": "half way"}]


def test_duration_name_and_date_are_those_of_the_recording(tmp_path: Path) -> None:
    flight = flown("calm")
    summary = summary_of(tmp_path, flight)
    assert summary["duration_s"] == pytest.approx(flight.chunks[-1][0], abs=0.001)
    assert summary["utc"] == "2025-06-15T15:06:40+00:00"
    assert (summary["session"], summary["parts"], summary["damage"]) == ("flight", ["flight.pcapng"], [])


def test_damage_of_the_link_is_counted_to_the_last_frame(tmp_path: Path) -> None:
    """The link table ends with the last whole second; the summary must not."""
    link = VehicleLink(dictionary(), KEY, 1)
    values = {c.name: 0.0 for c in dictionary().packets["power"].channels}
    frames = [link.frame("power", i * 500, values) for i in range(8)]
    heard = [frames[0], frames[1], frames[1], b"\x05bad\0", frames[5], b"y" * 900 + b"\0"]
    summary = summary_of(tmp_path, Flight(tuple((0.01 * i, frame) for i, frame in enumerate(heard)), {}))
    assert (summary["packets"], summary["lost"], summary["repeated"], summary["damaged"]) == ({"power": 3}, 3, 1, 2)


def test_a_session_without_a_flight_has_no_moments(tmp_path: Path) -> None:
    summary = summarize(noted(tmp_path))
    for name in ("apogee", "burnout", "lift_off_t", "landing_t", "deployment_t", "greatest_speed_m_s", "greatest_tilt_deg"):
        assert summary[name] is None, name
    assert (summary["packets"], summary["phases"], summary["nonfinite_frames"]) == ({}, [], 0)
    lines = printed(summary)
    assert "  Flight             no lift-off was seen" in lines or any("no height" in line for line in lines)
    assert not any("apogee" in line for line in lines)


def test_control_that_came_and_went_is_dated_by_its_first_beginning(tmp_path: Path) -> None:
    link = VehicleLink(dictionary(), KEY, 1)
    zeros = {c.name: 0.0 for c in dictionary().packets["control"].channels}
    chunks = [(i * 0.1, link.frame("control", i * 100, {**zeros, "enabled": e})) for i, e in enumerate([0, 0, 1, 0, 1, 0])]
    assert summary_of(tmp_path, Flight(tuple(chunks), {}))["control_enabled_t"] == pytest.approx(0.2)


def test_a_command_is_told_by_its_last_view_in_the_order_asked_for(tmp_path: Path) -> None:
    def view(key: str, state: str) -> tuple[int, dict]:
        return Kind.OUTCOME, {"key": key, "text": state, "body": {"id": key, "state": state, "more": 1}}

    review = noted(tmp_path, view("c1", "sent"), view("c2", "sent"), view("c1", "verified"), view("c2", "unknown"))
    commands = summarize(review)["commands"]
    assert [(c["id"], c["state"]) for c in commands] == [("c1", "verified"), ("c2", "unknown")]
    assert "more" not in commands[0] and commands[0]["operator"] is None


def test_alarms_are_those_that_were_raised(tmp_path: Path) -> None:
    raised = {"key": "a", "severity": "warning", "text": "battery low", "body": {"state": "raised"}}
    cleared = {"key": "a", "severity": "info", "text": "battery fine", "body": {"state": "cleared"}}
    summary = summarize(noted(tmp_path, (Kind.ALARM, raised), (Kind.ALARM, cleared)))
    assert [(a["text"], a["severity"]) for a in summary["alarms"]] == [("battery low", "warning")]


def printed(summary: dict) -> list[str]:
    """Return the lines that a pipe gets of a summary."""
    return list(plain_lines(summary_blocks(summary, {})))


class Reading:
    """Counts how often the topic of an entry is read; all of a summary's walks over the journal begin with it."""

    reads = 0

    def __init__(self, entry: JournalEntry) -> None:
        self._entry = entry

    def __getattr__(self, name: str) -> object:
        Reading.reads += name == "topic"
        return getattr(self._entry, name)


def babbled(alarms: int) -> list[JournalEntry]:
    """A journal of alarms that come and go, each seen by somebody, and an event with each."""
    out: list[JournalEntry] = []
    for number in range(alarms):
        at, key = float(number), f"limit power.p{number % 7}"
        out += [
            JournalEntry(at, at, "alarm", key, "warning", "battery low", {"state": "raised"}),
            JournalEntry(at, at, "event", f"e{number}", "info", "babble"),
            JournalEntry(at + 0.1, at, "acknowledged", key, "info", "", {"raised_rx": at, "operator": f"Ada {number}"}),
            JournalEntry(at + 0.2, at, "alarm", key, "info", "battery fine", {"state": "cleared"}),
        ]
    return out


def test_a_babbling_vehicles_alarms_are_walked_through_in_proportion(tmp_path: Path) -> None:
    """1 375 alarms took 15 s: each looked for its acknowledgment through the whole journal."""
    review = noted(tmp_path)
    reads = {}
    for alarms in (1000, 4000):
        entries = [Reading(entry) for entry in babbled(alarms)]
        Reading.reads = 0
        summary = summarize(replace(review, output=replace(review.output, entries=entries)))
        reads[alarms] = Reading.reads
        assert [a["acknowledged_by"] for a in summary["alarms"]] == [f"Ada {n}" for n in range(alarms)]
    print(f"topics read: {reads}")
    assert reads[4000] <= 4.1 * reads[1000]


def test_an_acknowledgment_belongs_to_the_raise_it_names_and_the_first_counts(tmp_path: Path) -> None:
    def at(rx_s: float, topic: str, **body: object) -> JournalEntry:
        return JournalEntry(rx_s, rx_s, topic, "a", "warning", "low", body)

    entries = [
        at(1.0, "alarm", state="raised"),
        at(2.0, "acknowledged", raised_rx=1.0, operator="Ada 1"),
        at(3.0, "acknowledged", raised_rx=1, operator="Ada 2"),
        at(4.0, "acknowledged", raised_rx=[1.0]),
        at(5.0, "alarm", state="raised"),
        at(6.0, "acknowledged", raised_rx=99.0, operator="Ada 3"),
    ]
    review = noted(tmp_path)
    alarms = summarize(replace(review, output=replace(review.output, entries=entries)))["alarms"]
    assert [(a.get("acknowledged_by"), a.get("acknowledged_t")) for a in alarms] == [("Ada 1", 2.0), (None, None)]


def test_json_is_json_whatever_a_note_holds(tmp_path: Path) -> None:
    """JSON has no NaN; Python's writer would print one, and no other reader would take it."""
    nasty = {"key": "c1", "body": {"id": "c1", "state": "sent", "missing": ["inf"], "sends": 1}}
    review = noted(tmp_path, (Kind.OUTCOME, nasty), (Kind.MARK, {"text": "</script>\u2028\x00"}))
    text = summary_json({**summarize(review), "bad": [math.nan, {"x": -math.inf}]})

    def refuse(name: str) -> None:
        raise AssertionError(name)

    read = json.loads(text, parse_constant=refuse)
    assert read["bad"] == ["nan", {"x": "-inf"}]
    assert read["marks"][0]["text"] == "</script>\u2028\x00"


def test_lines_for_a_terminal(tmp_path: Path) -> None:
    summary = summary_of(tmp_path, flown("calm"))
    lines = printed(summary)
    assert lines[0] == summary["session"] and lines[1].startswith("Sandpiper, ") and lines[2].startswith("recording whole, ")
    moments = [line.strip() for line in lines[: lines.index("Findings")] if re.match("  T[+\N{MINUS SIGN}]", line)]
    words = ("lift-off", "off the rail", "burnout", "control enabled", "apogee", "deployment", "landed")
    assert [next(word for word in words if word in moment) for moment in moments] == list(words)
    seconds = [float(moment[1:].split()[0]) for moment in moments]
    assert seconds == sorted(seconds), "events once and in order"
    assert not any("{" in line or "[" in line or re.search(r"[a-z]_[a-z]", line) for line in lines), "no internal name"
    assert not any(re.search(r"\d deg|degrees|\+-| -\d", line) for line in lines), "one spelling"
    spot = re.search(r"landed (\d+ m from the pad at \d{3}\N{DEGREE SIGN}, within \d+ m)", "\n".join(lines))
    assert any(line.startswith(f"  Where it lies  {spot[1]} (95 %)") for line in lines), "one place of landing"


@pytest.mark.parametrize("topic", [None, 3, True, "moment", [], {"x": 1}])
def test_a_topic_of_any_shape_claims_nothing(tmp_path: Path, topic: object) -> None:
    summary = summarize(noted(tmp_path, (Kind.MARK, {"topic": topic, "key": "k", "text": "a mark"})))
    assert [mark["text"] for mark in summary["marks"]] == ["a mark"]


@pytest.mark.parametrize("name", ["title", "id", "state", "text"])
def test_hostile_notes_make_no_summary_fall(tmp_path: Path, name: str) -> None:
    """Fault 44: a crafted recording may hold notes of any shape."""
    shapes: list[object] = [None, 3, [], {"x": {}}, "<img src=x>", True]
    kinds = (Kind.OUTCOME, Kind.ALARM, Kind.MARK, Kind.ACT, Kind.LINK, Kind.NOTE)
    notes = [
        (kind, {"key": value, "text": value, "severity": value, "body": {name: value}}) for value in shapes for kind in kinds
    ]
    own = ("moment", "phase", "health", "restart")
    notes += [(Kind.NOTE, {"topic": topic, "key": "apogee", "body": {}}) for topic in own]
    summary = summarize(noted(tmp_path, *notes))
    assert summary["apogee"] is None and summary["nonfinite_frames"] == 0 and summary["restarts"] == 0
    json.loads(summary_json(summary))
    assert printed(summary)


def test_a_review_is_not_changed_by_summing_it_up(tmp_path: Path) -> None:
    review = open_review(recorded(tmp_path, flown("calm")))
    before = repr(replace(review).output.entries)
    assert summarize(review) == summarize(review)
    assert repr(review.output.entries) == before


def test_a_link_lost_under_canopy_is_told_as_forecast_first_and_last_point_second(tmp_path: Path) -> None:
    """The recording ends in the air: the summary and its report say where it will lie, then what was heard last."""
    flight = flown("calm", 1)
    lost_s = flight.truth["deployment_s"] + 0.6 * (flight.truth["landing_s"] - flight.truth["deployment_s"])
    cut = replace(flight, chunks=[chunk for chunk in flight.chunks if chunk[0] < lost_s])
    review = open_review(recorded(tmp_path, cut))
    summary = summarize(review)
    assert summary["landing_t"] is None
    away = r"\d+ m from the pad, bearing \d{3} deg"
    assert re.fullmatch(rf"{away}, within \d+ m \(95 %\): predicted by its drift .*, from \d+ m up", summary["whereabouts"])
    assert re.fullmatch(rf"{away}, \d+ m up", summary["last_heard"])
    told = "\n".join(printed(summary))
    (lies,) = re.findall(r"Where it lies  (.*)", told)
    (last,) = re.findall(r"Last heard     (.*)", told)
    figures = [re.findall(r"\d+", text) for text in (lies, summary["whereabouts"])]
    assert figures[0] == figures[1] and re.findall(r"\d+", last) == re.findall(r"\d+", summary["last_heard"])
    html = report_html(review)
    assert lies in html and last in html, "the report has the same words"

    whole = summary_of(tmp_path, flight)
    assert whole["whereabouts"].endswith("heard there after it had landed") and "last_heard" not in whole
