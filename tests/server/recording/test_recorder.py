"""The recorder at work, and with a disk that fails in every way at every moment."""

from __future__ import annotations

import logging
import shutil
import threading
from pathlib import Path

import pytest

from server.recording.clock import FakeClock, SystemClock
from server.recording.pcapng import packets
from server.recording.recorder import Recorder
from server.recording.recorder_state import RecorderFailed
from server.recording.records import MAX_PAYLOAD, Kind
from server.recording.session_file import open_session
from server.recording.storage import PosixStorage, claim
from tests.server.recording.sessions import FaultyStorage, StateLog, bytes_of, header_for

CLOCK = SystemClock()


def start(folder: Path, clock: FakeClock | SystemClock = CLOCK, **options: object) -> Recorder:
    return Recorder(folder, "flight", header_for(clock), clock=clock, **options)  # type: ignore[arg-type]


def put(recorder: Recorder, *payloads: bytes) -> list[int]:
    return [recorder.append(Kind.RECEIVED, CLOCK.monotonic_ns(), payload) for payload in payloads]


def numbers(low: int, high: int) -> list[bytes]:
    return [b"%06d" % number for number in range(low, high)]


# ---- a disk that works ------------------------------------------------------------------------------


def test_everything_appended_is_in_the_file(tmp_path: Path) -> None:
    log = StateLog()
    recorder = start(tmp_path / "made" / "here", on_state=log)
    sequences = put(recorder, *numbers(0, 100))
    assert recorder.append_synced(Kind.INTENT, 7, {"command": "camera_2_on"}) == sequences[-1] + 1
    assert recorder.state.state == "recording"
    assert recorder.state.sentence == "Recording to flight.pcapng."
    path = recorder.close()
    session = open_session(path)
    assert path == tmp_path / "made" / "here" / "flight.pcapng" == recorder.state.path
    assert bytes_of(session) == numbers(0, 100)
    assert session.records.sequences.tolist() == list(range(103))
    assert (session.closed, session.missing, session.damage) == (True, 0, ())
    assert session.records[101].note() == {"command": "camera_2_on"} and session.records[101].mono_ns == 7
    assert recorder.state.bytes_written == path.stat().st_size
    assert (recorder.state.backlog, recorder.state.dropped) == (0, 0)
    assert log.states == ["recording", "closed"]
    assert log.sentences == ["Recording to flight.pcapng.", "Recording closed: flight.pcapng."]


def test_a_synced_record_has_been_flushed_before_the_call_returns(tmp_path: Path) -> None:
    """The disk's own order of operations is the witness."""
    storage = FaultyStorage()
    recorder = start(tmp_path, storage=storage, sync_interval_s=1000)
    recorder.append_synced(Kind.INTENT, 0, {})
    assert storage.operations == ["create", "write", "sync_created", "write", "sync_data"]
    assert open_session(recorder.state.path).records[-1].kind == Kind.INTENT
    recorder.close()


def test_flushes_are_paced_by_the_clock(tmp_path: Path) -> None:
    """A standing clock: plain records are written at once but flushed only when the interval has passed."""

    class Watched(FaultyStorage):
        wrote, flushed = threading.Event(), threading.Event()

        def write(self, descriptor: int, data: bytes) -> int:
            taken = super().write(descriptor, data)
            self.wrote.set()
            return taken

        def sync_data(self, descriptor: int) -> None:
            super().sync_data(descriptor)
            self.flushed.set()

    clock, storage = FakeClock(), Watched()
    recorder = start(tmp_path, clock, storage=storage, sync_interval_s=0.02)
    storage.wrote.clear()
    put(recorder, b"one")
    assert storage.wrote.wait(10)
    assert not storage.flushed.wait(0.1)
    assert recorder.state.backlog == 1
    clock.advance(0.02)
    assert storage.flushed.wait(10)
    recorder.close()


def test_names_and_sequence_are_safe_under_many_threads(tmp_path: Path) -> None:
    recorder = start(tmp_path)

    def work(worker: int) -> None:
        for step in range(400):
            put(recorder, b"%d:%d" % (worker, step))

    threads = [threading.Thread(target=work, args=(worker,)) for worker in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    session = open_session(recorder.close())
    assert len(bytes_of(session)) == 1600 and session.missing == 0
    for worker in range(4):
        mine = [payload for payload in bytes_of(session) if payload.startswith(b"%d:" % worker)]
        assert mine == [b"%d:%d" % (worker, step) for step in range(400)]


def test_nothing_is_ever_overwritten(tmp_path: Path) -> None:
    one, two = start(tmp_path), start(tmp_path)
    put(one, b"one")
    put(two, b"two")
    paths = one.close(), two.close()
    assert [path.name for path in paths] == ["flight.pcapng", "flight-2.pcapng"]
    assert [bytes_of(open_session(path)) for path in paths] == [[b"one"], [b"two"]]


def test_the_file_is_locked_while_it_is_written(tmp_path: Path) -> None:
    recorder = start(tmp_path)
    assert claim(recorder.state.path) is None
    recorder.close()
    with PosixStorageLock(recorder.state.path) as lock:
        assert lock is not None


class PosixStorageLock:
    """Claims a file for the length of a with block."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> int | None:
        self._lock = claim(self._path)
        return self._lock

    def __exit__(self, *_: object) -> None:
        if self._lock is not None:
            PosixStorage().close(self._lock)


def test_a_stepped_wall_clock_does_not_disorder_the_file(tmp_path: Path) -> None:
    clock = FakeClock()
    recorder = start(tmp_path, clock)
    for step_s in (0, -3600, 7200):
        clock.step_wall(step_s)
        clock.advance(1)
        recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"x")
    stamps = [packet.timestamp_ns for packet in packets(recorder.close().read_bytes())][2:]
    first = FakeClock().wall_ns()
    assert stamps == [first + second * 10**9 for second in (1, 2, 3, 3)]


def test_copies_made_while_recording_open(tmp_path: Path) -> None:
    recorder = start(tmp_path, sync_interval_s=0.005)
    expected = numbers(0, 4000)
    feeder = threading.Thread(target=lambda: put(recorder, *expected))
    feeder.start()
    for number in range(20):
        copy = Path(shutil.copy(recorder.state.path, tmp_path / f"copy{number}.pcapng"))
        session = open_session(copy)
        seen = bytes_of(session)
        assert seen == expected[: len(seen)]
        assert not session.closed and session.missing == 0
        assert all("copy of a live file" in damage.sentence for damage in session.damage)
    feeder.join()
    assert bytes_of(open_session(recorder.close())) == expected


def test_wrong_payloads_are_the_callers_error_and_cost_no_sequence_number(tmp_path: Path) -> None:
    recorder = start(tmp_path)
    with pytest.raises(TypeError):
        recorder.append(Kind.RECEIVED, 0, {"a": 1})
    with pytest.raises(ValueError, match="longer than"):
        put(recorder, b"x" * (MAX_PAYLOAD + 1))
    put(recorder, b"x" * MAX_PAYLOAD)
    session = open_session(recorder.close())
    assert session.missing == 0 and len(session.records) == 3


def test_after_closing_it_says_so(tmp_path: Path) -> None:
    recorder = start(tmp_path)
    path = recorder.close()
    assert recorder.close() == path
    for call in (recorder.append, recorder.append_synced):
        with pytest.raises(RecorderFailed, match="closed"):
            call(Kind.MARK, 0, {})
    assert len(open_session(path).records) == 2


def test_a_failing_state_callback_does_not_end_the_recording(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    def broken(_: object) -> None:
        raise RuntimeError("page is gone")

    with caplog.at_level(logging.ERROR):
        recorder = start(tmp_path, on_state=broken)
        recorder.append_synced(Kind.MARK, 0, {})
        recorder.close()
    assert "state callback failed" in caplog.text


def test_a_dying_writer_thread_does_not_look_like_a_recording(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    class BrokenClock(FakeClock):
        broken = False

        def monotonic_ns(self) -> int:
            if self.broken and threading.current_thread().name == "recorder":
                raise RuntimeError("no clock")
            return super().monotonic_ns()

    clock, log = BrokenClock(), StateLog()
    recorder = start(tmp_path, clock, on_state=log)
    clock.broken = True
    with caplog.at_level(logging.ERROR), pytest.raises(RecorderFailed, match="NOT RECORDING"):
        recorder.append_synced(Kind.INTENT, 0, {})
    log.wait_for(lambda states: states[-1] == "stopped")
