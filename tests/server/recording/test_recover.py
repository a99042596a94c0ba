"""Recovery of damaged sessions: everything proven is saved, nothing is invented, what is lost is said."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from server.cli.cli import main
from server.recording.pcapng import Scanner
from server.recording.records import Kind
from server.recording.recover import recover
from server.recording.segment import PREAMBLE
from server.recording.session_file import SessionError, open_session
from tests.server.recording.sessions import ENTRIES, FaultyStorage, entry, small_header, write_part

NUMBERS = [entry(Kind.RECEIVED, number, b"%04d" % number * 8) for number in range(1, 400)]


def everything(path: Path) -> list[tuple]:
    return [tuple(record) for record in open_session(path).records if record.kind != Kind.HEADER]


def test_a_sound_session_is_copied_record_for_record(tmp_path: Path) -> None:
    path, _ = write_part(tmp_path, "flight", ENTRIES)
    before = path.read_bytes()
    report = recover(path)
    assert report.path == tmp_path / "flight-recovered.pcapng" and report.lost == ()
    assert everything(report.path) == everything(path) and path.read_bytes() == before
    assert open_session(report.path).closed and report.sentences()[-1] == "Nothing was lost."
    assert (report.records, report.received_bytes) == (5, 3 + 6)
    assert recover(path).path.name == "flight-recovered-2.pcapng"  # never over an earlier copy


def test_what_is_damaged_is_left_out_and_told(tmp_path: Path) -> None:
    path, ends = write_part(tmp_path, "flight", NUMBERS)
    data = bytearray(path.read_bytes())
    data[ends[99] : ends[109]] = bytes(ends[109] - ends[99])  # records 100 to 109
    path.write_bytes(data[:-20])  # and a torn last one
    report = recover(path, tmp_path / "saved")
    copy = open_session(report.path)
    numbers = [record.sequence for record in copy.records if record.kind == Kind.RECEIVED]
    assert numbers == [*range(1, 100), *range(110, 399)]
    assert copy.damage == () and copy.missing == 10
    assert copy.header.other["recovered"] == {"from": ["flight.pcapng"], "lost": list(report.lost)}
    assert [sentence.partition(": ")[2] or sentence for sentence in report.lost] == [
        "This stretch is damaged; whatever it held is lost.",
        "The file ends in an unfinished record, as after a sudden stop or in a copy of a live file.",
        "10 records between 0.099 s and 0.110 s of the session are missing.",
    ]


def test_parts_become_one_file_and_doubled_records_one(tmp_path: Path) -> None:
    write_part(tmp_path, "flight", NUMBERS[:20])
    second, _ = write_part(tmp_path, "flight", NUMBERS[15:30], sequence=31, header=small_header(part=2))
    report = recover(second)
    assert report.path.name == "flight-recovered.pcapng" and report.records == 31  # 30 and the second part's header
    assert [record.sequence for record in open_session(report.path).records] == [*range(31), 31]


def without_header(path: Path) -> None:
    """Overwrite both copies of the header with zeros, as a lost first block would."""
    data = bytearray(path.read_bytes())
    starts = Scanner().scan(bytes(data), 0, final=True)
    end = starts.starts[1] + starts.lengths[1]
    data[len(PREAMBLE) : end] = bytes(end - len(PREAMBLE))
    path.write_bytes(data)


def test_a_lost_header_is_taken_from_another_part(tmp_path: Path) -> None:
    first, _ = write_part(tmp_path, "flight", NUMBERS[:20])
    write_part(tmp_path, "flight", NUMBERS[20:30], sequence=50, header=small_header(part=2))
    without_header(first)
    with pytest.raises(SessionError):
        open_session(first)
    report = recover(first)
    copy = open_session(report.path)
    assert [record.sequence for record in copy.records if record.kind == Kind.RECEIVED] == list(range(1, 31))
    assert copy.header.session == small_header().session and not copy.damage


def test_a_lost_header_without_another_part_needs_the_dictionary(tmp_path: Path) -> None:
    path, _ = write_part(tmp_path, "flight", NUMBERS[:20])
    told = open_session(path)
    utc_ns, expected = told.utc_ns(int(told.records.mono_ns[5])), everything(path)
    without_header(path)
    with pytest.raises(SessionError, match="give that with --dictionary FILE"):
        recover(path)
    report = recover(path, dictionary="[vehicle]\n")
    copy = open_session(report.path)
    assert everything(report.path) == expected and copy.header.dictionary == "[vehicle]\n"
    assert copy.utc_ns(int(copy.records.mono_ns[5])) == utc_ns  # the times still say when it was
    assert "damaged" in report.lost[0]


@pytest.mark.parametrize("content", [b"", b"something else", bytes(5000), PREAMBLE])
def test_what_holds_nothing_is_refused_in_a_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "flight.pcapng"
    path.write_bytes(content)
    with pytest.raises(SessionError, match=r"^flight\.pcapng .*\.$"):
        recover(path, dictionary="[vehicle]\n")
    assert [file.name for file in tmp_path.iterdir()] == ["flight.pcapng"]


@pytest.mark.parametrize("fail_at", range(5))
def test_a_disk_that_fails_leaves_no_half_copy(tmp_path: Path, fail_at: int) -> None:
    """Operations: create, write and flush the opening, write the records, flush them."""
    path, _ = write_part(tmp_path, "flight", ENTRIES)
    storage = FaultyStorage(fail_at, errno.ENOSPC)
    with pytest.raises(SessionError, match=r"The copy of flight\.pcapng cannot be written: the disk is full\."):
        recover(path, storage=storage)
    assert storage.failures == 1 and [file.name for file in tmp_path.iterdir()] == ["flight.pcapng"]


def test_every_truncation_of_a_small_file_gives_what_was_whole(tmp_path: Path) -> None:
    path, ends = write_part(tmp_path, "flight", ENTRIES)
    data = path.read_bytes()
    for cut in range(ends[0], len(data)):
        path.write_bytes(data[:cut])
        report = recover(path, tmp_path / f"{cut}")
        assert report.records == sum(end <= cut for end in ends[1:])
        assert bool(report.lost) == (cut not in ends)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    path, _ = write_part(tmp_path, "flight", ENTRIES)
    path.write_bytes(path.read_bytes()[:-7])
    assert main(["recover", str(path), "--to", str(tmp_path / "there")]) == 0
    out = capsys.readouterr().out.splitlines()
    copy = tmp_path / "there" / "flight-recovered.pcapng"
    assert out[0] == f"Saved 4 records with 9 received bytes to {copy}" and out[1] == "Could not be saved:"
    assert out[2].startswith("  flight.pcapng, ") and open_session(copy).damage == ()
    assert main(["recover", str(tmp_path / "nowhere.pcapng")]) == 1
    assert "There is no file" in capsys.readouterr().err
