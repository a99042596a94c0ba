"""Planted mistakes found, shrunk to a file, and found again when the file is played alone; never in a clean build."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.cli.cli import main
from server.rehearsal.cases import (
    Case,
    CaseProblem,
    Moment,
    Player,
    case_text,
    how_often,
    moments_of,
    read_case,
)
from server.rehearsal.conversation import RehearsalProblem
from server.rehearsal.judging import APART, NOT_FINITE
from server.rehearsal.shrinking import ddmin, shrunk
from tests.protocol.helpers import SANDPIPER
from tests.server.firmware.flight_build import host_program
from tests.server.rehearsal.helpers import READER, flight, player


@pytest.fixture(scope="module")
def faulty() -> Iterator[Player]:
    """The first planted mistake, to play moments to."""
    with player(1) as one:
        yield one


@pytest.fixture(scope="module")
def clean() -> Iterator[Player]:
    """The clean build, to play moments to."""
    with player(0) as one:
        yield one


@pytest.fixture(scope="module")
def first_fault(faulty: Player) -> Case:
    """The first planted mistake, shrunk."""
    flown, wrongs, _ = flight(1)
    return shrunk(faulty, moments_of(flown), wrongs[0], SANDPIPER)


def test_the_state_that_is_no_number_is_found_in_its_frame_with_what_began_there() -> None:
    flown, wrongs, run = flight(1)
    first = wrongs[0]
    assert not run.passed and (first.kind, first.component) == (NOT_FINITE, "navigation.rate_z")
    assert any(word.startswith("control.enabled goes to 1") for word in first.began)
    before = [READER.value(frame.answer, "body_rate.z") for frame in flown.frames[: first.frame]]
    assert all(value == value for value in before)  # none is a NaN
    told = READER.value(flown.frames[first.frame].answer, "body_rate.z")
    assert told != told
    assert "is not a number" in first.sentence() and f"frame {first.frame}," in first.sentence()


def test_a_control_of_the_wrong_sign_is_found_in_the_frame_in_which_it_begins() -> None:
    _, wrongs, run = flight(8)
    assert not run.passed and (wrongs[0].kind, wrongs[0].component) == (APART, "control.roll_command")
    assert any(word.startswith("control.enabled goes to 1") for word in wrongs[0].began)


def test_the_first_fault_shrinks_to_few_frames_of_few_channels(first_fault: Case) -> None:
    case = first_fault
    print(f"{case.frames} frames, channels {case.channels}")
    assert 1 <= case.frames <= 5 and len(case.channels) <= 3
    assert (case.kind, case.component) == (NOT_FINITE, "navigation.rate_z")


def test_its_file_fails_again_when_played_alone_and_not_on_a_clean_build(
    first_fault: Case, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "case.json"
    file.write_text(case_text(first_fault), "utf-8")
    assert read_case(file, SANDPIPER) == first_fault
    for fault, code, said in ((1, 3, "Reproduced in 8 of 8."), (0, 0, "not reproduced in 8 of 8.")):
        assert main(["rehearse", "--program", str(host_program(fault)), "--case", str(file)]) == code
        assert said in capsys.readouterr().out


def test_times_moved_by_more_than_lies_between_them_still_rise() -> None:
    seen: list[list[int]] = []

    class Listener:
        def shows(self, moments: Sequence[Moment], kind: str, component: str) -> None:
            assert all(time_us == moment[0] for moment in moments for _, time_us, _ in moment[1])
            seen.append([moment[0] for moment in moments])

    case = Case([(n * 10_000, (("sensors", n * 10_000, (0.0,) * 13),)) for n in range(50)], "k", "c", [])
    assert how_often(Listener(), case, 20, random.Random(1), jitter_s=0.02) == 0
    assert len({tuple(times) for times in seen}) == 20
    assert all(b > a >= 0 for times in seen for a, b in zip(times, times[1:], strict=False))


def test_times_moved_a_little_show_it_still_and_a_clean_build_never(
    first_fault: Case, faulty: Player, clean: Player
) -> None:
    assert how_often(faulty, first_fault, 4, random.Random(5), jitter_s=1e-6) == 4
    assert how_often(faulty, first_fault, 4, random.Random(5)) >= 1
    assert how_often(clean, first_fault, 4, random.Random(5)) == 0


def test_what_does_not_show_again_is_said_to_be_not_reproduced(clean: Player) -> None:
    flown, wrongs, _ = flight(1)
    with pytest.raises(RehearsalProblem, match="not reproduced"):
        shrunk(clean, moments_of(flown)[:900], wrongs[0], SANDPIPER)


# ---------------------------------------------------------------- the search alone


@given(st.sets(st.integers(0, 39), min_size=1, max_size=5), st.integers(0, 2**32))
def test_the_least_of_a_row_is_found_whatever_it_is(wanted: set[int], seed: int) -> None:
    """Zeller and Hildebrandt: 1-minimal, so what shows just when all of `wanted` is there leaves `wanted` alone."""
    items = list(range(40))
    tries: list[Sequence[int]] = []

    def shows(some: Sequence[int]) -> bool:
        tries.append(some)
        assert list(some) == sorted(some)
        return wanted.issubset(some)

    assert ddmin(items, shows) == sorted(wanted)
    assert len(tries) <= len(items) ** 2 + 3 * len(items)  # their bound, section III


def test_nothing_is_left_of_what_shows_by_itself() -> None:
    assert ddmin([1, 2, 3], lambda some: True) == []
    assert ddmin([1], lambda some: bool(some)) == [1]
    assert ddmin([], lambda some: True) == []


# ---------------------------------------------------------------- the file


CASE = Case(
    [(0, (("sensors", 0, (1.5,) * 13),)), (10_000, (("sensors", 10_000, (2.0,) * 13),))], "k", "c", ["x"], "f", 7, 2.5
)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("rehearsal case 1", "rehearsal case 2", "no rehearsal case of this version"),
        ("00000007", "00000008", "made with dictionary 00000008"),
        ('"sensors"', '"thermometer"', "does not describe"),
        ("[1.5, ", "[", "does not describe"),
        ("1.5", '"warm"', "cannot be read"),
        ('"kind"', '"sort"', "cannot be read"),
        ("]}\n", "", "cannot be read"),
    ],
)
def test_a_file_that_is_none_is_refused_in_a_sentence(tmp_path: Path, old: str, new: str, said: str) -> None:
    text = case_text(CASE if old == "00000007" else replace(CASE, dictionary_hash=SANDPIPER.hash32))
    assert old in text
    file = tmp_path / "case.json"
    file.write_text(text.replace(old, new, 1), "utf-8")
    with pytest.raises(CaseProblem, match=said):
        read_case(file, SANDPIPER)
