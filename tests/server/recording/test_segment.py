"""One file of a session: its opening, its name, and what is left behind when it cannot be made."""

from __future__ import annotations

import errno
from dataclasses import replace
from pathlib import Path

import pytest

from server.recording.records import Kind, pack_record
from server.recording.segment import PREAMBLE, PackedRecord, Segment, base_name, create_segment, safe_name, session_name
from server.recording.session_file import open_session
from server.recording.storage import PosixStorage, Storage
from tests.server.recording.sessions import FaultyStorage, header_for, manual_clock


def make(folder: Path, name: str = "a", part: int = 1, storage: Storage | None = None) -> Segment:
    header = replace(header_for(manual_clock()), part=part)
    segment, returned = create_segment(storage or PosixStorage(), folder, name, header, sequence=0)
    assert returned.part == open_session(segment.path).headers[0].part
    segment.close()
    return segment


def test_names_are_never_taken_twice(tmp_path: Path) -> None:
    assert [make(tmp_path).path.name for _ in range(3)] == ["a.pcapng", "a-2.pcapng", "a-3.pcapng"]
    assert [make(tmp_path, part=2).path.name for _ in range(2)] == ["a~2.pcapng", "a~3.pcapng"]


def test_it_opens_with_the_preamble_and_two_headers(tmp_path: Path) -> None:
    data = make(tmp_path).path.read_bytes()
    assert data.startswith(PREAMBLE)
    half = (len(data) - len(PREAMBLE)) // 2
    assert data[len(PREAMBLE) : len(PREAMBLE) + half] == data[len(PREAMBLE) + half :]


@pytest.mark.parametrize("fail_at", [0, 1, 2])
def test_a_file_that_cannot_be_begun_is_not_left_behind(tmp_path: Path, fail_at: int) -> None:
    with pytest.raises(OSError):
        make(tmp_path / "new", storage=FaultyStorage(fail_at, errno.ENOSPC))
    assert list((tmp_path / "new").iterdir()) == []


def test_a_disk_that_takes_nothing_is_an_error_and_not_a_loop(tmp_path: Path) -> None:
    class Takes0(PosixStorage):
        def write(self, descriptor: int, data: bytes) -> int:
            return 0

    with pytest.raises(OSError, match="took none"):
        make(tmp_path, storage=Takes0())


def test_short_writes_are_completed(tmp_path: Path) -> None:
    class Takes7(PosixStorage):
        def write(self, descriptor: int, data: bytes) -> int:
            return super().write(descriptor, data[:7])

    header = header_for(manual_clock())
    salt = header.salt
    segment, _ = create_segment(Takes7(), tmp_path, "a", header, sequence=0)
    mono_ns = manual_clock().monotonic_ns()
    segment.write([PackedRecord(Kind.RECEIVED, 1, mono_ns, pack_record(Kind.RECEIVED, salt, 1, mono_ns, b"whole"))])
    segment.close()
    session = open_session(segment.path)
    assert (session.records[-1].payload, session.damage) == (b"whole", ())
    assert segment.bytes_written == segment.path.stat().st_size


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Sandpiper", "Sandpiper"),
        ("../../etc/passwd", "etc-passwd"),
        ("a~2", "a-2"),
        ("Möwe <b>\0", "M-we-b"),
        ("...", "session"),
        ("", "session"),
        ("x" * 500, "x" * 60),
    ],
)
def test_no_path_hides_in_a_name(text: str, name: str) -> None:
    assert safe_name(text) == name


def test_session_name_is_the_utc_time_and_the_vehicle() -> None:
    # 1 750 000 000 s is 2025-06-15 15:06:40 UTC (date -u -d @1750000000).
    assert session_name(1_750_000_000_999_999_999, "Sandpiper II") == "20250615-150640-sandpiper-ii"


def test_base_name_drops_part_and_suffix() -> None:
    names = ("a.pcapng", "a~2.pcapng", "a~12.pcapng", "a-2.pcapng", "a")
    assert [base_name(Path("x") / name) for name in names] == ["a", "a", "a", "a-2", "a"]
