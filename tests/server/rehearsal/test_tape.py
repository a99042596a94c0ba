"""A rehearsal's recording: value for value what was answered, and taken for a flight by nobody."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from protocol.framing import FrameSplitter
from protocol.stimulus import open_stimulus
from server.cli.cli import main
from server.cli.rehearse import fly, record
from server.recording.clock import SystemClock
from server.recording.records import Kind
from server.recording.session_file import open_session, peek_header
from server.rehearsal.closed_loop import Plan
from server.rehearsal.flown import Flown
from server.rehearsal.tape import Tape, write_tape
from server.review.review import open_review, rehearsal_of
from server.review.summary import summarize
from server.shelf.shelf import Shelf
from server.twin.scenarios import load_scenario
from tests.protocol.helpers import SANDPIPER
from tests.server.flights import flown as flight_of_the_twin
from tests.server.flights import recorded
from tests.server.http.page_server import PageServer, run
from tests.server.rehearsal.helpers import READER, computer, judge


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Flown]]:
    """One run of the example with the first planted mistake, and its file."""
    folder = tmp_path_factory.mktemp("rehearsals")
    with computer(1) as talk:
        talk.tape = Tape()
        flown, _, _ = fly(talk, judge(), Plan(load_scenario("calm"), 2), None)
        yield record(talk, folder, "calm, seed 2"), flown


def test_it_is_replayed_value_for_value(recording: tuple[Path, Flown]) -> None:
    file, flown = recording
    review = open_review(file)
    answered = [frame.answer for frame in flown.frames if frame.answer is not None]
    for index, name in enumerate(READER.names):
        rows, wanted = review.output.rows[name], np.array([one.packets[index] for one in answered], dtype=np.float64)
        got = np.column_stack([rows.columns[channel.name] for channel in READER.channels[index]])
        # What was answered stands there in one piece, between what the computer said before and after.
        lead = next(n for n in range(len(got)) if np.array_equal(got[n : n + len(wanted)], wanted, equal_nan=True))
        assert lead <= 2
        # At the moments of the rehearsal, by the station's clock and by the vehicle's.
        moments = np.array([frame.time_us / 1e6 for frame in flown.frames if frame.answer is not None])
        assert np.allclose(rows.rx_s[lead : lead + len(wanted)], moments, atol=1e-9)
        assert np.allclose(np.diff(rows.t[lead : lead + len(wanted)]), np.diff(moments), atol=2e-3)
    assert not review.session.damage and review.session.closed
    states = review.output.rows["rehearsal"].columns["state"]
    assert (states[0], states[-1]) == (1.0, 0.0)  # and it is over at its end


def test_what_was_played_stands_in_it_too(recording: tuple[Path, Flown]) -> None:
    file, flown = recording
    splitter, sent = FrameSplitter(), []
    for item in open_session(file).records:
        if item.kind == Kind.SENT:
            sent += [
                opened
                for frame, _ in splitter.feed(item.payload)
                if not isinstance(opened := open_stimulus(SANDPIPER, frame), str)
            ]
    wanted = [(name, time_us) for frame in flown.frames for name, time_us, _ in frame.stimuli]
    assert [(one.name, one.time_us) for one in sent] == wanted


def test_it_is_marked_and_no_list_takes_it_for_a_flight(
    recording: tuple[Path, Flown], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, _ = recording
    folder = tmp_path / "sessions"
    flight = recorded(folder, flight_of_the_twin("calm", 1))
    shutil.copy(file, folder / file.name)
    assert peek_header(file).rehearsal == "calm, seed 2" and peek_header(flight).rehearsal is None
    review = open_review(file)
    assert rehearsal_of(review) == "calm, seed 2" and rehearsal_of(open_review(flight)) == ""
    assert summarize(review)["rehearsal"] == "calm, seed 2" and "rehearsal" not in summarize(open_review(flight))
    told = {item["name"]: item["rehearsal"] for item in Shelf(folder).items()}
    assert told == {file.stem: "calm, seed 2", flight.stem: ""}
    files = [str(flight), str(folder / file.name)]
    assert main(["compare", *files]) == 1 and "is a rehearsal, not a flight" in capsys.readouterr().err
    assert main(["compare", *files, "--rehearsals"]) == 0
    assert main(["next", files[1]]) == 1 and "is a rehearsal, not a flight" in capsys.readouterr().err
    assert main(["summary", files[1]]) == 0
    assert "REHEARSAL on the bench, nothing of it was flown: calm, seed 2" in capsys.readouterr().out


def test_what_a_station_heard_of_a_rehearsal_is_one_without_a_word_in_its_header(
    recording: tuple[Path, Flown], tmp_path: Path
) -> None:
    session = open_session(recording[0])
    heard = Tape(0, [(False, n, item.payload) for n, item in enumerate(session.records) if item.kind == Kind.RECEIVED])
    file = write_tape(heard, tmp_path, "live", session.header, None, SystemClock())
    assert peek_header(file).rehearsal is None and rehearsal_of(open_review(file)) == "heard on the bench"


def test_the_page_is_told_which_is_one_and_lists_it_only_when_asked(
    recording: tuple[Path, Flown], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def what(bench: PageServer) -> None:
        bench.http.timeout = 20
        folder, get, file = bench.site.shelf._folder, bench.http.get, recording[0]
        flight = recorded(folder, flight_of_the_twin("calm", 1))
        shutil.copy(file, folder / file.name)
        assert [item["name"] for item in (await get("/api/sessions")).json()] == [flight.stem]
        asked = (await get("/api/sessions?rehearsals=true")).json()
        assert {item["name"]: item["rehearsal"] for item in asked} == {flight.stem: "", file.stem: "calm, seed 2"}
        both = f"/api/compare?sessions={flight.stem},{file.stem}"
        refused = await get(both)
        assert refused.status_code == 409 and "is a rehearsal, not a flight" in refused.text
        assert (await get(f"{both}&rehearsals=true")).status_code == 200
        for one, which in ((file, "calm, seed 2"), (flight, "")):
            assert (await get(f"/api/sessions/{one.stem}/dictionary")).json()["rehearsal"] == which
            said = (await get(f"/api/sessions/{one.stem}/summary")).json()["verdict"]
            assert said.startswith("Rehearsal: ") == bool(which)

    run(what, tmp_path, monkeypatch, mode="replay")
