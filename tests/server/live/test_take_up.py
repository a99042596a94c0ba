"""A station whose own code raises: at what an earlier part of the session holds, or at every batch it hears."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

from server.analysis.pipeline import Pipeline
from server.analysis.trackers.downlink import DownlinkTracker
from server.analysis.trackers.state_vector import StateVectorTracker
from server.live.station import Station
from server.recording.clock import SystemClock
from server.recording.records import Kind, encode_payload, pack_record
from server.recording.segment import PackedRecord, create_segment
from server.recording.session_file import open_session
from server.recording.session_header import Software, make_header
from server.recording.storage import PosixStorage
from server.review.report import report_html
from server.review.review import open_review
from server.review.summary import summarize
from tests.server.flights import dictionary, flown
from tests.server.live.test_station import assert_replay_is_what_was_shown, make_station, serve, until
from tests.server.recording.sessions import bytes_of

NOBODY_THERE = "socket://127.0.0.1:9"
CHUNKS = [chunk for t, chunk in flown().chunks if t < 4.0]


def raises(*_: object) -> None:
    raise ZeroDivisionError("on purpose")


def killed(folder: Path, notes: Sequence[tuple[Kind, Mapping[str, object]]] = ()) -> Path:
    """Leave behind what a killed station leaves: what it heard and `notes`, and no CLOSE."""
    clock = SystemClock()
    header = make_header(
        clock,
        software=Software("0.1"),
        dictionary=dictionary().text,
        vehicle={"name": "V"},
        site={"temperature_k": 291.0},
        source=NOBODY_THERE,
    )
    (folder / "sessions").mkdir()
    segment, _ = create_segment(PosixStorage(), folder / "sessions", "earlier", header, sequence=0)
    records = [*[(Kind.RECEIVED, chunk) for chunk in CHUNKS], *[(kind, encode_payload(kind, note)) for kind, note in notes]]
    for sequence, (kind, payload) in enumerate(records, 1):
        mono_ns = clock.monotonic_ns()
        data = pack_record(kind, header.salt, sequence, mono_ns, payload)
        segment.write([PackedRecord(kind, sequence, mono_ns, data)])
    segment.close()
    return segment.path


def started_and_stopped(folder: Path) -> tuple[Station, Path]:
    """Let a station begin where the killed one was, and close it."""

    async def go() -> tuple[Station, Path]:
        station = make_station(folder, NOBODY_THERE)
        await station.start()
        await until(lambda: station.store.latest("battery.voltage") is not None or station.header.part == 1)
        await asyncio.sleep(0.1)
        return station, await station.stop()

    return asyncio.run(go())


def waiting(id: str) -> tuple[Kind, dict[str, object]]:
    """Return the note of a confirmed command that waits to be sent."""
    body = {"id": id, "title": "Release firing board", "args_text": "", "operator": "Ada 1", "state": "queued"}
    return Kind.OUTCOME, {"key": id, "severity": "info", "text": "", "body": body}


def told(station: Station, topic: str) -> list[tuple[object, object]]:
    """Return (key, text) of every entry of a topic that was shown."""
    return [(entry["key"], entry["text"]) for entry in station.store.journal if entry["topic"] == topic]


def link_states(station: Station) -> list[str]:
    """Every state of the link that was shown: between two looks of a busy machine it may be open again."""
    return [entry["body"]["state"] for entry in station.store.journal if entry["topic"] == "link"]


def test_a_session_at_which_a_tracker_raises_is_taken_up_without_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    killed(tmp_path)
    monkeypatch.setattr(StateVectorTracker, "take", raises)
    station, path = started_and_stopped(tmp_path)
    assert path.name == "earlier~2.pcapng"
    fault = "the state vector can no longer be watched: ZeroDivisionError: on purpose"
    assert told(station, "fault") == [("tracker state", fault)]
    assert_replay_is_what_was_shown(station, path)


def test_a_session_that_cannot_be_taken_up_is_closed_and_another_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    killed(tmp_path)
    monkeypatch.setattr(Pipeline, "take_up", raises)
    station, path = started_and_stopped(tmp_path)
    assert "earlier" not in path.name and station.header.part == 1
    said = "what earlier~2.pcapng goes on with could not be taken up (ZeroDivisionError): this is a new session"
    assert told(station, "note") == [("take_up", said)]
    assert [record.exc_info is not None for record in caplog.records if record.getMessage() == said] == [True]
    assert all(entry["body"]["file"] == path.name for entry in station.store.journal if entry["topic"] == "recording")
    assert_replay_is_what_was_shown(station, path)
    old = open_session(path.parent / "earlier.pcapng")
    assert bytes_of(old) == CHUNKS and not old.damage


def test_what_may_have_left_before_the_kill_is_unknown_though_no_note_says_that_it_left(tmp_path: Path) -> None:
    """I3, I11: the intent is on the disk before the first byte leaves, "sent" is not. Seen with a slow disk: the board was
    released, and shown as "dropped before sending"."""
    killed(tmp_path, [waiting("c1"), waiting("c2"), (Kind.INTENT, {"id": "c2", "command": "board_release"})])
    station, _ = started_and_stopped(tmp_path)
    states = {str(e["key"]): e["body"]["state"] for e in station.store.journal if e["topic"] == "command"}
    assert states == {"c1": "abandoned", "c2": "unknown"}


def test_a_tracker_that_raises_at_every_batch_costs_its_own_results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(DownlinkTracker, "take", raises)

    async def what(station: Station, listener: object) -> None:
        peer, _ = await asyncio.to_thread(listener.accept)  # type: ignore[attr-defined]
        await until(lambda: station.link_state()["state"] == "waiting")  # a port being opened drops what it had heard
        for chunk in CHUNKS:
            peer.sendall(chunk)
            await asyncio.sleep(0)
        await until(lambda: station.store.latest("battery.voltage") is not None)
        assert station.link_state()["state"] == "up"
        assert station.reading("ground.link_loss", station.now_s()) is None, "a count that stands still is no count"
        await until(lambda: station.recording_state()["bytes"] > sum(map(len, CHUNKS)))
        peer.close()
        await until(lambda: "closed" in link_states(station)[link_states(station).index("up") :])

    station, path = serve(what, tmp_path)
    fault = "the downlink can no longer be counted: ZeroDivisionError: on purpose"
    assert told(station, "fault") == [("tracker downlink", fault)]
    assert b"".join(bytes_of(open_session(path))) == b"".join(CHUNKS)
    assert_replay_is_what_was_shown(station, path)
    review = open_review(path)
    assert [one["text"] for one in summarize(review)["faults"]] == [fault]
    assert fault in report_html(review)
    assert json.loads(json.dumps(summarize(review)["faults"])) == summarize(review)["faults"]
