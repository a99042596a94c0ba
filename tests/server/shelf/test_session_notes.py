"""The file beside a recording: read back as written, whole or not at all, and never a way to lose what it holds."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.shelf.session_notes import (
    FIELDS,
    LABEL_AT_MOST,
    MARK,
    NOTES_AT_MOST,
    NotesProblem,
    checked,
    read_sidecar,
    sidecar_path,
    write_sidecar,
)

VIDEO = {"name": "tail.mp4", "lift_off_s": 12.5}


def test_nothing_there_is_nothing_noted(tmp_path: Path) -> None:
    assert read_sidecar(sidecar_path(tmp_path, "a")) == FIELDS
    assert list(tmp_path.iterdir()) == []


def test_fields_are_changed_one_by_one_and_taken_away_by_none(tmp_path: Path) -> None:
    path = sidecar_path(tmp_path, "flight")
    write_sidecar(path, {"label": "  First   flight "})
    write_sidecar(path, {"notes": "line one\nline <two>", "videos": [VIDEO], "onboard": {"offset_s": 1.5}})
    assert read_sidecar(path) == {
        "label": "First flight",
        "notes": "line one\nline <two>",
        "videos": [VIDEO],
        "onboard": {"offset_s": 1.5},
    }
    assert write_sidecar(path, {"onboard": None, "label": ""}) == {
        **FIELDS,
        "notes": "line one\nline <two>",
        "videos": [VIDEO],
    }
    assert [p.name for p in tmp_path.iterdir()] == ["flight.notes.json"], "no file is left over from writing"


def test_what_a_later_version_added_is_kept(tmp_path: Path) -> None:
    path = sidecar_path(tmp_path, "a")
    path.write_text(json.dumps({MARK: 1, "weather": ["dry"], "label": "x"}))
    write_sidecar(path, {"label": "y"})
    assert json.loads(path.read_text())["weather"] == ["dry"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "damaged"),
        (b"{", "damaged"),
        (b"[]", "damaged"),
        (b"null", "damaged"),
        (b'{"label": "x"}', "damaged"),
        (b'{"blockhouse_notes": true}', "damaged"),
        (b'{"blockhouse_notes": 1, "label": 3}', "damaged"),
        (b"\xff\xfe", "damaged"),
        (b"[" * 100_000, "damaged"),
        (b'{"blockhouse_notes": 2}', "newer Blockhouse (format 2)"),
        (b" " * (1 << 20) + b"{}", "damaged"),
    ],
)
def test_a_file_not_understood_is_said_and_left_as_it_is(tmp_path: Path, content: bytes, words: str) -> None:
    path = sidecar_path(tmp_path, "a")
    path.write_bytes(content)
    for act in (lambda: read_sidecar(path), lambda: write_sidecar(path, {"label": "new"})):
        with pytest.raises(NotesProblem, match="a.notes.json") as raised:
            act()
        assert words in str(raised.value)
    assert path.read_bytes() == content


@pytest.mark.parametrize(
    "fields",
    [
        {"label": 3},
        {"label": "x" * (LABEL_AT_MOST + 1)},
        {"label": "a\u202eb"},
        {"label": "\ud800"},
        {"notes": None},
        {"notes": "x" * (NOTES_AT_MOST + 1)},
        {"videos": {}},
        {"videos": [VIDEO] * 9},
        {"videos": [{"name": "x"}]},
        {"videos": [{"name": "x", "lift_off_s": True}]},
        {"videos": [{"name": "x", "lift_off_s": float("nan")}]},
        {"videos": [{"name": "", "lift_off_s": 1}]},
        {"colour": "red"},
    ],
)
def test_what_cannot_be_noted_is_refused_in_a_sentence(tmp_path: Path, fields: dict) -> None:
    with pytest.raises(NotesProblem) as raised:
        checked(fields)
    assert str(raised.value).endswith(".")
    path = sidecar_path(tmp_path, "a")
    if "colour" not in fields:
        with pytest.raises(NotesProblem):
            write_sidecar(path, fields)
        assert not path.exists()


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=200))
def test_notes_come_back_to_the_letter(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = sidecar_path(tmp_path_factory.mktemp("n"), "a")
    write_sidecar(path, {"notes": text})
    assert read_sidecar(path)["notes"] == text


def test_a_write_that_fails_leaves_the_old_file_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = sidecar_path(tmp_path, "a")
    write_sidecar(path, {"label": "old"})

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(NotesProblem, match="the disk is full"):
        write_sidecar(path, {"label": "new"})
    assert read_sidecar(path)["label"] == "old" and len(list(tmp_path.iterdir())) == 1
