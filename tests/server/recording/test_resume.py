"""Going on with a session that a crash cut short."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.records import Kind, pack_record
from server.recording.resume import RESUME_WITHIN_S, resume_or_start
from server.recording.segment import PackedRecord, create_segment
from server.recording.session_file import open_session
from server.recording.storage import PosixStorage, claim
from tests.server.recording.sessions import bytes_of, header_for


def crash(folder: Path, clock: FakeClock, name: str = "flight", **options: object) -> Path:
    """Leave behind what a killed recorder leaves: two records, a torn one, and no CLOSE."""
    header = header_for(clock, **options)  # type: ignore[arg-type]
    salt = header.salt
    segment, _ = create_segment(PosixStorage(), folder, name, header, sequence=0)
    for sequence in (1, 2):
        clock.advance(1)
        mono_ns = clock.monotonic_ns()
        data = pack_record(Kind.RECEIVED, salt, sequence, mono_ns, bytes([sequence]))
        segment.write([PackedRecord(Kind.RECEIVED, sequence, mono_ns, data)])
    segment.close()
    with segment.path.open("ab") as file:
        file.write(b"\x06\0\0\0torn")
    return segment.path


def restart(folder: Path, clock: FakeClock, **options: object) -> Recorder:
    header = header_for(clock, **options)  # type: ignore[arg-type]
    return resume_or_start(folder, "Sandpiper", header, clock=clock)


def test_an_empty_folder_begins_a_new_session(tmp_path: Path) -> None:
    recorder = restart(tmp_path / "new", FakeClock())
    assert recorder.close().name == "20250615-150640-sandpiper.pcapng"
    assert recorder.header.part == 1


def test_a_crashed_session_goes_on_as_its_next_part(tmp_path: Path) -> None:
    clock = FakeClock()
    first = crash(tmp_path, clock)
    clock.advance(20)
    recorder = restart(tmp_path, clock)
    assert recorder.append(Kind.RECEIVED, clock.monotonic_ns(), b"\x03") == 4  # 3 is the new part's header
    second = recorder.close()
    assert second.name == "flight~2.pcapng"
    session = open_session(first)
    assert session.parts == (first, second)
    assert session.headers[0].session == session.headers[1].session
    assert session.headers[0].origin_monotonic_ns == recorder.header.origin_monotonic_ns
    assert recorder.header.monotonic_ns != recorder.header.origin_monotonic_ns
    assert session.duration_s == 22.0  # two records a second apart, then twenty seconds of silence
    assert bytes_of(session) == [b"\x01", b"\x02", b"\x03"]
    assert session.records.sequences.tolist() == [0, 1, 2, 3, 4, 5]
    assert (session.closed, session.missing) == (True, 0)
    assert [damage.part for damage in session.damage] == [first]


def test_a_second_crash_goes_on_as_the_third_part(tmp_path: Path) -> None:
    clock = FakeClock()
    first = crash(tmp_path, clock)
    os.utime(first, (1, 1))
    recorder = restart(tmp_path, clock)
    recorder.close()
    second = recorder.state.path
    data = second.read_bytes()
    # Cut the CLOSE note off: as if the second station had been killed too.
    second.write_bytes(data[: data.rindex(b"\x06\0\0\0")])
    clock.advance(5)
    third = restart(tmp_path, clock)
    assert third.close().name == "flight~3.pcapng"
    assert len(open_session(first).parts) == 3


@pytest.mark.parametrize(
    ("what", "age_s"),
    [("closed", 5), ("old", RESUME_WITHIN_S + 1), ("other dictionary", 5), ("other source", 5), ("rebooted", 5)],
)
def test_otherwise_a_new_session_begins(tmp_path: Path, what: str, age_s: float) -> None:
    clock = FakeClock()
    if what == "closed":
        recorder = Recorder(tmp_path, "flight", header_for(clock), clock=clock)
        recorder.close()
        first = recorder.state.path
    else:
        first = crash(tmp_path, clock)
    clock.advance(age_s)
    if what == "rebooted":
        clock.reboot()
    changes = {"other dictionary": {"dictionary": "x"}, "other source": {"source": "socket://radio:1"}}.get(what, {})
    recorder = restart(tmp_path, clock, **changes)
    assert recorder.close().name.endswith("-sandpiper.pcapng")
    assert open_session(recorder.state.path).header.session != open_session(first).header.session


def test_just_within_ten_minutes_goes_on_even_after_a_sleep(tmp_path: Path) -> None:
    clock = FakeClock()
    crash(tmp_path, clock)
    clock.suspend(RESUME_WITHIN_S - 1)
    assert restart(tmp_path, clock).close().name == "flight~2.pcapng"


def test_a_stepped_wall_clock_begins_a_new_session(tmp_path: Path) -> None:
    clock = FakeClock()
    crash(tmp_path, clock)
    clock.step_wall(60)
    assert restart(tmp_path, clock).close().name.endswith("-sandpiper.pcapng")


def test_a_session_that_is_still_being_written_is_left_alone(tmp_path: Path) -> None:
    clock = FakeClock()
    running = Recorder(tmp_path, "flight", header_for(clock), clock=clock)
    other = restart(tmp_path, clock)
    assert other.close().name.endswith("-sandpiper.pcapng")
    assert running.close().name == "flight.pcapng"


def test_the_lock_on_the_old_part_is_given_back(tmp_path: Path) -> None:
    clock = FakeClock()
    first = crash(tmp_path, clock)
    restart(tmp_path, clock).close()
    lock = claim(first)
    assert lock is not None
    os.close(lock)


def test_an_unreadable_newest_file_begins_a_new_session(tmp_path: Path) -> None:
    (tmp_path / "flight.pcapng").write_bytes(b"")
    assert restart(tmp_path, FakeClock()).close().name.endswith("-sandpiper.pcapng")
