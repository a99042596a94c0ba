"""The header of a part: what it holds, what is refused in words, and that nothing unknown is lost."""

from __future__ import annotations

import json
import struct
from dataclasses import FrozenInstanceError, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.recording.clock import FakeClock
from server.recording.recorder import Recorder
from server.recording.recover import recover
from server.recording.segment import SUFFIX
from server.recording.session_file import open_session, peek_header
from server.recording.session_header import HeaderFault, SessionHeader, Software, make_header, read_header
from tests.server.recording.sessions import (
    ENTRIES,
    changed,
    fixed_entropy,
    header_for,
    manual_clock,
    small_header,
    write_part,
)

SAMPLES = Path(__file__).resolve().parents[3] / "replay_samples"


def good_note() -> dict[str, object]:
    return header_for(manual_clock()).as_note() | {"preamble_bytes": 128, "preamble_crc32": 0}


def test_it_holds_what_a_reader_needs() -> None:
    clock = manual_clock()
    header = make_header(
        clock, software=Software("0.1", "abc1234+"), dictionary="text\n", dictionary_hash="0badcafe",
        vehicle={"name": "Sandpiper"}, site={}, source="demo", entropy=fixed_entropy,
    )  # fmt: skip
    assert (header.dictionary, header.dictionary_hash) == ("text\n", "0badcafe")
    assert (header.software, header.git, header.source) == ("0.1", "abc1234+", "demo")
    assert (header.format_major, header.format_minor, header.part) == (1, 0, 1)
    assert (header.utc_ns, header.monotonic_ns, header.boottime_ns) == (
        clock.wall_ns(), clock.monotonic_ns(), clock.boottime_ns(),
    )  # fmt: skip
    assert header.origin_monotonic_ns == header.monotonic_ns
    assert header.salt == struct.unpack("<I", fixed_entropy(4))[0]
    assert len(header.session) == 32 and header.session[12] == "4"  # a random UUID, RFC 9562
    other = make_header(clock, software=Software(""), dictionary="", vehicle={}, site={}, source="")
    assert other.salt != header.salt and other.session != header.session
    with pytest.raises(FrozenInstanceError):
        header.part = 2  # type: ignore[misc] # a header never changes


def test_the_note_of_a_file_has_these_keys() -> None:
    """The form on the disk is for good: a key that were renamed would be lost to every older version."""
    assert set(good_note()) == {
        "application", "session", "salt", "part", "utc_ns", "monotonic_ns", "boottime_ns", "origin_monotonic_ns",
        "software", "source", "vehicle", "site", "dictionary", "format_major", "format_minor", "preamble_bytes",
        "preamble_crc32",
    }  # fmt: skip


def test_utc_follows_the_parts_own_anchors() -> None:
    clock = manual_clock()
    header = header_for(clock)
    assert header.utc_of(clock.monotonic_ns() + 5) == clock.wall_ns() + 5
    assert replace(header, utc_ns=3, monotonic_ns=10).utc_of(2) == 0


def test_another_part_has_its_own_anchors_and_the_same_origin() -> None:
    clock = FakeClock()
    first = header_for(clock)
    clock.advance(3)
    second = first.going_on(clock, 2)
    assert (second.part, second.monotonic_ns - first.monotonic_ns) == (2, 3_000_000_000)
    same = ("session", "salt", "origin_monotonic_ns", "dictionary", "vehicle", "site", "source")
    assert all(getattr(first, name) == getattr(second, name) for name in same)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"application": "Other"}, "is not a Blockhouse session"),
        ({"format_major": 2}, "was made by a newer Blockhouse (format 2); this one reads format 1"),
        ({"format_major": "1"}, "is not a Blockhouse session"),
        ({"session": "short"}, "without a session id"),
        ({"session": 7}, "without a session id"),
        ({"salt": -1}, "salt makes no sense"),
        ({"salt": 1 << 32}, "salt makes no sense"),
        ({"part": 0}, "part makes no sense"),
        ({"part": True}, "part makes no sense"),
        ({"utc_ns": "now"}, "utc_ns makes no sense"),
        ({"utc_ns": 1.5}, "utc_ns makes no sense"),
        ({"monotonic_ns": 1 << 64}, "monotonic_ns makes no sense"),
        ({"preamble_bytes": 1 << 40}, "preamble_bytes makes no sense"),
    ],
)
def test_unusable_headers_are_named(change: dict[str, object], words: str) -> None:
    with pytest.raises(HeaderFault) as caught:
        read_header({**good_note(), **change})
    assert words in str(caught.value)


@pytest.mark.parametrize("name", sorted(set(good_note()) - {"software", "source", "vehicle", "site", "dictionary"}))
def test_what_the_records_need_must_be_there(name: str) -> None:
    note = good_note()
    del note[name]
    with pytest.raises(HeaderFault):
        read_header(note)


def test_a_session_of_an_older_version_says_less() -> None:
    note = {name: value for name, value in good_note().items() if name not in ("software", "source", "vehicle", "site")}
    header = read_header(note)
    assert (header.software, header.git, header.dictionary_hash, header.source) == (None, None, None, None)
    assert header.sheets == ({}, {})


def test_a_newer_minor_is_read_and_what_it_adds_is_kept() -> None:
    note = {**good_note(), "format_minor": 7, "new_thing": [1, {"deep": None}]}
    header = read_header(note)
    assert header.other == {"new_thing": [1, {"deep": None}]} and header.as_note() == note


NAMES = st.sampled_from(["software", "git", "dictionary_hash", "source", "vehicle", "site", "dictionary", "recovered", "x"])
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(NAMES, JSON))
def test_a_copy_loses_nothing_whatever_stands_there(odd: dict[str, object]) -> None:
    note = {**good_note(), **odd}
    header = read_header(note)
    assert header.as_note() == note
    assert all(isinstance(sheet, dict) for sheet in header.sheets)
    assert all(isinstance(getattr(header, name), str | None) for name in ("software", "git", "source", "dictionary"))


def test_what_is_unknown_stays_through_file_and_recovery(tmp_path: Path) -> None:
    strange = changed(small_header(), mood="calm", vehicle=["no", "table"])
    path, _ = write_part(tmp_path, "flight", ENTRIES, header=strange)
    session = open_session(path)
    assert session.header.other == {"mood": "calm", "vehicle": ["no", "table"]} and session.header.vehicle == {}
    kept = peek_header(recover(path).path).as_note()
    assert kept["mood"] == "calm" and kept["vehicle"] == ["no", "table"] and kept["recovered"]


def test_a_recorder_says_which_version_wrote_the_session(tmp_path: Path) -> None:
    clock = FakeClock()
    header = make_header(
        clock,
        software=Software("9.9", "abc1234"),
        dictionary="x",
        dictionary_hash="01234567",
        vehicle={},
        site={},
        source="s",
    )
    recorder = Recorder(tmp_path, "flight", header, clock=clock)
    found = peek_header(recorder.close())
    assert (found.software, found.git, found.dictionary_hash) == ("9.9", "abc1234", "01234567")


@pytest.mark.parametrize("path", sorted(SAMPLES.glob(f"*{SUFFIX}")), ids=lambda path: path.name)
def test_every_sample_of_an_earlier_version_is_read_without_a_rest(path: Path) -> None:
    session = open_session(path)
    assert session.records[0].note() == json.loads(json.dumps(session.header.as_note()))
    assert isinstance(session.header, SessionHeader) and session.header.other == {}
    assert session.header.git is None and session.header.dictionary_hash is None
    assert session.header.software and session.header.dictionary and session.header.vehicle and session.header.site
