"""Past trials: read from real recordings, kept while a file is unchanged, and a broken file tells of none."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import server.shelf.past_trials
from server.shelf.past_trials import PastTrials, trials_in
from server.shelf.shelf import Shelf

SAMPLE = Path(__file__).resolve().parents[3] / "replay_samples" / "bench-trial.pcapng"


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """A shelf with a session in which a trial ended, one cut off in the middle of it, and one that is none."""
    shutil.copy(SAMPLE, tmp_path / "bench.pcapng")
    whole = SAMPLE.read_bytes()
    (tmp_path / "cut.pcapng").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "odd.pcapng").write_bytes(b"no recording")
    return Shelf(tmp_path)


def test_what_a_trial_ended_with_is_told(shelf: Shelf) -> None:
    told = PastTrials(shelf).of("Sandpiper", None)
    (trial,) = told["trials"]
    assert told["whole"] is True
    assert (trial["session"], trial["plan"], trial["outcome"], trial["safe"]) == ("bench", "arm-safe", "passed", True)
    assert (trial["cycles"], trial["runs"], trial["passed"]) == (10, 40, 40)
    assert trial["bound"] == pytest.approx(0.0722, abs=1e-4)
    assert trial["ended_utc"].endswith("+00:00")


def test_another_vehicle_the_session_being_recorded_and_samples_are_left_out(shelf: Shelf, tmp_path: Path) -> None:
    past = PastTrials(shelf)
    assert past.of("Plover", None)["trials"] == []
    assert past.of("Sandpiper", "bench")["trials"] == []
    assert PastTrials(Shelf(tmp_path / "empty", samples=SAMPLE.parent)).of("Sandpiper", None)["trials"] == []


def test_a_file_is_read_again_only_when_it_changed(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []

    def reading(path: Path, name: str) -> object:
        read.append(name)
        return trials_in(path, name)

    monkeypatch.setattr(server.shelf.past_trials, "trials_in", reading)
    past = PastTrials(shelf)
    assert past.of("Sandpiper", None, lambda: True) == {"trials": [], "whole": False}, "no time was left"
    assert read == []
    past.of("Sandpiper", None)
    past.of("Sandpiper", None)
    assert sorted(read) == ["bench", "cut", "odd"]
    shutil.copy(SAMPLE, shelf.path_of("cut"))
    assert len(past.of("Sandpiper", None)["trials"]) == 2
    assert sorted(read) == ["bench", "cut", "cut", "odd"]
