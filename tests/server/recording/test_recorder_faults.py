"""The recorder on a disk that fails in every way at every moment, is slow, full, or gone."""

from __future__ import annotations

import errno
import shutil
import time
from itertools import count
from pathlib import Path

import pytest

from server.recording.clock import FakeClock, SystemClock
from server.recording.recorder import KEPT_S, Recorder
from server.recording.recorder_state import RecorderFailed
from server.recording.records import Kind
from server.recording.session_file import Session, open_session
from server.recording.storage import PosixStorage
from tests.server.recording.sessions import FaultyStorage, GatedStorage, StateLog, bytes_of, header_for

CLOCK = SystemClock()


def start(folder: Path, clock: FakeClock | SystemClock = CLOCK, **options: object) -> Recorder:
    return Recorder(folder, "flight", header_for(clock), clock=clock, **options)  # type: ignore[arg-type]


def put(recorder: Recorder, *payloads: bytes) -> list[int]:
    return [recorder.append(Kind.RECEIVED, CLOCK.monotonic_ns(), payload) for payload in payloads]


def numbers(low: int, high: int) -> list[bytes]:
    return [b"%06d" % number for number in range(low, high)]


def fly(storage: FaultyStorage, folder: Path) -> tuple[Recorder, list[int], list[bytes]]:
    """A short session; return the recorder after closing, the sequence numbers it vouched for, all bytes appended."""
    recorder = start(folder, storage=storage, sync_interval_s=0.0, retry_interval_s=0.0)
    vouched: list[int] = []
    everything: list[bytes] = []
    for step in range(4):
        everything += numbers(step * 5, step * 5 + 5)
        put(recorder, *everything[-5:])
        try:
            vouched.append(recorder.append_synced(Kind.INTENT, CLOCK.monotonic_ns(), {"step": step}))
        except RecorderFailed as error:
            assert str(error).startswith("NOT RECORDING: ")
    recorder.close()
    return recorder, vouched, everything


def check_truth(session: Session, vouched: list[int], everything: list[bytes]) -> None:
    """Whatever happened: what was vouched for is there, nothing is invented or out of order, damage is a torn tail."""
    assert set(vouched) <= set(session.records.sequences.tolist())
    seen = bytes_of(session)
    assert seen == [payload for payload in everything if payload in set(seen)]
    assert {damage.sentence[:31] for damage in session.damage} <= {"The file ends in an unfinished "}


def session_in(folder: Path) -> Session | None:
    files = sorted(folder.glob("*.pcapng"))
    return open_session(files[0]) if files else None


@pytest.mark.parametrize("how", [errno.EIO, errno.ENOSPC, errno.EFBIG, errno.EINTR, "short"])
def test_any_single_failure_costs_nothing(tmp_path: Path, how: int | str) -> None:
    """The N-th operation fails, for N = 0, 1, 2, ... until a run meets no failure."""
    for fail_at in count():
        folder, storage = tmp_path / str(fail_at), FaultyStorage(fail_at, how)
        try:
            recorder, vouched, everything = fly(storage, folder)
        except RecorderFailed as error:
            assert fail_at < 3 and str(error).startswith("Cannot record in ")
            assert session_in(folder) is None
            continue
        session = session_in(folder)
        assert session is not None
        check_truth(session, vouched, everything)
        assert bytes_of(session) == everything
        assert session.closed and recorder.state.backlog == 0
        assert storage.used_after_failure == 0
        # A CLOSE note left in memory gets a new part; only a fault that was mended in place leaves one part.
        mended = how == "short" or (how == errno.EINTR and storage.operations[fail_at : fail_at + 1] == ["write"])
        assert len(session.parts) == (1 if mended or not storage.failures else 2)
        if fail_at >= len(storage.operations):
            break
    assert fail_at > 10


@pytest.mark.parametrize("how", [errno.EIO, errno.ENOSPC, errno.EINTR, "short"])
def test_a_disk_that_fails_for_ever_keeps_what_was_vouched_for(tmp_path: Path, how: int | str) -> None:
    for fail_at in range(3, 12):
        folder, storage = tmp_path / str(fail_at), FaultyStorage(fail_at, how, for_ever=True)
        recorder, vouched, everything = fly(storage, folder)
        session = session_in(folder)
        assert session is not None and storage.failures
        check_truth(session, vouched, everything)
        assert len(session.parts) == 1 and not session.closed
        assert storage.used_after_failure == 0
        state = recorder.state
        assert state.state == "closed" and state.backlog > 0
        assert state.sentence.startswith(f"Recording ended with {state.backlog} records not on the disk: ")


def test_it_goes_on_in_a_new_part_by_itself(tmp_path: Path) -> None:
    storage, log = FaultyStorage(), StateLog()
    recorder = start(tmp_path, storage=storage, retry_interval_s=0.001, on_state=log)
    storage.fail_at, storage.how, storage.for_ever = len(storage.operations), errno.ENOSPC, True
    put(recorder, *numbers(0, 3))
    log.wait_for(lambda states: states[-1] == "stopped")
    assert log.sentences[-1].startswith("NOT RECORDING: the disk is full. The last minute is kept in memory")
    with pytest.raises(RecorderFailed, match="NOT RECORDING: the disk is full"):
        recorder.append_synced(Kind.INTENT, CLOCK.monotonic_ns(), {"refused": True})
    put(recorder, *numbers(3, 5))
    storage.fail_at = None
    log.wait_for(lambda states: states[-1] == "recording")
    recorder.append_synced(Kind.MARK, CLOCK.monotonic_ns(), {})
    put(recorder, *numbers(5, 7))
    assert recorder.close().name == "flight~2.pcapng"
    session = open_session(tmp_path / "flight.pcapng")
    assert [path.name for path in session.parts] == ["flight.pcapng", "flight~2.pcapng"]
    assert bytes_of(session) == numbers(0, 7)
    for name in ("session", "salt", "origin_monotonic_ns", "dictionary"):
        assert getattr(session.headers[0], name) == getattr(session.headers[1], name)
    [resumed] = [record.note() for record in session.records if record.kind == Kind.NOTE]
    assert resumed["event"] == "recording_resumed" and "flight~2.pcapng" in str(resumed["sentence"])
    # An intent that was refused is history too.
    assert [record.note() for record in session.records.of_kind(Kind.INTENT)] == [{"refused": True}]
    assert log.states == ["recording", "stopped", "recording", "closed"]


def test_while_stopped_the_last_minute_and_all_notes_are_kept(tmp_path: Path) -> None:
    clock, storage, log = FakeClock(), FaultyStorage(), StateLog()
    recorder = start(tmp_path, clock, storage=storage, on_state=log)
    storage.fail_at, storage.for_ever = len(storage.operations), True
    recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"too old")
    log.wait_for(lambda states: states[-1] == "stopped")
    recorder.append(Kind.ACT, clock.monotonic_ns(), {"act": "kept"})
    clock.advance(KEPT_S + 1)
    recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"recent")
    storage.fail_at = None
    recorder.close()
    session = open_session(tmp_path / "flight.pcapng")
    assert bytes_of(session) == [b"recent"]
    assert [record.note() for record in session.records.of_kind(Kind.ACT)] == [{"act": "kept"}]
    [gap] = [record.note() for record in session.records.of_kind(Kind.GAP)]
    assert (gap["dropped_received"], gap["dropped_notes"], gap["first_sequence"]) == (1, 0, 1)
    assert recorder.state.dropped == 1
    assert 1 not in session.records.sequences


def test_an_unforeseen_error_of_the_disk_is_treated_like_any_other(tmp_path: Path) -> None:
    class Odd(PosixStorage):
        odd = False

        def write(self, descriptor: int, data: bytes) -> int:
            if self.odd:
                self.odd = False
                raise RuntimeError("odd")
            return super().write(descriptor, data)

    storage = Odd()
    recorder = start(tmp_path, storage=storage)
    storage.odd = True
    with pytest.raises(RecorderFailed, match=r"an internal fault \(RuntimeError: odd\)"):
        recorder.append_synced(Kind.MARK, 0, {})
    recorder.close()
    assert open_session(tmp_path / "flight.pcapng").closed


def test_a_slow_disk_holds_nobody_up(tmp_path: Path) -> None:
    storage = GatedStorage()
    recorder = start(tmp_path, storage=storage, sync_interval_s=0.0)
    storage.shut()
    put(recorder, b"first")
    assert storage.waiting.wait(10)
    begin = time.perf_counter()
    put(recorder, *numbers(0, 1000))
    assert time.perf_counter() - begin < 1.0
    assert recorder.state.backlog == 1001
    with pytest.raises(RecorderFailed, match=r"did not confirm a record within 0\.01 s"):
        recorder.append_synced(Kind.INTENT, 0, {}, timeout_s=0.01)
    storage.gate.set()
    session = open_session(recorder.close())
    assert bytes_of(session) == [b"first", *numbers(0, 1000)]
    assert session.records.of_kind(Kind.INTENT)[0].note() == {}


def test_a_stuck_disk_costs_the_oldest_bytes_and_says_how_many(tmp_path: Path) -> None:
    storage = GatedStorage()
    recorder = start(tmp_path, storage=storage, sync_interval_s=0.0, queue_limit_bytes=50_000)
    storage.shut()
    put(recorder, b"first")
    assert storage.waiting.wait(10)
    recorder.append(Kind.MARK, 0, {"text": "before"})
    put(recorder, *numbers(0, 1000))
    dropped = recorder.state.dropped
    assert 0 < recorder.state.backlog < 400
    storage.gate.set()
    session = open_session(recorder.close())
    assert bytes_of(session) == [b"first", *numbers(dropped, 1000)]
    [gap] = [record.note() for record in session.records.of_kind(Kind.GAP)]
    assert gap["dropped_received"] == session.missing == dropped == recorder.state.dropped
    assert len(session.records.of_kind(Kind.MARK)) == 1


def test_closing_does_not_wait_for_ever(tmp_path: Path) -> None:
    storage = GatedStorage()
    recorder = start(tmp_path, storage=storage)
    storage.shut()
    put(recorder, b"stuck")
    recorder.close(timeout_s=0.05)
    assert recorder.state.state == "closed"
    assert recorder.state.sentence.endswith("records not on the disk: the disk did not answer in time.")
    storage.gate.set()
    recorder.close()
    assert open_session(recorder.state.path).closed


@pytest.mark.parametrize(("number", "words"), [(errno.EROFS, "the disk is read-only"), (errno.ENOSPC, "the disk is full")])
def test_a_place_that_cannot_be_written_is_refused_at_the_start(tmp_path: Path, number: int, words: str) -> None:
    with pytest.raises(RecorderFailed, match=f"{words}. Choose another place for the sessions."):
        start(tmp_path, storage=FaultyStorage(0, number))
    (tmp_path / "file").write_text("")
    with pytest.raises(RecorderFailed, match="leads through a file"):
        start(tmp_path / "file" / "sessions")


def test_a_lost_folder_is_said_and_survived(tmp_path: Path) -> None:
    """The folder is removed under the recorder: the open file still takes bytes, a new part makes the folder anew."""
    storage = FaultyStorage()
    recorder = start(tmp_path / "stick", storage=storage)
    recorder.append_synced(Kind.MARK, 0, {})
    shutil.rmtree(tmp_path / "stick")
    storage.fail_at = len(storage.operations)
    put(recorder, b"later")
    recorder.close()
    session = open_session(tmp_path / "stick" / "flight~2.pcapng")
    assert bytes_of(session) == [b"later"]


@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_file_that_somebody_removed_is_recorded_to_no_longer(tmp_path: Path, what: str) -> None:
    """I17: a removed file takes every byte and vouches for it, and all of it is gone when it is closed."""
    folder = tmp_path / "sessions"
    recorder = start(folder, retry_interval_s=0.05)
    put(recorder, *numbers(0, 5))
    recorder.append_synced(Kind.INTENT, CLOCK.monotonic_ns(), {"step": 0})
    recorder.state.path.unlink() if what == "file" else shutil.rmtree(folder)
    put(recorder, *numbers(5, 10))
    with pytest.raises(RecorderFailed, match="^NOT RECORDING: the file was removed"):
        recorder.append_synced(Kind.INTENT, CLOCK.monotonic_ns(), {"step": 1})
    end = time.monotonic() + 30.0
    while recorder.state.state != "recording" and time.monotonic() < end:
        time.sleep(0.02)
    recorder.append_synced(Kind.INTENT, CLOCK.monotonic_ns(), {"step": 2})
    path = recorder.close()
    assert path.exists() and bytes_of(open_session(path)) == numbers(5, 10)


def test_a_file_that_was_moved_is_recorded_to_as_before(tmp_path: Path) -> None:
    recorder = start(tmp_path)
    recorder.state.path.rename(tmp_path / "moved.pcapng")
    recorder.append_synced(Kind.INTENT, CLOCK.monotonic_ns(), {"step": 0})
    recorder.close()
    assert len(open_session(tmp_path / "moved.pcapng").records.of_kind(Kind.INTENT)) == 1


@pytest.mark.parametrize("where", ["_has_work", "_patience_s", "_write_and_sync", "_take", "_settle", "_all_written"])
def test_a_fault_of_the_writer_thread_itself_is_survived(tmp_path: Path, monkeypatch, where: str) -> None:
    """ "A new file is tried every 2 s" is true for faults that nobody foresaw too, and nothing is lost by them."""
    log = StateLog()
    recorder = start(tmp_path, on_state=log, sync_interval_s=0.0, retry_interval_s=0.01)
    put(recorder, *numbers(0, 3))
    original, broken = getattr(recorder, where), []

    def once(*what: object) -> object:
        if not broken:
            broken.append(where)
            raise RuntimeError("odd")
        return original(*what)

    monkeypatch.setattr(recorder, where, once)
    put(recorder, *numbers(3, 5))
    if where != "_all_written":  # looked at only when closing
        log.wait_for(lambda states: states[-2:] == ["stopped", "recording"])
        assert recorder.append_synced(Kind.MARK, CLOCK.monotonic_ns(), {}) and recorder._thread.is_alive()
    recorder.close()
    session = open_session(tmp_path / "flight.pcapng")
    assert broken and bytes_of(session) == numbers(0, 5) and session.closed
    assert any("RuntimeError: odd" in sentence for sentence in log.sentences)


@pytest.mark.parametrize("first", ["_take", "_stop"])
def test_a_writer_thread_that_cannot_go_on_says_so_and_lets_the_station_close(
    tmp_path: Path, monkeypatch, first: str
) -> None:
    log = StateLog()
    recorder = start(tmp_path, on_state=log, sync_interval_s=0.0, retry_interval_s=0.01)

    def fail(*what: object) -> object:
        raise RuntimeError("odd")

    monkeypatch.setattr(recorder, "_write_and_sync", fail)
    monkeypatch.setattr(recorder, first, fail)
    put(recorder, b"x")
    log.wait_for(lambda states: "stopped" in states)
    if first == "_stop":
        assert "Start the station anew: this one will not record any more." in log.sentences[-1]
        with pytest.raises(RecorderFailed, match="will not record any more"):
            recorder.append_synced(Kind.INTENT, CLOCK.monotonic_ns(), {})
    recorder.close()
    recorder._thread.join(10.0)
    assert not recorder._thread.is_alive()
