"""The index of a session: reading on demand, and large files."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from server.recording.records import Kind
from server.recording.segment import create_segment
from server.recording.session_file import open_session, peek_header
from server.recording.storage import PosixStorage
from tests.server.recording.sessions import ENTRIES, bytes_of, entry, small_header, write_part

MS = 1_000_000


def test_records_can_be_indexed_sliced_filtered_and_compared(tmp_path: Path) -> None:
    path, _ = write_part(tmp_path, "whole", ENTRIES)
    records = open_session(path).records
    everything = list(records)
    assert len(records) == 6
    assert [records[index] for index in range(-6, 6)] == everything * 2
    for beyond in (6, -7):
        with pytest.raises(IndexError):
            records[beyond]
    assert list(records[2:4]) == everything[2:4]
    assert [record.payload for record in records.of_kind(Kind.RECEIVED)] == [b"\x01\x02\x03", b"answer"]
    assert records.kinds.tolist() == [11, 1, 2, 3, 1, 12]
    assert records.sequences.tolist() == [0, 1, 2, 3, 4, 5]
    assert np.all(np.diff(records.mono_ns.astype(np.int64)) == MS)


def test_a_file_that_vanishes_while_it_is_read_is_an_os_error(tmp_path: Path) -> None:
    path, ends = write_part(tmp_path, "whole", ENTRIES)
    session = open_session(path)
    with path.open("r+b") as file:
        file.truncate(ends[2])
    with pytest.raises(OSError, match="became shorter"):
        list(session.records)
    path.unlink()
    with pytest.raises(FileNotFoundError):
        session.records[0]


def big_file(path: Path, count: int, payload: bytes) -> None:
    segment, _ = create_segment(PosixStorage(), path, "big", small_header(), sequence=0)
    for begin in range(0, count, 20_000):
        segment.write(entry(Kind.RECEIVED, 1 + number, payload) for number in range(begin, min(count, begin + 20_000)))
    segment.close()


def test_an_hour_opens_across_windows(tmp_path: Path) -> None:
    """360 000 packets of 60 bytes: several read windows."""
    big_file(tmp_path, 360_000, b"\x55" * 60)
    path = tmp_path / "big.pcapng"
    session = open_session(path)
    assert len(session.records) == 360_001 and session.damage == () and session.missing == 0
    assert session.records[123_456].sequence == 123_456
    assert set(bytes_of(session)) == {b"\x55" * 60}
    assert peek_header(path).software == session.header.software


def test_a_huge_file_opens_in_bounded_memory(tmp_path: Path) -> None:
    """A 200 MB file in a process that may use 160 MB more than it has: the file is never in memory as a whole."""
    big_file(tmp_path, 400, b"\x55" * 500_000)
    program = (
        "import resource, sys, pathlib\n"
        "from server.recording.session_file import open_session\n"
        "used = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()\n"
        "resource.setrlimit(resource.RLIMIT_AS, (used + 160_000_000,) * 2)\n"
        "session = open_session(pathlib.Path(sys.argv[1]))\n"
        "print(len(session.records), sum(len(record.payload) for record in session.records.of_kind(1)))\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "big.pcapng")],
        capture_output=True, text=True, timeout=120, cwd=Path(__file__).parents[3],
    )  # fmt: skip
    assert run.stdout.split() == ["401", "200000000"], run.stderr
