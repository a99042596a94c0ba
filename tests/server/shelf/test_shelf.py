"""The shelf: every file listed with what it holds or why it cannot be opened, and a cache that may be anything."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import threading
from pathlib import Path

import pytest

import server.shelf.shelf
from server.json_text import to_json
from server.recording.clock import SystemClock
from server.recording.recorder import Recorder
from server.recording.session_file import SessionError
from server.recording.session_header import Software, make_header
from server.review.review import Review
from server.shelf.item_cache import INDEX_FILE
from server.shelf.shelf import ITEM, Shelf, UnknownSession
from server.shelf.trash import TrashProblem
from tests.server.flights import Flight, dictionary, flown, recorded
from tests.traffic import mixed_frames


def short_flight(seconds: float = 2.0) -> Flight:
    frames = mixed_frames(dictionary(), 20)
    return Flight(tuple((seconds * i / 20, frame) for i, frame in enumerate(frames, start=1)), {})


def by_name(shelf: Shelf, **options: object) -> dict[str, dict[str, object]]:
    items = shelf.items(**options)
    for item in items:
        assert item.keys() == ITEM.keys()
    return {str(item["name"]): item for item in items}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with one good recording called good."""
    recorded(tmp_path, short_flight(), "good")
    return tmp_path


def test_a_flight_is_listed_with_its_numbers(tmp_path: Path) -> None:
    path = recorded(tmp_path, flown("calm"), "flight")
    (item,) = Shelf(tmp_path).items()
    assert item["apogee_m"] == pytest.approx(flown("calm").truth["apogee_m"], rel=0.01)
    assert item["duration_s"] == pytest.approx(flown("calm").chunks[-1][0], abs=0.01)
    assert item["size_bytes"] == path.stat().st_size
    assert {k: item[k] for k in ("name", "vehicle", "site", "started_utc", "sentence", "openable", "recording")} == {
        "name": "flight",
        "vehicle": "Sandpiper",
        "site": "Mossbank Field",
        "started_utc": "2025-06-15T15:06:40+00:00",
        "sentence": None,
        "openable": True,
        "recording": False,
    }
    json.dumps(item)


def test_no_folder_is_an_empty_shelf(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "nothing" / "here")
    assert shelf.items() == []
    with pytest.raises(UnknownSession):
        shelf.path_of("flight")


def test_newest_first_and_several_folders(tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    for folder, name, utc_ns in ((one, "a", 2), (two, "b", 3), (one, "c", 1), (two, "a", 9)):
        recorded(folder, short_flight(), name, utc_ns=utc_ns * 10**18)
    shelf = Shelf(one, [two, tmp_path / "none"])
    assert [item["name"] for item in shelf.items()] == ["b", "a", "c"]
    assert shelf.path_of("a").parent == one, "the first folder wins"


# ---------------------------------------------------------------- what cannot be opened


def bad_files(folder: Path) -> dict[str, str]:
    """Put files of every bad kind beside the good one; return what must be said of each."""
    good = (folder / "good.pcapng").read_bytes()
    (folder / "empty.pcapng").write_bytes(b"")
    (folder / "torn.pcapng").write_bytes(good[:60])
    (folder / "foreign.pcapng").write_bytes(b"\x0a\x0d\x0d\x0a" + bytes(200))
    (folder / "text.pcapng").write_text("just a note to myself")
    (folder / "folder.pcapng").mkdir()
    (folder / "dangling.pcapng").symlink_to(folder / "nowhere")
    return {
        "empty": "is empty",
        "torn": "ends before its header was complete",
        "foreign": "is not a Blockhouse session",
        "text": "is not a Blockhouse session",
        "folder": "cannot be read",
        "dangling": "There is no file",
    }


def test_bad_files_are_listed_with_a_sentence_and_never_hide_the_others(folder: Path) -> None:
    said = bad_files(folder)
    shelf = Shelf(folder)
    for items in (by_name(shelf), by_name(shelf)):  # the second time from the cache
        assert items.keys() == {"good", *said}
        assert items["good"]["openable"] and items["good"]["sentence"] is None
        for name, words in said.items():
            sentence = str(items[name]["sentence"])
            assert words in sentence and name in sentence and sentence.endswith("."), sentence
            assert not items[name]["openable"]
            with pytest.raises(SessionError):
                shelf.open(name)


def test_a_newer_format_is_refused_by_its_number(tmp_path: Path) -> None:
    recorded(tmp_path, short_flight(), "newer", format_major=7)
    (item,) = Shelf(tmp_path).items()
    assert "newer Blockhouse (format 7)" in str(item["sentence"]) and not item["openable"]


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ({"dictionary": None}, "holds no dictionary"),
        ({"dictionary": 3}, "holds no dictionary"),
        ({"dictionary": "[packet"}, "dictionary that cannot be used"),
        ({"dictionary": ""}, "dictionary that cannot be used"),
        ({"dictionary": "a = " + "[" * 20_000}, "odd.pcapng"),
    ],
)
def test_a_dictionary_that_cannot_be_used_is_said_and_hides_nothing(folder: Path, header: dict, words: str) -> None:
    recorded(folder, short_flight(), "odd", **header)
    items = by_name(Shelf(folder))
    assert words in str(items["odd"]["sentence"]) and not items["odd"]["openable"]
    assert items["good"]["openable"]


@pytest.mark.parametrize("sheet", [None, 3, "text", [], ["a"], True, {"name": ["x"]}, {"name": "<b>\u202e"}])
def test_sheets_of_any_shape(folder: Path, sheet: object) -> None:
    """Fault 44: a crafted file; make_header itself writes only tables."""
    recorded(folder, short_flight(), "odd", vehicle=sheet, site=sheet)
    items = by_name(Shelf(folder))
    assert items["odd"]["openable"] and isinstance(items["odd"]["vehicle"], str)
    assert items["good"]["openable"]


def test_damage_and_an_unclosed_end_are_said_of_a_file_that_still_opens(folder: Path) -> None:
    data = bytearray((folder / "good.pcapng").read_bytes())
    middle = len(data) * 3 // 4
    data[middle : middle + 8] = b"\xff" * 8
    (folder / "hurt.pcapng").write_bytes(data)
    recorded(folder, short_flight(), "open", close=False)
    items = by_name(Shelf(folder))
    assert "damaged in 1 place; everything else is shown" == items["hurt"]["sentence"]
    assert "not closed properly" in str(items["open"]["sentence"])
    assert items["hurt"]["openable"] and items["open"]["openable"]


def test_parts_of_one_session_are_one_item(folder: Path) -> None:
    shutil.copy(folder / "good.pcapng", folder / "good~2.pcapng")
    assert list(by_name(Shelf(folder))) == ["good"]


def test_the_session_being_recorded_is_not_opened(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: Path) -> None:
        raise AssertionError(path)

    monkeypatch.setattr(server.shelf.shelf, "open_review", refuse)
    (item,) = Shelf(folder).items(recording="good")
    assert (item["recording"], item["openable"], item["sentence"]) == (True, False, "being recorded now")
    assert (item["vehicle"], item["started_utc"]) == ("Sandpiper", "2025-06-15T15:06:40+00:00")


# ---------------------------------------------------------------- names


NOT_NAMES = ["../good", "..%2fgood", "/etc/passwd", "good.pcapng", "", ".", "GOOD", "good~2", "good\0", "*", "g?od"]
HOSTILE_NAMES = ["<img src=x onerror=alert(1)>", "a'; DROP TABLE item; --", "\u202egnp", "a b\nc", "%2e%2e"]


@pytest.mark.parametrize("name", NOT_NAMES)
def test_only_names_found_by_listing_are_opened(folder: Path, name: str) -> None:
    shelf = Shelf(folder / ".")
    (folder / "sub").mkdir()
    with pytest.raises(UnknownSession):
        Shelf(folder / "sub").path_of(name)
    with pytest.raises(UnknownSession):
        shelf.path_of(name)


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_a_name_is_only_a_name(folder: Path, name: str) -> None:
    shutil.copy(folder / "good.pcapng", folder / f"{name}.pcapng")
    for _ in range(2):
        items = by_name(Shelf(folder))
        assert items.keys() == {"good", name} and items[name]["openable"]
    assert Shelf(folder).open(name).name == name


def test_a_name_that_is_no_text_hides_nothing(folder: Path) -> None:
    """A Linux file name is bytes; Python shows those that are not UTF-8 as lone surrogates."""
    shutil.copy(folder / "good.pcapng", os.fsencode(folder) + b"/caf\xe9.pcapng")
    for _ in range(2):
        items = by_name(Shelf(folder))
        assert len(items) == 2 and items["good"]["openable"]
        json.loads(to_json(list(items.values())))


# ---------------------------------------------------------------- the cache


def count_openings(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    opened: list[Path] = []
    real = server.shelf.shelf.open_review
    monkeypatch.setattr(server.shelf.shelf, "open_review", lambda path: opened.append(path) or real(path))
    return opened


def test_the_second_listing_opens_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = count_openings(monkeypatch)
    first = Shelf(folder).items()
    assert len(opened) == 1
    assert Shelf(folder).items() == first and len(opened) == 1


def test_a_file_that_changed_is_computed_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = count_openings(monkeypatch)
    before = by_name(Shelf(folder))["good"]
    recorded(folder / "new", short_flight(9.0), "good")
    (folder / "new" / "good.pcapng").replace(folder / "good.pcapng")
    after = by_name(Shelf(folder))["good"]
    assert len(opened) == 2 and (before["duration_s"], after["duration_s"]) == (2.0, 9.0)


def test_a_part_that_came_later_counts(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = count_openings(monkeypatch)
    Shelf(folder).items()
    shutil.copy(folder / "good.pcapng", folder / "good~2.pcapng")
    Shelf(folder).items()
    assert len(opened) == 2


def rows(index: Path, statement: str) -> None:
    connection = sqlite3.connect(index)
    connection.execute(statement)
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE item SET body = 'not json'",
        "UPDATE item SET body = '[]'",
        "UPDATE item SET body = 'null'",
        'UPDATE item SET body = \'{"name": "good"}\'',
        "UPDATE item SET body = NULL",
        "UPDATE item SET body = x'ff00'",
        "DELETE FROM item",
        "DROP TABLE item",
        "PRAGMA user_version = 99",
        "ALTER TABLE item RENAME COLUMN body TO other",
    ],
)
def test_a_cache_of_other_contents_is_made_again(folder: Path, statement: str) -> None:
    fresh = Shelf(folder).items()
    rows(folder / INDEX_FILE, statement)
    assert Shelf(folder).items() == fresh
    assert Shelf(folder).items() == fresh


def test_a_cache_of_another_version_is_not_believed(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fresh = Shelf(folder).items()
    rows(folder / INDEX_FILE, "PRAGMA user_version = 99")
    opened = count_openings(monkeypatch)
    assert Shelf(folder).items() == fresh and len(opened) == 1


@pytest.mark.parametrize("content", [b"", b"garbage", b"SQLite format 3\0" + bytes(range(256)) * 20])
def test_a_cache_that_is_no_database_is_thrown_away(folder: Path, content: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    fresh = Shelf(folder).items()
    (folder / INDEX_FILE).write_bytes(content)
    assert Shelf(folder).items() == fresh  # from a cache in memory; the one on the disk is made the next time
    assert Shelf(folder).items() == fresh
    opened = count_openings(monkeypatch)
    assert Shelf(folder).items() == fresh and opened == []


def test_every_byte_of_the_cache_may_rot(folder: Path) -> None:
    fresh = Shelf(folder).items()
    good = (folder / INDEX_FILE).read_bytes()
    for place in range(0, len(good), 97):
        rotten = bytearray(good)
        rotten[place : place + 16] = b"\xa5" * len(rotten[place : place + 16])
        (folder / INDEX_FILE).write_bytes(rotten)
        listed = Shelf(folder).items()
        assert [item["name"] for item in listed] == ["good"], place
        assert listed[0]["openable"] or listed == fresh


def test_a_cache_that_cannot_be_made_only_costs_time(folder: Path) -> None:
    fresh = Shelf(folder).items()
    (folder / INDEX_FILE).unlink()
    (folder / INDEX_FILE).mkdir()
    assert Shelf(folder).items() == fresh


def test_the_cache_can_be_deleted_while_the_station_runs(folder: Path) -> None:
    shelf = Shelf(folder)
    fresh = shelf.items()
    (folder / INDEX_FILE).unlink()
    assert shelf.items() == fresh
    assert (folder / INDEX_FILE).exists()


def test_an_unforeseen_fault_of_one_file_hides_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recorded(folder, short_flight(), "other")
    real = server.shelf.shelf.summarize

    def fail(review: Review) -> dict[str, object]:
        return real(review) if review.name == "good" else {}["apogee"]

    monkeypatch.setattr(server.shelf.shelf, "summarize", fail)
    items = by_name(Shelf(folder))
    assert items["good"]["openable"] and not items["other"]["openable"]
    assert "internal fault (KeyError" in str(items["other"]["sentence"])


def test_a_file_that_vanishes_while_it_is_looked_at(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recorded(folder, short_flight(), "other")
    real = server.shelf.shelf.peek_header

    def vanish(path: Path) -> dict[str, object]:
        header = real(path)
        if path.name == "other.pcapng":
            path.unlink()
        return header

    monkeypatch.setattr(server.shelf.shelf, "peek_header", vanish)
    items = by_name(Shelf(folder))
    assert items["good"]["openable"] and not items["other"]["openable"]


def test_a_session_another_station_is_recording_is_not_called_badly_closed(tmp_path: Path) -> None:
    clock = SystemClock()
    header = make_header(clock, software=Software("t"), dictionary=dictionary().text, vehicle={}, site={}, source="t")
    recorder = Recorder(tmp_path, "elsewhere", header, clock=clock)
    try:
        assert sentence_of(tmp_path, "elsewhere") == "another station is recording it now; what it holds so far is shown"
    finally:
        recorder.close()
    assert sentence_of(tmp_path, "elsewhere") is None


def sentence_of(folder: Path, name: str) -> object:
    return next(item["sentence"] for item in Shelf(folder).items() if item["name"] == name)


# ---------------------------------------------------------------- what a person adds, and the trash


def test_findings_are_counted_by_severity(tmp_path: Path) -> None:
    recorded(tmp_path, flown("bad-number"), "flight")
    (item,) = Shelf(tmp_path).items()
    told = [finding["severity"] for finding in server.shelf.shelf.summarize(Shelf(tmp_path).open("flight"))["findings"]]
    assert told and item["findings"] == {name: told.count(name) for name in ("info", "caution", "warning")}


def test_label_and_notes_are_beside_the_recording_and_shown_at_once(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = (folder / "good.pcapng").read_bytes()
    shelf = Shelf(folder)
    shelf.items()
    shelf.note("good", {"label": "Maiden", "notes": "wind from the west"})
    item = by_name(shelf)["good"]
    assert (item["label"], item["notes"], item["name"]) == ("Maiden", "wind from the west", "good")
    assert (folder / "good.pcapng").read_bytes() == before
    opened = count_openings(monkeypatch)
    assert by_name(shelf)["good"] == item and opened == []
    with pytest.raises(UnknownSession):
        shelf.note("other", {"label": "x"})


def test_damaged_notes_are_said_and_hide_nothing(folder: Path) -> None:
    (folder / "good.notes.json").write_text("{")
    item = by_name(Shelf(folder))["good"]
    assert item["openable"] and item["label"] == "good" and "good.notes.json is damaged" in str(item["sentence"])


def test_deleted_and_restored(folder: Path) -> None:
    shutil.copy(folder / "good.pcapng", folder / "good~2.pcapng")
    recorded(folder, short_flight(), "other")
    shelf = Shelf(folder)
    shelf.note("good", {"label": "Maiden"})
    before = by_name(shelf)["good"]
    shelf.delete("good")
    assert list(by_name(shelf)) == ["other"]
    (entry,) = shelf.trash()
    assert (entry["name"], entry["label"]) == ("good", "Maiden") and entry["size_bytes"] > before["size_bytes"]
    with pytest.raises(UnknownSession):
        shelf.restore("../good")
    shelf.restore(str(entry["entry"]))
    assert by_name(shelf)["good"] == before and shelf.trash() == []


def test_bad_files_can_be_deleted_and_restored_too(folder: Path) -> None:
    said = bad_files(folder)
    shelf = Shelf(folder)
    for name in said:
        shelf.delete(name)
    assert list(by_name(shelf)) == ["good"]
    for entry in shelf.trash():
        if entry["entry"] != "0 folder":
            shelf.restore(str(entry["entry"]))
    assert by_name(shelf).keys() >= {"good", "empty", "torn", "foreign", "text"}


def test_what_is_being_recorded_is_not_deleted(tmp_path: Path) -> None:
    clock = SystemClock()
    header = make_header(clock, software=Software("t"), dictionary=dictionary().text, vehicle={}, site={}, source="t")
    recorder = Recorder(tmp_path, "elsewhere", header, clock=clock)
    try:
        with pytest.raises(TrashProblem, match="being recorded"):
            Shelf(tmp_path).delete("elsewhere")
        assert (tmp_path / "elsewhere.pcapng").exists()
    finally:
        recorder.close()
    Shelf(tmp_path).delete("elsewhere")


def test_samples_are_only_read(tmp_path: Path) -> None:
    samples, mine = tmp_path / "samples", tmp_path / "mine"
    recorded(samples, short_flight(), "calm")
    shelf = Shelf(mine, samples=samples)
    before = sorted(p.name for p in samples.iterdir())
    shelf.note("calm", {"label": "seen"})
    item = by_name(shelf)["calm"]
    assert item["sample"] and item["label"] == "seen"
    with pytest.raises(TrashProblem, match="came with the program"):
        shelf.delete("calm")
    assert sorted(p.name for p in samples.iterdir()) == before
    recorded(mine, short_flight(), "calm")
    assert by_name(shelf)["calm"]["label"] == "calm", "one's own session of that name has its own notes"


def test_a_long_shelf_is_shown_at_once_and_computed_bit_by_bit(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("b", "c"):
        shutil.copy(folder / "good.pcapng", folder / f"{name}.pcapng")
    (folder / "text.pcapng").write_text("no session")
    opened = count_openings(monkeypatch)
    rounds = []
    for _ in range(4):
        already = len(opened)
        items = by_name(Shelf(folder), enough=lambda already=already: len(opened) > already)
        assert items.keys() == {"good", "b", "c", "text"} and not items["text"]["pending"]
        assert all(item["vehicle"] == "Sandpiper" for name, item in items.items() if name != "text")
        rounds.append(sum(bool(item["pending"]) for item in items.values()))
    assert rounds == [2, 1, 0, 0] and len(opened) == 3


def test_what_another_listing_has_found_meanwhile_is_never_pending_again(folder: Path) -> None:
    """Two pages list at once: the one that gives up early must not undo what the other has just computed."""
    others: list[object] = []

    def enough() -> bool:
        if not others:
            others.extend(Shelf(folder).items())
        return True

    by_name(Shelf(folder), enough=enough)
    assert others and not any(item["pending"] for item in by_name(Shelf(folder), enough=lambda: True).values())


def test_two_listings_of_one_station_come_one_after_the_other(folder: Path) -> None:
    shelf, begun, entered = Shelf(folder), threading.Event(), threading.Event()

    def enough() -> bool:
        begun.set()
        entered.wait(0.5)
        return False

    first = threading.Thread(target=shelf.items, kwargs={"enough": enough})
    first.start()
    assert begun.wait(5.0)
    items = shelf.items(enough=lambda: bool(entered.set()) or True)
    first.join()
    assert not any(item["pending"] for item in items)


def test_a_folder_named_twice_is_one_and_a_sample_stays_a_sample(tmp_path: Path) -> None:
    samples, mine = tmp_path / "samples", tmp_path / "mine"
    recorded(samples, short_flight(), "calm")
    recorded(mine, short_flight(), "own")
    (tmp_path / "link").symlink_to(mine)
    shelf = Shelf(mine, [tmp_path / "link", samples / "."], samples)
    items = by_name(shelf)
    assert items["calm"]["sample"] and not items["own"]["sample"]
    with pytest.raises(TrashProblem):
        shelf.delete("calm")
    shelf.delete("own")
    assert len(shelf.trash()) == 1
