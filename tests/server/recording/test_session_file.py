"""Reading sessions: whole, cut, flipped, in parts, hostile, and large."""

from __future__ import annotations

import io
import shutil
import subprocess
from pathlib import Path

import pcapng
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from server.recording.pcapng import Direction, enhanced_packet
from server.recording.records import Kind, pack_record
from server.recording.segment import PREAMBLE, PackedRecord
from server.recording.session_file import Session, SessionError, open_session, part_paths, peek_header
from tests.server.recording.sessions import ENTRIES, SALT, entry, small_header, write_part


def contents(session: Session) -> list[tuple[int, int, int, bytes]]:
    """Every record but the headers."""
    return [tuple(record) for record in session.records if record.kind != Kind.HEADER]


def expected(entries: list[PackedRecord]) -> list[tuple[int, int, int, bytes]]:
    return [(one.kind, one.sequence, one.mono_ns, one.data[21:]) for one in entries]


# ---- whole files ---------------------------------------------------------------------------------


def test_a_session_comes_back_as_it_was_written(tmp_path: Path) -> None:
    path, _ = write_part(tmp_path, "whole", ENTRIES)
    session = open_session(path)
    assert contents(session) == expected(ENTRIES)
    assert session.records[0].kind is Kind.HEADER
    assert session.records[0].note() == session.header.as_note() == peek_header(path).as_note()
    assert session.header.session == small_header().session
    assert (session.closed, session.damage, session.unknown_kinds, session.missing) == (True, (), 0, 0)
    assert session.parts == (path,)
    assert session.duration_s == pytest.approx(0.005)
    assert session.utc_ns(ENTRIES[0].mono_ns) == session.header.utc_of(ENTRIES[0].mono_ns)


def test_tshark_counts_every_packet_and_complains_of_none(tmp_path: Path) -> None:
    """Oracle: tshark. The header is in the file twice, all else once."""
    assert shutil.which("tshark"), "tshark is needed for this test"
    path, _ = write_part(tmp_path, "whole", ENTRIES)
    fields = [part for name in ("frame.interface_id", "frame.packet_flags_direction") for part in ("-e", name)]
    command = ["tshark", "-r", str(path), "-T", "fields", *fields, "-e", "_ws.malformed"]
    run = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert [line for line in run.stderr.splitlines() if "Running as user" not in line] == []
    rows = [line.split("\t") for line in run.stdout.splitlines()]
    assert [(int(row[0]), int(row[1], 0), row[2]) for row in rows] == [
        (1, 0, ""), (1, 0, ""), (0, 1, ""), (1, 0, ""), (0, 2, ""), (0, 1, ""), (1, 0, ""),
    ]  # fmt: skip


@pytest.mark.filterwarnings("ignore:Field type should not be:DeprecationWarning")
def test_python_pcapng_finds_the_same_records(tmp_path: Path) -> None:
    """Oracle: python-pcapng."""
    path, _ = write_part(tmp_path, "whole", ENTRIES)
    blocks = [block for block in pcapng.FileScanner(io.BytesIO(path.read_bytes())) if hasattr(block, "packet_data")]
    assert [block.packet_data for block in blocks[2:]] == [one.data for one in ENTRIES]
    stamps = [(block.timestamp_high << 32) + block.timestamp_low for block in blocks[2:]]
    assert stamps == [small_header().utc_of(one.mono_ns) for one in ENTRIES]


# ---- damage --------------------------------------------------------------------------------------


def test_every_truncation_opens_with_all_whole_records(tmp_path: Path) -> None:
    path, ends = write_part(tmp_path, "cut", ENTRIES)
    data = path.read_bytes()
    header_copy = (ends[0] - len(PREAMBLE)) // 2
    for size in range(len(data)):
        path.write_bytes(data[:size])
        if size < len(PREAMBLE) + header_copy:
            with pytest.raises(SessionError, match="is empty" if size == 0 else "before its header was complete"):
                open_session(path)
            continue
        session = open_session(path)
        whole = sum(end <= size for end in ends[1:])
        assert contents(session) == expected(ENTRIES[:whole]), size
        assert not session.closed
        at_edge = size in ends or size == len(PREAMBLE) + header_copy
        assert [damage.sentence[:39] for damage in session.damage] == (
            [] if at_edge else ["The file ends in an unfinished record, "]
        )


def test_every_bit_flip_is_seen_and_costs_at_most_one_record(tmp_path: Path) -> None:
    """Nothing wrong is ever accepted, at most the record hit is lost, and no flip anywhere in the file is silent."""
    path, _ = write_part(tmp_path, "flip", ENTRIES[:3] + ENTRIES[4:])
    data = path.read_bytes()
    truth = contents(open_session(path))
    header = peek_header(path)
    with path.open("r+b", buffering=0) as file:
        for position, value in enumerate(data):
            for bit in range(8):
                file.seek(position)
                file.write(bytes([value ^ 1 << bit]))
                session = open_session(path)
                assert session.damage, (position, bit)
                assert session.header == header
                kept = contents(session)
                assert kept == truth or any(kept == truth[:i] + truth[i + 1 :] for i in range(len(truth)))
            file.seek(position)
            file.write(bytes([value]))


@pytest.mark.parametrize("filler", [b"\0", b"\xa5", b"\x06\0\0\0"])
def test_a_lost_sector_costs_only_what_lay_in_it(tmp_path: Path, filler: bytes) -> None:
    entries = [entry(Kind.RECEIVED, number, bytes([number]) * 50) for number in range(1, 100)]
    path, ends = write_part(tmp_path, "sector", entries)
    data = bytearray(path.read_bytes())
    low = ends[0] + 1000 & ~511
    data[low : low + 512] = (filler * 512)[:512]
    path.write_bytes(data)
    session = open_session(path)
    whole = [one for one, begin, end in zip(entries, ends, ends[1:], strict=False) if end <= low or begin >= low + 512]
    assert contents(session) == expected(whole)
    assert session.missing == len(entries) - len(whole)
    [damage] = session.damage
    assert damage.part == path and damage.offset <= low and damage.offset + damage.length >= low + 512
    assert damage.length < 512 + 2 * 160


def test_the_second_header_stands_in_for_the_first(tmp_path: Path) -> None:
    path, _ = write_part(tmp_path, "header", ENTRIES)
    data = bytearray(path.read_bytes())
    data[0 : len(PREAMBLE) + 200] = b"\0" * (len(PREAMBLE) + 200)
    path.write_bytes(data)
    session = open_session(path)
    assert contents(session) == expected(ENTRIES)
    assert session.damage[0].offset == 0


def test_both_headers_lost_is_said_plainly(tmp_path: Path) -> None:
    path, ends = write_part(tmp_path, "header", ENTRIES)
    data = bytearray(path.read_bytes())
    data[len(PREAMBLE) : ends[0]] = b"\0" * (ends[0] - len(PREAMBLE))
    path.write_bytes(data)
    with pytest.raises(SessionError, match="header.pcapng has no readable header"):
        open_session(path)


def test_records_of_another_session_are_passed_over(tmp_path: Path) -> None:
    path, _ = write_part(tmp_path, "salted", ENTRIES[:2])
    stale = pack_record(Kind.RECEIVED, SALT ^ 1, 9, 0, b"stale")
    with path.open("ab") as file:
        file.write(enhanced_packet(0, 0, stale, Direction.INBOUND))
        file.write(enhanced_packet(0, 0, b"short", Direction.INBOUND))
    session = open_session(path)
    assert contents(session) == expected(ENTRIES[:2])
    assert [damage.sentence for damage in session.damage] == ["A record of another session was passed over."]


def test_unreadable_notes_are_passed_over(tmp_path: Path) -> None:
    bad = [entry(Kind.MARK, 2, b"[1]"), entry(Kind.ACT, 3, b"[" * 100_000), entry(Kind.ACT, 4, b"\xff")]
    path, _ = write_part(tmp_path, "notes", [ENTRIES[0], *bad, ENTRIES[4]])
    session = open_session(path)
    assert contents(session) == expected([ENTRIES[0], ENTRIES[4]])
    assert [damage.sentence for damage in session.damage] == ["A note that cannot be read was passed over."]
    for record in session.records:
        if record.kind != Kind.RECEIVED:
            record.note()


def test_unknown_kinds_are_kept_and_counted(tmp_path: Path) -> None:
    newer = [entry(77, 2, b"\x00not json"), entry(200, 3, b"")]
    path, _ = write_part(tmp_path, "newer", [ENTRIES[0], *newer])
    session = open_session(path)
    assert session.unknown_kinds == 2
    assert contents(session) == expected([ENTRIES[0], *newer])
    assert session.damage == ()


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_fuzzed_files_open_or_are_refused_politely(tmp_path: Path, data: st.DataObject) -> None:
    """Slices of a real file and garbage in any order: a SessionError or a session of true records, nothing else."""
    path, _ = write_part(tmp_path, "fuzz", ENTRIES)
    good = path.read_bytes()
    cut = st.integers(0, len(good))
    piece = st.one_of(st.tuples(cut, cut).map(lambda pair: good[min(pair) : max(pair)]), st.binary(max_size=60))
    path.write_bytes(b"".join(data.draw(st.lists(piece, max_size=6))))
    try:
        session = open_session(path)
    except SessionError as error:
        assert str(error).endswith(".") and "\n" not in str(error)
    else:
        assert set(contents(session)) <= set(expected(ENTRIES))
    finally:
        path.unlink()


# ---- refusals ------------------------------------------------------------------------------------


def test_missing_empty_and_foreign_files_get_one_plain_sentence(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match=r"^There is no file /.*gone\.pcapng\.$"):
        open_session(tmp_path / "gone.pcapng")
    (tmp_path / "empty.pcapng").write_bytes(b"")
    with pytest.raises(SessionError, match=r"^empty\.pcapng is empty: nothing was recorded in it\.$"):
        open_session(tmp_path / "empty.pcapng")
    for foreign in (b"GIF89a", b"\0" * 5000, b"\x06\0\0\0" * 5000, PREAMBLE.replace(b"Blockhouse", b"Elsewhere!") * 3):
        (tmp_path / "foreign.pcapng").write_bytes(foreign)
        with pytest.raises(SessionError, match=r"^foreign\.pcapng is not a Blockhouse session\.$"):
            open_session(tmp_path / "foreign.pcapng")
    with pytest.raises(SessionError, match=r"^folder cannot be read: "):
        (tmp_path / "folder").mkdir()
        open_session(tmp_path / "folder")


@pytest.mark.parametrize("salt_kept", [True, False])
def test_a_newer_major_is_refused_by_name(tmp_path: Path, salt_kept: bool) -> None:
    changes: dict[str, object] = {"format_major": 2} | ({} if salt_kept else {"salt": "in another form"})
    path, _ = write_part(tmp_path, "newer", ENTRIES, header=small_header(**changes))
    sentence = r"^newer\.pcapng was made by a newer Blockhouse \(format 2\); this one reads format 1\.$"
    for opener in (open_session, peek_header):
        with pytest.raises(SessionError, match=sentence):
            opener(path)


def test_a_header_that_makes_no_sense_is_refused(tmp_path: Path) -> None:
    path, _ = write_part(tmp_path, "odd", ENTRIES, header=small_header(session="?"))
    with pytest.raises(SessionError, match="has a header without a session id"):
        open_session(path)


def test_hostile_text_comes_back_as_text(tmp_path: Path) -> None:
    name = "<script>alert(1)</script>/../../etc"
    path, _ = write_part(tmp_path, "hostile", ENTRIES, header=small_header(vehicle={"name": name}))
    assert open_session(path).header.vehicle == {"name": name}


# ---- parts ---------------------------------------------------------------------------------------


def write_pair(folder: Path) -> tuple[Path, Path, list[PackedRecord]]:
    """Part 1 ends torn inside its third record; part 2 repeats that one and the one before it."""
    entries = [entry(Kind.RECEIVED, number, bytes([number])) for number in range(1, 7)]
    first, ends = write_part(folder, "pair", entries[:3])
    with first.open("r+b") as file:
        file.truncate(ends[3] - 7)
    second, _ = write_part(folder, "pair", entries[1:], sequence=90, header=small_header(part=2))
    return first, second, entries


def test_a_session_in_parts_reads_as_one_whichever_part_is_given(tmp_path: Path) -> None:
    first, second, entries = write_pair(tmp_path)
    write_part(tmp_path, "pair-2", ENTRIES)
    write_part(tmp_path, "other", ENTRIES)
    assert second.name == "pair~2.pcapng"
    for path in (first, second):
        session = open_session(path)
        assert session.parts == (first, second)
        assert session.header.part == 1
        assert contents(session) == expected(entries)
        assert [damage.part for damage in session.damage] == [first]
        assert session.path == path


def test_a_part_of_another_session_under_the_same_name_is_left_out(tmp_path: Path) -> None:
    first, _ = write_part(tmp_path, "pair", ENTRIES[:2])
    write_part(tmp_path, "pair", ENTRIES[2:], header=small_header(part=2, session="f" * 32))
    session = open_session(first)
    assert session.parts == (first,)
    assert contents(session) == expected(ENTRIES[:2])


def test_an_unreadable_part_is_damage_and_not_the_end(tmp_path: Path) -> None:
    first, second, entries = write_pair(tmp_path)
    (tmp_path / "pair~3.pcapng").write_bytes(b"")
    first.write_bytes(b"\0" * 600)
    session = open_session(second)
    assert contents(session) == expected(entries[1:])
    assert {damage.part.name: damage.sentence for damage in session.damage} == {
        "pair.pcapng": "A part of this session cannot be read: pair.pcapng is not a Blockhouse session.",
        "pair~3.pcapng": "A part of this session cannot be read: pair~3.pcapng is empty: nothing was recorded in it.",
    }


def test_parts_sort_by_number_and_a_renamed_file_stands_alone(tmp_path: Path) -> None:
    for name in ("a.pcapng", "a~2.pcapng", "a~10.pcapng", "a~x.pcapng", "ab.pcapng", "a~2.pcapng.bak"):
        (tmp_path / name).touch()
    assert [path.name for path in part_paths(tmp_path / "a~10.pcapng")] == ["a.pcapng", "a~2.pcapng", "a~10.pcapng"]
    assert [path.name for path in part_paths(tmp_path / "a~2.pcapng.bak")] == ["a~2.pcapng.bak"]
