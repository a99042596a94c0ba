"""The one gate: order, numbering, one wake-up, and what is dropped from the display but never from the recording."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

import server.live.record_gate
from server.live.record_gate import RecordGate
from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind
from server.recording.session_file import open_session
from tests.server.recording.sessions import header_for


@pytest.fixture
def recorder(tmp_path: Path) -> Recorder:
    clock = FakeClock()
    return Recorder(tmp_path, "intake", header_for(clock), clock=clock)


def test_file_and_pipeline_see_the_same_order_from_many_threads(recorder: Recorder) -> None:
    intake = RecordGate(recorder, lambda: None)

    def put(thread: int) -> None:
        for i in range(300):
            if i % 7:
                intake.put(Kind.RECEIVED, i, bytes([thread, i % 256]))
            else:
                intake.put(Kind.MARK, i, {"key": f"{thread} {i}"})

    threads = [threading.Thread(target=put, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    shown = intake.drain()
    session = open_session(recorder.close())
    notes = {Kind.RECEIVED, Kind.MARK}
    assert [(r.kind, r.sequence, r.payload) for r in session.records if r.kind in notes] == [
        (r.kind, r.sequence, r.payload) for r in shown
    ]
    assert len(shown) == 1200 and intake.dropped == 0


def test_one_wake_up_until_it_is_drained(recorder: Recorder) -> None:
    woken: list[int] = []
    intake = RecordGate(recorder, lambda: woken.append(1))
    for i in range(10):
        intake.put(Kind.RECEIVED, i, b"x")
    assert len(woken) == 1 and len(intake.drain()) == 10
    intake.put(Kind.RECEIVED, 11, b"x")
    assert len(woken) == 2 and len(intake.drain()) == 1 and intake.drain() == []
    recorder.close()


def test_a_stuck_event_loop_costs_the_display_not_the_recording(recorder: Recorder, monkeypatch) -> None:
    monkeypatch.setattr(server.live.record_gate, "WAITING_AT_MOST", 100)
    intake = RecordGate(recorder, lambda: None)
    for i in range(250):
        intake.put(Kind.RECEIVED, i, i.to_bytes(2, "big"))
    shown = intake.drain()
    assert intake.dropped == 150
    assert [r.payload for r in shown] == [i.to_bytes(2, "big") for i in range(150, 250)]
    kept = [r.payload for r in open_session(recorder.close()).records if r.kind == Kind.RECEIVED]
    assert len(kept) == 250


def test_after_the_recording_was_closed_it_only_hands_on(recorder: Recorder) -> None:
    intake = RecordGate(recorder, lambda: None)
    recorder.close()
    intake.put(Kind.RECEIVED, 5, b"late")
    assert [(r.sequence, r.payload) for r in intake.drain()] == [(-1, b"late")]


def test_what_does_not_fit_is_refused_before_anything_is_queued(recorder: Recorder) -> None:
    intake = RecordGate(recorder, lambda: None)
    with pytest.raises(TypeError):
        intake.put(Kind.RECEIVED, 1, {"a": 1})
    assert intake.drain() == []
    recorder.close()


class Counted:
    """A number that counts how often it was turned into JSON."""

    times = 0

    def item(self) -> float:
        """Return the number, as numpy's scalars do."""
        self.times += 1
        return 1.5


def test_a_note_is_encoded_once_for_the_file_and_the_display(recorder: Recorder) -> None:
    intake, number = RecordGate(recorder, lambda: None), Counted()
    intake.put(Kind.NOTE, 1, {"body": number})
    assert number.times == 1
    (shown,) = intake.drain()
    (kept,) = [record for record in open_session(recorder.close()).records if record.kind == Kind.NOTE]
    assert kept.payload == shown.payload == b'{"body":1.5}'
