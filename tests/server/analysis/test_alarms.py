"""Alarms: ranked, acknowledged by a person for just what was seen, each with cause and advice, one line per cause."""

from __future__ import annotations

import asyncio
import math
import re
import socket
from pathlib import Path

import pytest

from protocol.vehicle import VehicleLink
from server.analysis.alarms import AlarmBoard
from server.analysis.pipeline import recorded_output
from server.analysis.trackers.limits import ADVICE, advice_for
from server.live.station import Station
from server.recording.records import Kind, Record
from server.review.review import open_review
from server.review.summary import summarize
from server.telemetry.journal import JournalEntry
from tests.server.analysis.test_analysis_rules import frames
from tests.server.analysis.test_pipeline import ORIGIN_NS, assert_same, live_output
from tests.server.flights import FACTS, KEY, dictionary, flown
from tests.server.live.test_station import assert_replay_is_what_was_shown, serve, until


def raised(rx_s: float, key: str, severity: str = "caution") -> JournalEntry:
    return JournalEntry(rx_s, rx_s, "alarm", key, severity, f"{key} is wrong", {"state": "raised", "advice": "Look."})


def cleared(rx_s: float, key: str) -> JournalEntry:
    return JournalEntry(rx_s, rx_s, "alarm", key, "info", "", {"state": "cleared"})


def seen(rx_s: float, key: str, raised_rx: float) -> JournalEntry:
    return JournalEntry(rx_s, rx_s, "acknowledged", key, "info", "", {"operator": "Ada 1", "raised_rx": raised_rx})


def board(*entries: JournalEntry) -> list[tuple[str, bool]]:
    told = AlarmBoard()
    told.take(entries)
    return [(alarm.key, alarm.acknowledged is not None) for alarm in told.standing()]


def test_warnings_first_then_what_nobody_has_seen_then_the_newest() -> None:
    entries = [raised(1, "a"), raised(2, "b", "warning"), raised(3, "c"), raised(4, "d", "warning"), raised(5, "e")]
    entries += [seen(6, "d", 4), seen(7, "e", 5)]
    assert board(*entries) == [("b", False), ("d", True), ("c", False), ("a", False), ("e", True)]


def test_what_is_cleared_is_gone_and_a_new_raise_is_not_acknowledged() -> None:
    assert board(raised(1, "a"), seen(2, "a", 1)) == [("a", True)]
    assert board(raised(1, "a"), seen(2, "a", 1), cleared(3, "a")) == []
    assert board(raised(1, "a"), seen(2, "a", 1), cleared(3, "a"), raised(4, "a")) == [("a", False)]
    assert board(raised(1, "a"), seen(2, "a", 1), raised(3, "a", "warning")) == [("a", False)]


def test_an_acknowledgment_that_comes_after_a_new_raise_is_not_of_that() -> None:
    """The person looked at the first; the second came in between."""
    assert board(raised(1, "a"), raised(2, "a", "warning"), seen(3, "a", 1)) == [("a", False)]
    told = AlarmBoard()
    told.take([raised(1, "a"), raised(2, "a", "warning"), raised(3, "b")])
    assert told.to_acknowledge([{"key": "a", "raised_rx": 1}, {"key": "b", "raised_rx": 3}, {"key": "b"}, {}]) == [
        raised(3, "b")
    ]


# ---------------------------------------------------------------- a person, the recording, the replay


def volts(link: VehicleLink, ms: int, volt: float) -> bytes:
    plain = {channel.name: 0.0 for channel in dictionary().packets["power"].channels}
    return link.frame("power", ms, {**plain, "battery_voltage": volt, "battery_current": 0.2, "computer_current": 0.2})


def test_a_person_acknowledges_and_the_replay_shows_the_same(tmp_path: Path) -> None:
    async def what(station: Station, listener: socket.socket) -> None:
        peer, _ = await asyncio.to_thread(listener.accept)
        await until(lambda: station.link_state()["state"] == "waiting")
        link = VehicleLink(dictionary(), KEY, 3)
        peer.sendall(b"".join(volts(link, 500 * i, 6.9) for i in range(4)))
        await until(lambda: station.alarms.standing())
        (alarm,) = station.alarms.standing()
        stands = {"key": alarm.key, "raised_rx": alarm.entry.rx_s}
        assert not station.acknowledge("Ada 1", [{**stands, "raised_rx": 0.5}]).ok, "another raise than the one seen"
        for nonsense in (None, "all", {}, [1, None, {}], [{"key": {}, "raised_rx": []}]):
            assert not station.acknowledge("Ada 1", nonsense).ok
        assert station.acknowledge("Ada 1", [stands]).ok
        await until(lambda: station.alarms.standing()[0].acknowledged is not None)
        assert not station.acknowledge("Ada 1", [stands]).ok, "once is enough"
        peer.sendall(b"".join(volts(link, 2000 + 500 * i, 6.5) for i in range(4)))
        await until(lambda: station.alarms.standing()[0].entry.severity == "warning")
        assert station.alarms.standing()[0].acknowledged is None, "it became worse"
        peer.close()

    station, path = serve(what, tmp_path)
    assert_replay_is_what_was_shown(station, path)
    replayed = AlarmBoard()
    replayed.take(open_review(path).output.entries)
    assert replayed.standing() == station.alarms.standing()
    caution, warning = summarize(open_review(path))["alarms"][:2]
    assert caution["acknowledged_by"] == "Ada 1" and "acknowledged_by" not in warning


# ---------------------------------------------------------------- each line carries cause and advice; one per cause


@pytest.mark.parametrize("scenario", ["loose-cable", "bad-number", "drifting-imu", "tired-battery"])
def test_every_alarm_of_the_demonstration_flights_says_what_to_do(scenario: str) -> None:
    output = recorded_output(dictionary(), flown(scenario).records(ORIGIN_NS), ORIGIN_NS)  # in one go: live gives the same
    alarms = [e for e in output.entries if e.topic == "alarm"]
    up = [e for e in alarms if e.body["state"] == "raised"]
    assert all(e.text and str(e.body["advice"]).endswith(".") for e in up)
    assert len({e.key for e in up}) == len(up), "one line per cause"


def test_every_raise_in_the_source_carries_advice() -> None:
    """Whoever adds an alarm writes down what to do about it."""
    server = Path(__file__).resolve().parents[3] / "server"
    places = [path for path in server.rglob("*.py") if path.name not in ("alarms.py", "summary.py")]
    found = [(path.name, line) for path in places for line in path.read_text("utf-8").splitlines() if '"raised"' in line]
    lacking = [item for item in found if re.search(r'"state": (state|"raised")', item[1]) and '"advice"' not in item[1]]
    assert len(found) > 6 and lacking == []


def test_every_limit_has_its_advice_and_a_channel_without_a_role_too() -> None:
    limited = [c for packet in dictionary().packets.values() for c in packet.channels if c.limits]
    assert limited and all(advice_for(c.role) != ADVICE[-1][1] for c in limited)
    assert advice_for(None) == advice_for("something.else") == ADVICE[-1][1]


def test_frames_that_are_no_numbers_are_one_alarm_until_ten_good_seconds() -> None:
    bad = {100, 150, 1000, 9000, 30_000}  # ms
    told = [("navigation", ms, {"q_w": math.nan if ms in bad else 1.0}) for ms in range(0, 45_000, 50)]
    output = frames(told)
    alarms = [(e.body["state"], round(e.t, 2)) for e in output.entries if (e.topic, e.key) == ("alarm", "nonfinite")]
    assert alarms == [("raised", 0.1), ("cleared", 19.0), ("raised", 30.0), ("cleared", 40.0)]
    assert sum(e.topic == "health" for e in output.entries) == len(bad)


def test_a_battery_that_was_changed_takes_its_alarm_along() -> None:
    links = VehicleLink(dictionary(), KEY, 3), VehicleLink(dictionary(), KEY, 4)
    stream = b"".join(volts(links[0], 500 * i, 6.2) for i in range(30))
    stream += links[1].frame("startup", 10, {"boot_id": 4, "dictionary_hash": dictionary().hash32, "firmware": "x"})
    stream += b"".join(volts(links[1], 500 * i, 8.3) for i in range(1, 30))
    records = [Record(Kind.RECEIVED, i, ORIGIN_NS, stream[i : i + 7]) for i in range(0, len(stream), 7)]
    live = live_output(dictionary(), records, FACTS)
    assert_same(live, recorded_output(dictionary(), records, ORIGIN_NS, FACTS))
    assert [e.body["state"] for e in live.entries if e.key == "flight reserve"] == ["raised", "cleared"]
