"""A log kept with its session: read again, moved with it, and gone when it is taken away."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.review.review import open_review
from server.shelf import onboard_store
from server.shelf.onboard_mapping import LogProblem
from server.shelf.onboard_store import OnboardStore
from server.shelf.session_notes import read_sidecar
from server.shelf.shelf import Shelf
from tests.server.flights import recorded
from tests.server.shelf.test_onboard_alignment import logged


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """A shelf with one flight, and the card of the vehicle that flew it outside of it."""
    flight, text = logged("calm", 1, 31.7, 4e-5)
    recorded(tmp_path / "shelf", flight, "mine")
    (tmp_path / "card.csv").write_text(text)
    return Shelf(tmp_path / "shelf")


def test_kept_read_again_thrown_away_restored_and_dropped(shelf: Shelf, tmp_path: Path, monkeypatch) -> None:
    review, place, store = open_review(shelf.path_of("mine")), shelf.place_of("mine"), OnboardStore()
    with pytest.raises(LogProblem, match="No onboard log was imported"):
        store.report(review, place)
    told = store.take(review, place, tmp_path / "card.csv", None, "../x/card.csv")
    assert shelf.items()[0]["onboard"] and store.report(review, place) == told
    reads: list[Path] = []
    real = onboard_store.read_log
    monkeypatch.setattr(
        onboard_store, "read_log", lambda path, *more, **named: reads.append(path) or real(path, *more, **named)
    )
    assert store.kept(place)[0] is store.kept(place)[0] and reads == []
    assert OnboardStore().report(review, place) == told and len(reads) == 1
    assert read_sidecar(place.noted)["onboard"]["file"] == "card.csv"
    shelf.delete("mine")
    assert [p.name for p in (tmp_path / "shelf").iterdir() if "sqlite" not in p.name] == ["trash"]
    shelf.restore("0 mine")
    assert store.report(review, shelf.place_of("mine")) == told
    store.drop(place)
    assert not shelf.items()[0]["onboard"] and "onboard" not in read_sidecar(place.noted)
    with pytest.raises(LogProblem, match="No onboard log"):
        store.kept(place)


def test_events_of_a_file_of_their_own_are_kept_with_the_log(shelf: Shelf, tmp_path: Path) -> None:
    review, place = open_review(shelf.path_of("mine")), shelf.place_of("mine")
    events = tmp_path / "events.txt"
    events.write_text("-15000 something happened\n")
    told = OnboardStore().take(review, place, tmp_path / "card.csv", None, "card.csv", events=events)
    (found,) = [t for t, text in told.events if text == "something happened"]
    assert found == pytest.approx(16.7, abs=0.02)
    events.unlink()
    assert OnboardStore().report(review, place) == told, "looked at later, by another station"
    assert place.beside(".onboard.events.txt").read_text() == "-15000 something happened\n"
    shelf.delete("mine")
    shelf.restore("0 mine")
    assert OnboardStore().report(review, shelf.place_of("mine")) == told
    OnboardStore().take(review, place, tmp_path / "card.csv", None, "card.csv")
    assert "something happened" not in str(OnboardStore().report(review, place)), "they were another log's"
    OnboardStore().drop(place)
    assert sorted(path.name for path in (tmp_path / "shelf").glob("mine*")) == ["mine.notes.json", "mine.pcapng"]


def test_events_that_cannot_be_read_keep_nothing(shelf: Shelf, tmp_path: Path) -> None:
    review, place = open_review(shelf.path_of("mine")), shelf.place_of("mine")
    (tmp_path / "events.txt").write_text("no time\n")
    with pytest.raises(LogProblem, match="events.txt, line 1"):
        OnboardStore().take(review, place, tmp_path / "card.csv", None, "card.csv", events=tmp_path / "events.txt")
    assert [path.name for path in (tmp_path / "shelf").glob("mine*")] == ["mine.pcapng"]


def test_a_disk_that_refuses_leaves_what_was_there(shelf: Shelf, tmp_path: Path, monkeypatch) -> None:
    review, place, store = open_review(shelf.path_of("mine")), shelf.place_of("mine"), OnboardStore()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(onboard_store.shutil, "copyfile", full)
    with pytest.raises(LogProblem, match="the disk is full"):
        store.take(review, place, tmp_path / "card.csv", None, "card.csv")
    assert [p.name for p in (tmp_path / "shelf").iterdir() if "sqlite" not in p.name] == ["mine.pcapng"]
