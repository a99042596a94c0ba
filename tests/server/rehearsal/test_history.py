"""How each firmware build has done: kept run by run, read again whatever the file holds, and told with the exact bound."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from scipy.stats import beta

from server.cli.cli import main
from server.rehearsal.history import FILE, Mark, Past, build_of, by_build, keep, past_of, read
from server.rehearsal.judging import NOT_FINITE, Wrong
from tests.server.rehearsal.test_score import run

BAD = Wrong(NOT_FINITE, 825, 8_250_000, "navigation.rate_z", math.nan, None, ("control.enabled goes to 1",))
AT = "2026-06-15T15:{:02d}:00Z"


def past(minute: int, *, passed: bool = True, build: str = "0a1b2c3d", invalid: bool = False, wrong: str = "") -> Past:
    return Past(AT.format(minute), "example 1", build, "calm", 1, passed, invalid, wrong, "")


def test_what_is_kept_comes_back_and_another_rehearsal_adds_to_it(tmp_path: Path) -> None:
    file = tmp_path / FILE
    assert read(file) == ([], 0)
    runs = [past_of(run(), "example 1", "ab", AT.format(1)), past_of(run(BAD), "example 1", "ab", AT.format(1))]
    keep(file, runs)
    keep(file, [past(2)])
    assert read(file) == ([*runs, past(2)], 0)
    assert [one.wrong for one in runs] == ["", "navigation.rate_z, not finite"]
    assert past_of(run(landed=False), "", "", AT.format(1)).wrong == "not flown to the ground"


@pytest.mark.parametrize("line", ["{", "[]", "{}", '"text"', "\udcff".encode("utf-8", "surrogateescape"), b"\xff\xfe"])
def test_a_line_that_is_none_hides_no_other(tmp_path: Path, line: str | bytes) -> None:
    file = tmp_path / FILE
    keep(file, [past(1)])
    with file.open("ab") as out:
        out.write((line if isinstance(line, bytes) else line.encode()) + b"\n")
    keep(file, [past(2)])
    assert read(file) == ([past(1), past(2)], 1)


def test_a_value_of_another_kind_is_none(tmp_path: Path) -> None:
    file = tmp_path / FILE
    keep(file, [past(1)])
    said = json.loads(file.read_text("utf-8"))
    file.write_text(json.dumps({**said, "passed": "yes"}) + "\n", "utf-8")
    assert read(file) == ([], 1)


def test_builds_are_told_apart_by_what_they_say_and_by_their_file() -> None:
    """The bound is Clopper and Pearson's, one-sided: the beta distribution's quantile (scipy)."""
    runs = [past(n) for n in range(1, 8)] + [past(8, passed=False, wrong="a"), past(9, passed=False, wrong="b")]
    runs += [past(10, passed=False, wrong="b"), past(11, passed=False, invalid=True), past(20, build="ffffffff")]
    newer, older = by_build(runs)
    assert (newer.build, newer.runs, newer.passed, newer.worst) == ("ffffffff", 1, 1, "")
    assert (older.runs, older.passed, older.invalid, older.worst) == (10, 7, 1, "b")
    assert [one.outcome for one in older.course] == ["passed"] * 7 + ["failed"] * 3 + ["invalid"]
    assert older.course[0] == Mark(AT.format(1), "calm", 1, "passed", "", "")
    assert older.fails_below == pytest.approx(beta.ppf(0.95, 4, 7))
    assert (older.first_utc, older.last_utc) == (AT.format(1), AT.format(11))


def test_a_run_is_found_again_by_the_name_of_its_recording_and_an_old_line_reads_as_before(tmp_path: Path) -> None:
    line = {
        "utc": AT.format(1), "firmware": "example 1", "build": "ab", "scenario": "calm", "seed": 7, "passed": False,
        "invalid": False, "wrong": "x", "recording": "/somewhere/sessions/a-rehearsal-calm-seed-7~2.pcapng",
    }  # fmt: skip
    (tmp_path / FILE).write_text(json.dumps(line) + "\n")
    runs, damaged = read(tmp_path / FILE)
    ((mark,),) = (build.course for build in by_build(runs))
    assert damaged == 0 and mark == Mark(AT.format(1), "calm", 7, "failed", "x", "a-rehearsal-calm-seed-7")


def test_only_invalid_runs_prove_nothing() -> None:
    (only,) = by_build([past(1, passed=False, invalid=True)])
    assert (only.runs, only.passed, only.fails_below, only.worst) == (0, 0, 1.0, "")


def test_a_program_is_known_by_its_file(tmp_path: Path) -> None:
    """SHA-256 of "abc": FIPS 180-2, example B.1 (from memory)."""
    (tmp_path / "program").write_bytes(b"abc")
    assert build_of(tmp_path / "program") == "ba7816bf" and build_of(None) == ""


def test_it_is_printed_for_people_and_for_programs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rehearse", "--history", "--sessions", str(tmp_path)]) == 0
    assert "No rehearsal is kept here yet." in capsys.readouterr().out
    keep(tmp_path / FILE, [past(1), past(2, passed=False, wrong="navigation.rate_z, not finite"), past(3, build="")])
    with (tmp_path / FILE).open("a", encoding="utf-8") as out:
        out.write("{\n")
    assert main(["rehearse", "--history", "--sessions", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    for words in (
        "0a1b2c3d",
        "1 of 2",
        "navigation.rate_z, not finite",
        "at a cable",
        f"1 line of {FILE} could not be read",
    ):
        assert words in out
    assert main(["rehearse", "--history", "--json", "--sessions", str(tmp_path)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["runs"] for one in told["builds"]] == [1, 2] and told["unreadable"] == 1
